"""The records that cross every border: frozen, with exact numbers where a limit is judged.

Days are `datetime.date`; the time a thing was recorded is an ISO text in UTC ("…Z"). Nominal
lengths are whole nanometres, measured figures `Decimal` micrometres: neither ever passes through
a binary float on its way into or out of the registry.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Generic, TypeVar, cast

from sieve_inspect.outcomes import FOR_INFORMATION, PASSING
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.events import (
    ActionDecided,
    CertificateRecorded,
    CheckSigned,
    ClothReplaced,
    ReferenceChecked,
    SieveCleaned,
    SieveQuarantined,
)
from sieve_registry.ledger.figures import DirectionFigures, EvidenceFile, Margin
from sieve_registry.values import DEFAULT_INTERVAL_MONTHS, DEFAULT_STANDARD

Payload_co = TypeVar("Payload_co", bound=EventPayload, covariant=True)


@dataclass(frozen=True)
class Event:
    """One link of the ledger. `payload` is canonical JSON text; hashes are SHA-256 in hex."""

    seq: int
    kind: str
    subject: str
    on_date: str
    recorded_at: str
    person: str
    software: str
    payload: str
    previous: str
    hash: str


@dataclass(frozen=True)
class Finding:
    """A rule's remark about a record: the rule, the message and the subject."""

    source: str
    message: str
    subject: str


@dataclass(frozen=True)
class Fact(Generic[Payload_co]):
    """An event read back: who recorded it, for which day, and its typed payload."""

    seq: int
    subject: str
    on_date: date
    recorded_at: str
    person: str
    payload: Payload_co

    @property
    def kind(self) -> str:
        """The text of the kind in the ledger."""
        return self.payload.KIND


class Status(StrEnum):
    """The status of a sieve on one day."""

    IN_SERVICE = "in service"
    QUARANTINED = "quarantined"
    RETIRED = "retired"


Wanted = TypeVar("Wanted", bound=EventPayload)


def facts_of_type(facts: Iterable[Fact[EventPayload]], wanted: type[Wanted]) -> list[Fact[Wanted]]:
    """The facts whose payload is of one type, in the same order."""
    return [cast("Fact[Wanted]", fact) for fact in facts if isinstance(fact.payload, wanted)]


@dataclass(frozen=True)
class SieveDetails:
    """Details of a sieve for ISO/IEC 17025:2017, 6.4.13, beyond its identity; "" is unknown.

    `height` is full, half or a length; `warp` is the direction of the label that is
    the warp ("x" or "y", by the convention of `sieve add`); `label` is further text of its label.
    """

    type: str = ""
    height: str = ""
    cloth: str = ""
    certificate: str = ""
    warp: str = ""
    label: str = ""

    @property
    def warp_text(self) -> str:
        """The direction of the warp relative to the label, "" if not recorded."""
        return {"x": "across the label", "y": "up the label"}.get(self.warp, "")


@dataclass(frozen=True)
class Sieve:
    """A sieve as it was added; lengths in whole nanometres."""

    id: str
    nominal_nm: int
    standard: str
    grade: str
    serial: str
    frame_nm: int | None
    in_service: date | None
    added_on: date
    interval_months: int
    interval_uses: int | None
    location: str
    maker: str
    seq: int
    recorded_at: str
    person: str
    details: SieveDetails = SieveDetails()

    @property
    def nominal_um(self) -> float:
        """The nominal aperture in um."""
        return self.nominal_nm / 1000


@dataclass(frozen=True)
class SieveEdit:
    """A change that counts from `on_date`: None leaves a thing as it was.

    `interval_uses` 0 takes the limit by uses away.
    """

    sieve_id: str
    on_date: date
    interval_months: int | None
    interval_uses: int | None
    location: str | None
    seq: int
    recorded_at: str
    person: str
    details: tuple[tuple[str, str], ...] = ()  # names of `SieveDetails` and their new texts


@dataclass(frozen=True)
class Check:
    """A check of a sieve: its figures and its outcome."""

    id: str
    sieve_id: str
    on_date: date
    nominal_nm: int
    standard: str
    grade: str
    rule: str
    outcome: str
    action: str
    action_reason: str
    reasons: tuple[str, ...]
    fit: str
    x: DirectionFigures
    y: DirectionFigures
    seq: int
    recorded_at: str
    person: str
    software: str
    scale_source: str | None = None  # None: recorded without a scale

    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> Any:
            """The figures of a check that was read from a row, made when first needed.

            Most questions about very many checks need none of them.
            """
            made = self.__dict__.get("_figures")
            if made is None or name not in ("x", "y"):
                raise AttributeError(name)
            figures = self.__dict__[name] = made(name)
            return figures

        def __getstate__(self) -> dict[str, Any]:
            """All figures, made: what makes them stays in this process."""
            return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True)
class CheckMark:
    """The fields of a check that a look-back, or the day of the next check, rests on."""

    id: str
    on_date: date
    outcome: str
    seq: int


@dataclass(frozen=True)
class CheckDetail:
    """A check with its margins, its evidence and the ledger event that recorded it."""

    check: Check
    margins: tuple[Margin, ...]
    evidence: tuple[EvidenceFile, ...]
    event: Event


@dataclass(frozen=True)
class UseDetails:
    """How a sieve was used; "" or None is unknown. Masses in grams, times in minutes."""

    stack: str = ""
    method: str = ""
    material: str = ""
    abrasiveness: str = ""
    cleaning: str = ""
    mass_g: Decimal | None = None
    minutes: Decimal | None = None
    retained_g: Decimal | None = None


USE_DETAILS = tuple(UseDetails.__dataclass_fields__)


@dataclass(frozen=True)
class Use:
    """Uses of a sieve logged for one day."""

    sieve_id: str
    on_date: date
    count: int
    note: str
    seq: int
    recorded_at: str
    person: str
    details: UseDetails = UseDetails()


@dataclass(frozen=True)
class Correction:
    """A correction of an earlier record: new values of its fields, or that it is void."""

    seq: int
    corrects: int
    kind: str
    sieve_id: str
    on_date: date
    recorded_at: str
    person: str
    reason: str
    void: bool
    was: Mapping[str, Any]
    now: Mapping[str, Any]


@dataclass(frozen=True)
class Retirement:
    """The end of a sieve's service, decided by a person."""

    sieve_id: str
    on_date: date
    reason: str
    seq: int
    recorded_at: str
    person: str


@dataclass(frozen=True)
class SieveHistory:
    """Everything recorded about a sieve, each list in the order of recording."""

    sieve: Sieve
    edits: tuple[SieveEdit, ...] = ()
    checks: tuple[Check, ...] = ()
    uses: tuple[Use, ...] = ()
    retirement: Retirement | None = None
    acts: tuple[Fact[EventPayload], ...] = ()  # the kinds of `SIEVE_LIFE`
    corrections: tuple[Correction, ...] = ()  # all ever made; the lists above are as corrected
    sign_off: tuple[tuple[date, bool], ...] = ()  # from which day a second person must sign
    opinions: tuple[Fact[EventPayload], ...] = ()  # decisions, reference checks, reviewed results

    @property
    def judged(self) -> tuple[Check, ...]:
        """The checks that decide whether the sieve may be used: all but those for information."""
        return tuple(check for check in self.checks if check.outcome != FOR_INFORMATION)


@dataclass(frozen=True)
class SieveState:
    """The state of a sieve at the end of a day; derived, never stored."""

    sieve: Sieve
    as_of: date
    status: Status
    location: str
    interval_months: int
    interval_uses: int | None
    last_check: Check | None
    uses_total: int
    uses_since_check: int
    due: date | None
    overdue: bool
    due_because: str
    remarks: tuple[Finding, ...]
    details: SieveDetails = SieveDetails()
    quarantine: Fact[SieveQuarantined] | None = None  # the current quarantine
    signed: Fact[CheckSigned] | None = None  # the sign-off of its last check
    sign_off: bool = False  # whether a second person must sign that day
    new_cloth: Fact[ClothReplaced] | None = None  # cloth put in since the last check
    cleaned: Fact[SieveCleaned] | None = None  # the last cleaning since the last check
    decided: Fact[ActionDecided] | None = None  # what a person decided last after the last check
    reference: Fact[ReferenceChecked] | None = None  # the last reference check of this cloth
    certificate: Fact[CertificateRecorded] | None = None  # judged, newer than the last check

    @property
    def result(self) -> str:
        """The outcome in force, that of the last check or of a newer certificate."""
        if self.certificate is not None:
            return self.certificate.payload.outcome
        return self.last_check.outcome if self.last_check else "never checked"

    @property
    def result_on(self) -> date | None:
        """The day of that outcome; None without."""
        record = self.certificate or self.last_check
        return None if record is None else record.on_date

    @property
    def unchecked(self) -> bool:
        """Whether neither a check nor a certificate judged it yet."""
        return self.last_check is None and self.certificate is None

    @property
    def certified(self) -> bool:
        """Whether a certificate newer than the last check states a pass: it counts as a check."""
        return self.certificate is not None and self.certificate.payload.outcome in PASSING


@dataclass(frozen=True)
class NewSieve:
    """A sieve to add; lengths in um."""

    id: str
    nominal_um: float
    standard: str = DEFAULT_STANDARD
    grade: str = "compliance"
    serial: str = ""
    frame_um: float | None = None
    in_service: date | None = None
    interval_months: int = DEFAULT_INTERVAL_MONTHS
    interval_uses: int | None = None
    location: str = ""
    maker: str = ""
    details: SieveDetails = SieveDetails()
