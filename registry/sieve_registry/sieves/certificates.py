"""Certificates of outside laboratories: recorded of a sieve, and read as results of its cloth.

A certificate whose laboratory states a pass counts as a check of its day: the sieve is due again on
the certificate's next day, or, without one, after the sieve's own interval. A later check of one's
own takes its place. One that states a fail objects to the sieve's use as a failed check does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from pathlib import Path

from sieve_inspect.errors import UsageError
from sieve_inspect.outcomes import NOT_JUDGED, OUTCOMES
from sieve_registry.errors import DateRefusedError, RuleRefusedError
from sieve_registry.ledger.codec import decimal_text
from sieve_registry.ledger.events import CertificateRecorded
from sieve_registry.ledger.figures import CertifiedDirection, DirectionFigures
from sieve_registry.ledger.records import Check, Fact, SieveHistory, facts_of_type
from sieve_registry.sieves.facts import current_facts_of
from sieve_registry.sieves.recording import (
    RecordTerms,
    history_of,
    recording,
    staged_evidence,
)
from sieve_registry.store import writer
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text

STATED = (*OUTCOMES, NOT_JUDGED)
_FACTOR_OFF = 0.5  # of the nominal: a mean further off is another size, or another unit
_K = (Decimal(1), Decimal(5))


@dataclass(frozen=True, kw_only=True)
class NewCertificate:
    """A certificate to record; lengths in um, U = k u as printed."""

    number: str
    laboratory: str
    x: CertifiedDirection
    y: CertifiedDirection
    accreditation: str = ""
    standard: str = ""
    outcome: str = NOT_JUDGED
    k: Decimal = Decimal(2)
    next_due: date | None = None
    note: str = ""
    imported: Mapping[str, int] | None = None


def add_certificate(
    registry: Registry,
    sieve_id: str,
    new: NewCertificate,
    terms: RecordTerms,
    document: Path | None = None,
) -> Fact[CertificateRecorded]:
    """Record a certificate for the day the laboratory measured, its document kept as evidence.

    Raises `UsageError` for figures that cannot be meant, `RuleRefusedError` for a certificate that
    is recorded already, `UnknownSieveError`, `BadTextError`, `DateRefusedError`, `EvidenceError`.
    """
    files = [(document, "certificate", document.name)] if document else []
    with (
        staged_evidence(registry, files) as staged,
        recording(registry, sieve_id, CertificateRecorded, terms) as context,
        writer.placing(context.connection, registry.evidence, staged) as kept,
    ):
        history = history_of(context.connection, context.subject)
        payload = replace(certificate_payload(history, new, context.day), evidence=tuple(kept))
        event = context.append(payload, terms.by)
    return Fact(
        event.seq, event.subject, context.day, event.recorded_at, event.person, payload
    )  # fmt: skip


def certificate_payload(
    history: SieveHistory, new: NewCertificate, day: date
) -> CertificateRecorded:
    """The payload of a certificate's event. Raises as `add_certificate`."""
    stated = CertificateRecorded(
        number=clean_text("certificate number", new.number, needed=True),
        laboratory=clean_text("laboratory", new.laboratory, needed=True),
        accreditation=clean_text("accreditation number", new.accreditation),
        standard=clean_text("standard", new.standard),
        outcome=str(new.outcome),
        k=new.k,
        x=new.x,
        y=new.y,
        next_due=new.next_due,
        note=clean_text("note", new.note),
        imported=new.imported,
    )
    refuse_certificate(history, stated, day)
    return stated


def exact_um(length_um: float) -> Decimal:
    """A length as it was typed, without what binary floats add."""
    return Decimal(decimal_text(round(length_um, 6)))


def refuse_certificate(
    history: SieveHistory, stated: CertificateRecorded, day: date, seq: int = 0
) -> None:
    """Raise what `add_certificate` raises of figures, for a new certificate or the event `seq`."""
    sieve = history.sieve
    for fact in facts_of_type(history.acts, CertificateRecorded):
        known = (fact.payload.number, fact.payload.laboratory)
        if fact.seq != seq and _same(known, (stated.number, stated.laboratory)):
            raise RuleRefusedError(
                sieve=sieve.id,
                reason=f"certificate {stated.number} of {stated.laboratory} is recorded already, "
                f"as event {fact.seq}",
            )
    if stated.outcome not in STATED:
        raise UsageError(
            message=f"The outcome is one of {', '.join(STATED)}, not {stated.outcome!r}."
        )
    if not _K[0] <= stated.k <= _K[1]:
        raise UsageError(message=f"A coverage factor k of {stated.k:g} is not plausible.")
    for axis, figures in (("x", stated.x), ("y", stated.y)):
        _refuse_implausible(sieve.nominal_um, axis, figures)
    if stated.next_due is not None and stated.next_due <= day:
        raise DateRefusedError(
            reason=f"A certificate of {day} cannot be due again on {stated.next_due}",
            advice="compare with the certificate",
        )


def _same(one: tuple[str, str], other: tuple[str, str]) -> bool:
    return [t.casefold().split() for t in one] == [t.casefold().split() for t in other]


def _refuse_implausible(nominal_um: float, axis: str, stated: CertifiedDirection) -> None:
    """Raise `UsageError` for figures of a direction that cannot belong to the sieve."""
    mean = float(stated.mean_um)
    if abs(mean / nominal_um - 1) > _FACTOR_OFF:
        raise UsageError(
            message=f"A mean of {mean:g} um in {axis} does not belong to a nominal of "
            f"{nominal_um:g} um: check the unit."
        )
    for what, value, most in (
        ("U", stated.expanded_um, mean / 10),
        ("s", stated.sd_um, mean / 2),
        ("wire", stated.wire_mean_um, 10 * mean),
    ):
        if value is not None and not 0 < value < most:
            raise UsageError(message=f"{what} = {value:g} um in {axis} is not plausible.")
    if stated.max_um is not None and not mean <= stated.max_um < 3 * mean:
        raise UsageError(
            message=f"A largest aperture of {stated.max_um:g} um in {axis} is not plausible."
        )


def certificates_of(history: SieveHistory, day: date) -> list[Fact[CertificateRecorded]]:
    """A sieve's certificates of a day or earlier, as corrected, in order of their day."""
    facts = facts_of_type(history.acts, CertificateRecorded)
    return sorted((f for f in facts if f.on_date <= day), key=lambda f: (f.on_date, f.seq))


def recorded_certificates(
    registry: Registry, sieve_id: str | None = None
) -> list[Fact[CertificateRecorded]]:
    """Certificates of a sieve (None: of all), as corrected, void ones left out; by day.

    Raises `UnknownSieveError`.
    """
    with registry.reading() as connection:
        subject = None if sieve_id is None else history_of(connection, sieve_id).sieve.id
    current = current_facts_of(registry, subject, [CertificateRecorded])
    return sorted(current, key=lambda fact: (fact.on_date, fact.seq))


def certificate_name(fact: Fact[CertificateRecorded]) -> str:
    """How a certificate is named among checks."""
    return f"certificate {fact.payload.number}"


def summary_of(stated: CertificateRecorded) -> str:
    """A certificate in one line: number, laboratory, means with U, outcome."""
    means = ", ".join(
        f"{axis} {of.mean_um:f}" + (f" ± {of.expanded_um:f}" if of.expanded_um else "") + " um"
        for axis, of in (("x", stated.x), ("y", stated.y))
    )
    factor = f" (k = {stated.k:f})" if stated.x.expanded_um or stated.y.expanded_um else ""
    due = f", next due {stated.next_due}" if stated.next_due else ""
    return f"{stated.number} of {stated.laboratory}: {means}{factor}, {stated.outcome}{due}"


def as_check(history: SieveHistory, fact: Fact[CertificateRecorded]) -> Check:
    """A certificate in the form of a check, for what looks at both: its figures and outcome.

    `u_…` are standard uncertainties; what the certificate does not state is None, no count is 0.
    """
    sieve, stated = history.sieve, fact.payload
    return Check(
        id=certificate_name(fact),
        sieve_id=sieve.id,
        on_date=fact.on_date,
        nominal_nm=sieve.nominal_nm,
        standard=stated.standard or sieve.standard,
        grade=sieve.grade,
        rule="",
        outcome=stated.outcome,
        action="",
        action_reason="",
        reasons=(),
        fit="",
        x=_figures(stated.x, stated.k),
        y=_figures(stated.y, stated.k),
        seq=fact.seq,
        recorded_at=fact.recorded_at,
        person=fact.person,
        software="",
        scale_source=f"laboratory {stated.laboratory}",
    )


def _figures(stated: CertifiedDirection, k: Decimal) -> DirectionFigures:
    return DirectionFigures(
        count=stated.count or 0,
        mean_um=stated.mean_um,
        sd_um=stated.sd_um,
        max_um=stated.max_um,
        u_mean_um=None if stated.expanded_um is None else stated.expanded_um / k,
        u_sd_um=None,
        u_max_um=None,
        wire_mean_um=stated.wire_mean_um,
    )
