"""What the registry does, one function per deed; thin over rules, ledger and store.

Every function takes an open `Registry` (see `open_registry`). Days default to today, the person to
the login name. What is refused raises an error of `sieve_registry.errors` and records nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sieve_inspect.errors import UsageError
from sieve_registry import checks, kinds
from sieve_registry.deed import Doing, Told, deed, history_of
from sieve_registry.errors import (
    DuplicateSieveError,
    EvidenceError,
    ForeignRegistryError,
    UnknownCheckError,
    UnknownSieveError,
)
from sieve_registry.records import (
    DEFAULT_INTERVAL_MONTHS,
    DEFAULT_STANDARD,
    CheckDetail,
    Finding,
    NewSieve,
    SieveDetails,
    SieveHistory,
    SieveState,
    UseDetails,
    Verification,
)
from sieve_registry.rules import lifecycle, state
from sieve_registry.rules.text import clean_count, clean_id, clean_text
from sieve_registry.store import proof, reader
from sieve_registry.store.engine import Registry, open_registry
from sieve_registry.store.faults import told_plainly
from sieve_registry.store.halves import elsewhere
from sieve_registry.store.seal import Note, read_note
from sieve_registry.store.sqlitefile import OpenFile
from sieve_registry.store.verify import note_faults, verify_chain, verify_records

if TYPE_CHECKING:
    from sieve_inspect.scale.model import Scale

__all__ = [
    "DEFAULT_INTERVAL_MONTHS",
    "DEFAULT_STANDARD",
    "NewSieve",
    "Registry",
    "Verification",
    "add_sieve",
    "all_histories",
    "check",
    "due",
    "edit_sieve",
    "evidence_bytes",
    "get_check",
    "get_history",
    "get_state",
    "ledger_head",
    "log_use",
    "open_registry",
    "retire",
    "sieve_payload",
    "states",
    "use_payload",
    "verify",
]

_MOST_MONTHS = 1200
_MOST_USES = 1_000_000
_CHECK_NUMBER = re.compile(r"(?:[Cc]-?)?0*([0-9]{1,9})", re.ASCII)


# --- recording -------------------------------------------------------------------------------


def add_sieve(
    registry: Registry, new: NewSieve, *, by: str | None = None, why_late: str = ""
) -> SieveState:
    """Record a new sieve and return its state.

    Raises `BadTextError`, `DuplicateSieveError`, `DateRefusedError` for a future in-service date,
    and what `sieve_inspect.standard.limits` raises for a standard, grade or nominal it lacks.
    """
    payload = sieve_payload(new, registry.today())
    with registry.writing() as connection:
        if reader.has_sieve(connection, payload["id"]):
            raise DuplicateSieveError(sieve=payload["id"])
        day = new.in_service or registry.today()
        late = clean_text("reason", why_late)
        doing = Doing(registry, connection, payload["id"], day, late)
        return doing.record(kinds.SIEVE_ADDED, payload, by)


def sieve_payload(new: NewSieve, today: date) -> dict[str, Any]:
    """What an event keeps of a new sieve. Raises as `add_sieve`."""
    from sieve_inspect.standard import limits

    own_table = Path(new.standard)
    standard = str(own_table.resolve()) if own_table.is_file() else new.standard
    sieve_id = clean_id(new.id)
    limits(new.nominal_um, standard, grade=new.grade)
    if new.in_service is not None:
        lifecycle.refuse_future(new.in_service, today, "a sieve's start of service")
    return {
        "id": sieve_id,
        "nominal_nm": _nanometres(new.nominal_um),
        "standard": standard,
        "grade": new.grade,
        "serial": clean_text("serial number", new.serial),
        "frame_nm": None if new.frame_um is None else _nanometres(new.frame_um),
        "in_service": None if new.in_service is None else new.in_service.isoformat(),
        "added_on": today.isoformat(),
        "interval_months": clean_count("interval in months", new.interval_months, _MOST_MONTHS),
        "interval_uses": clean_count("interval in uses", new.interval_uses, _MOST_USES),
        "location": clean_text("location", new.location),
        "maker": clean_text("maker", new.maker),
        "details": _details(new.details),
    }


def edit_sieve(
    registry: Registry,
    sieve_id: str,
    *,
    interval_months: int | None = None,
    interval_uses: int | None = None,
    location: str | None = None,
    details: Mapping[str, str] | None = None,
    on_date: date | None = None,
    by: str | None = None,
    why_late: str = "",
) -> SieveState:
    """Change intervals, location or details from a day on; 0 uses ends that limit.

    None leaves a thing as it is; `details` names fields of `SieveDetails`. The past stays as it
    was: asked for a day before `on_date`, the old values still answer.
    """
    if (interval_months, interval_uses, location, details or None) == (None,) * 4:
        raise UsageError(message="Nothing to change was given: see `sieveward sieve edit --help`.")
    payload = {
        "interval_months": clean_count("interval in months", interval_months, _MOST_MONTHS),
        "interval_uses": clean_count("interval in uses", interval_uses, _MOST_USES, least=0),
        "location": None if location is None else clean_text("location", location),
        "details": {name: clean_text(name, text) for name, text in (details or {}).items()},
    }
    told = Told(on_date, by, why_late)
    with deed(registry, sieve_id, kinds.SIEVE_EDITED, "the change", told) as doing:
        return doing.record(kinds.SIEVE_EDITED, payload, by)


def log_use(
    registry: Registry,
    sieve_id: str,
    count: int,
    *,
    on_date: date | None = None,
    by: str | None = None,
    note: str = "",
    details: UseDetails | None = None,
    why_late: str = "",
) -> SieveState:
    """Log that a sieve was used `count` times on a day, and how. Raises as `check`."""
    payload = use_payload(count, note, details or UseDetails())
    told = Told(on_date, by, why_late)
    with deed(registry, sieve_id, kinds.USE_LOGGED, "the use", told) as doing:
        return doing.record(kinds.USE_LOGGED, payload, by)


def use_payload(count: int, note: str, details: UseDetails) -> dict[str, Any]:
    """What an event keeps of uses: only what is known, figures as decimal texts."""
    told = {
        name: clean_text(name, value) if isinstance(value, str) else format(value, "f")
        for name, value in asdict(details).items()
        if value not in (None, "")
    }
    counted = clean_count("number of uses", count, _MOST_USES)
    return {"count": counted, "note": clean_text("note", note), **told}


def retire(
    registry: Registry,
    sieve_id: str,
    reason: str,
    *,
    on_date: date | None = None,
    by: str | None = None,
    why_late: str = "",
) -> SieveState:
    """End a sieve's service from a day on: a person's decision, with the reason."""
    payload = {"reason": clean_text("reason", reason, needed=True)}
    told = Told(on_date, by, why_late)
    with deed(registry, sieve_id, kinds.SIEVE_RETIRED, "the retirement", told) as doing:
        return doing.record(kinds.SIEVE_RETIRED, payload, by)


def check(
    registry: Registry,
    sieve_id: str,
    images: Sequence[Path],
    *,
    scale: Scale,
    encoding: str = "auto",
    on_date: date | None = None,
    by: str | None = None,
    why_late: str = "",
    measure: Callable[..., proof.MeasurementLike] | None = None,
    trace: Mapping[str, Any] | None = None,
) -> CheckDetail:
    """Measure a sieve's scans, judge them, and record the check with its evidence.

    The measuring runs before the registry is touched; whatever it raises passes through and
    nothing is recorded. `trace` is the chain of a recorded scale, kept with the check. Raises
    `UnknownSieveError`, `SieveRetiredError`, `DateRefusedError` (in the future, or before the
    sieve's service), `EvidenceError` (a scan changed meanwhile).
    """
    told = Told(on_date, by, why_late)
    taken = checks.take(
        registry,
        sieve_id,
        images,
        scale=scale,
        encoding=encoding,
        told=told,
        measure=measure,
        trace=trace,
    )
    check_id = checks.record(registry, taken, told)
    return get_check(registry, check_id)


# --- asking ----------------------------------------------------------------------------------


def get_history(registry: Registry, sieve_id: str) -> SieveHistory:
    """Everything recorded of one sieve. Raises `UnknownSieveError`."""
    with registry.reading() as connection:
        return history_of(connection, sieve_id)


def all_histories(registry: Registry) -> list[SieveHistory]:
    """Everything recorded of every sieve, by id."""
    with registry.reading() as connection:
        return list(reader.histories(connection).values())


def get_state(registry: Registry, sieve_id: str, as_of: date | None = None) -> SieveState:
    """A sieve's state at the end of a day (today). Raises `UnknownSieveError`, also for a day
    on which the sieve was not there yet."""
    day = as_of or registry.today()
    found = state.state_as_of(get_history(registry, sieve_id), day)
    if found is None:
        raise UnknownSieveError(sieve=sieve_id, hint=f" as of {day}")
    return found


def states(registry: Registry, as_of: date | None = None) -> list[SieveState]:
    """The state of every sieve that was there at the end of a day (today), by id."""
    day = as_of or registry.today()
    with registry.reading() as connection:
        histories = reader.histories_at(connection, day)
    found = (state.state_as_of(history, day) for history in histories.values())
    return [one for one in found if one is not None]


def due(
    registry: Registry, as_of: date | None = None, within_days: int | None = None
) -> list[SieveState]:
    """The sieves in service with the day their next check is due, overdue first, then soonest.

    `within_days` keeps those due within so many days after `as_of` (today).
    """
    day = as_of or registry.today()
    waiting = state.due_list(states(registry, day))
    if within_days is None:
        return waiting
    if within_days < 0:
        raise UsageError(message="The number of days has to be 0 or more.")
    try:
        last = day + timedelta(days=within_days)
    except OverflowError:
        last = date.max
    return [one for one in waiting if one.due is not None and one.due <= last]


def get_check(registry: Registry, check_id: str) -> CheckDetail:
    """One check by its number: `C-0001`, `c-1` and `1` all name the first.

    Raises `UnknownCheckError`.
    """
    match = _CHECK_NUMBER.fullmatch(check_id.strip())
    if match is not None:
        with registry.reading() as connection:
            found = reader.check_detail(connection, f"C-{int(match[1]):04d}")
        if found is not None:
            return found
    raise UnknownCheckError(check=check_id[:40])


def evidence_bytes(registry: Registry, sha256: str) -> bytes:
    """The content of an evidence file, hashed again on the way.

    Raises `EvidenceError` when it is not there, `EvidenceAlteredError` when it changed.
    """
    with registry.reading() as connection:
        extension = reader.evidence_extension(connection, sha256)
    if extension is None:
        raise EvidenceError(name=sha256[:64], reason="no check refers to it")
    return registry.evidence.read(sha256, extension)


def ledger_head(registry: Registry) -> tuple[int, str | None]:
    """How many events are recorded, and the hash of the last one."""
    with registry.reading() as connection:
        last = reader.last_event(connection)
        return reader.count_events(connection), None if last is None else last.hash


def verify(
    registry: Registry, known_head: str | None = None, *, quick: bool = False
) -> Verification:
    """Prove the chain, the derived rows, the foreign keys and every evidence file.

    `quick` leaves the derived rows and the file's structure out. `known_head` is a hash noted
    earlier (reports print one) that must still be in the chain.
    """
    path, halves = registry.place.path, partial(elsewhere, registry.place)
    note, damaged = _note(registry)
    heads = [head for head in (known_head, None if note is None else note.head) if head is not None]
    try:
        with ExitStack() as last, told_plainly(registry.where, registry.busy_ms):
            file = None
            if path is not None and not quick:
                file = OpenFile(path, last.enter_context(path.open("rb")), note)
            with registry.reading() as connection:
                if quick:
                    found = verify_chain(connection, registry.evidence, heads, halves)
                else:
                    found = verify_records(connection, registry.evidence, heads, file, halves)
                damaged += note_faults(connection, note)
    except ForeignRegistryError as error:
        return Verification(False, 0, None, (Finding("file", str(error), "registry file"),))
    findings = (*found.findings, *damaged)
    return Verification(not findings, found.events, found.head, findings, found.sealed)


def _note(registry: Registry) -> tuple[Note | None, list[Finding]]:
    """What was noted beside the file after the last recording, and whether that was damaged."""
    try:
        return None if registry.head_note is None else read_note(registry.head_note), []
    except ValueError as error:
        return None, [Finding("file", str(error), "registry file")]


def _details(details: SieveDetails) -> dict[str, str]:
    """The details that are known, each fit to be kept."""
    cleaned = {name: clean_text(name, text) for name, text in asdict(details).items()}
    return {name: text for name, text in cleaned.items() if text}


def _nanometres(um: float) -> int:
    return round(um * 1000)
