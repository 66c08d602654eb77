"""Equipment of any kind as ISO/IEC 17025:2017, 6.4.13 asks: its record, and what happened to it.

A record may stand for devices and artefacts of the registry: those it names, and those of its own
name. While it is quarantined or retired they are refused; a doubt that is still open, and a check
that is overdue, are noted with what they measure.

state      quarantine → quarantined, return → in use, retirement → retired
doubt      damage, a failed check, a repair or an adjustment, until a later passed check
next due   what the last event that states a day, or the last change of the record, made it
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from sieve_inspect.errors import UsageError
from sieve_registry.errors import DateRefusedError
from sieve_registry.ledger.choices import EquipmentAct, EquipmentKind
from sieve_registry.ledger.codec import EventPayload, shared_fields
from sieve_registry.ledger.events import (
    EquipmentAdded,
    EquipmentEdited,
    EquipmentLogged,
    EquipmentReported,
)
from sieve_registry.ledger.figures import EvidenceFile
from sieve_registry.ledger.records import Fact, Finding, facts_of_type
from sieve_registry.scales.corrections import live
from sieve_registry.scales.errors import (
    DuplicateThingError,
    UnknownThingError,
)
from sieve_registry.sieves.facts import record_general_fact, record_with_evidence
from sieve_registry.sieves.recording import EvidenceSource, RecordTerms
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_id, clean_text, read_date, shell_word


class EquipmentState(StrEnum):
    """The state of a piece of equipment on one day."""

    IN_USE = "in use"
    QUARANTINED = "quarantined"
    RETIRED = "retired"


PASS, FAIL = "pass", "fail"
_NAME = "name of equipment"
_TROUBLE = (EquipmentAct.DAMAGE, EquipmentAct.QUARANTINE)
EQUIPMENT_EVENTS: tuple[type[EventPayload], ...] = (
    EquipmentAdded,
    EquipmentEdited,
    EquipmentLogged,
    EquipmentReported,
)
TEXTS = ("maker", "model", "serial", "firmware", "driver", "place", "criterion", "note")
_DAYS = ("received", "valid_to", "next_due")
EDITABLE = (*TEXTS, *_DAYS, "names")


@dataclass(frozen=True, kw_only=True)
class NewEquipment:
    """A piece of equipment to add; "" and None are not known."""

    id: str
    kind: str
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""
    driver: str = ""
    place: str = ""
    criterion: str = ""
    names: tuple[str, ...] = ()
    received: date | None = None
    valid_to: date | None = None
    next_due: date | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Equipment(NewEquipment):
    """A piece of equipment at the end of a day: its record as edited, and its events.

    `doubt` is why it may not conform, "" where it does; `state_since` the event that set its state.
    """

    as_of: date
    seq: int
    person: str
    recorded_at: str
    state: EquipmentState = EquipmentState.IN_USE
    state_since: Fact[EquipmentLogged] | None = None
    doubt: str = ""
    log: tuple[Fact[EquipmentLogged], ...] = ()
    evidence: tuple[EvidenceFile, ...] = ()

    @property
    def expired(self) -> bool:
        """Whether its validity is over, as that of a reference material."""
        return self.valid_to is not None and self.as_of > self.valid_to

    @property
    def due(self) -> date | None:
        """The day its next check, or the end of its validity, is due; None for a retired piece."""
        days = [day for day in (self.next_due, self.valid_to) if day is not None]
        return min(days, default=None) if self.state != EquipmentState.RETIRED else None

    @property
    def overdue(self) -> bool:
        """Whether that day is over."""
        return self.due is not None and self.as_of > self.due

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What a person using it should know, a finding each."""
        notes = [("doubt", self.doubt)] if self.doubt else []
        if self.state != EquipmentState.IN_USE and self.state_since is not None:
            since = self.state_since
            notes.append(("state", f"{self.state} since {since.on_date}: {since.payload.note}"))
        if self.state != EquipmentState.RETIRED:
            if self.expired:
                notes.append(("validity", f"expired on {self.valid_to}"))
            if self.next_due is not None and self.as_of > self.next_due:
                notes.append(("due", f"its check was due on {self.next_due}"))
        return tuple(Finding(source, message, self.id) for source, message in notes)


def add_equipment(
    registry: Registry, new: NewEquipment, terms: RecordTerms, documents: Sequence[Path] = ()
) -> Equipment:
    """Record a piece of equipment from the day it was received, with documents kept as evidence.

    Raises `UsageError`, `BadTextError`, `DateRefusedError`, `DuplicateThingError`, `EvidenceError`.
    """
    name = clean_id(new.id, _NAME)
    if new.kind not in set(EquipmentKind):
        kinds = ", ".join(EquipmentKind)
        raise UsageError(message=f"--kind is one of {kinds}, not '{new.kind}'.")
    texts: dict[str, Any] = {text: clean_text(text, getattr(new, text)) for text in TEXTS}
    names = tuple(dict.fromkeys(clean_id(other, _NAME) for other in new.names))
    given = replace(new, names=names, **texts)
    payload = EquipmentAdded(**shared_fields(EquipmentAdded, given))
    _check_days(given)

    def refuse(connection: Connection) -> None:
        if live(connection, [EquipmentAdded], name):
            raise DuplicateThingError(
                what="a piece of equipment",
                name=name,
                advice="`sieveward equipment edit` changes its record, `log` adds an event",
            )

    since = replace(terms, on_date=terms.on_date or new.received)
    record_with_evidence(registry, name, payload, since, _documents(documents), refuse)
    return equipment_named(registry, name)


def edit_equipment(
    registry: Registry, name: str, changes: Mapping[str, str], terms: RecordTerms
) -> Equipment:
    """Change fields of a record from a day on; "" empties a field, `names` are set by commas.

    Raises `UsageError`, `BadTextError`, `DateRefusedError`, `UnknownThingError`.
    """
    known = equipment_named(registry, name)
    if not changes:
        raise UsageError(message="Nothing to change: see `sieveward equipment edit --help`.")
    unknown = sorted(changes.keys() - set(EDITABLE))
    if unknown:
        raise UsageError(message=f"{unknown[0]!r} cannot be changed: {', '.join(EDITABLE)} can.")
    texts = {field: clean_text(field, text) for field, text in changes.items()}
    changed = _edited(known, texts)
    _check_days(changed)
    for other in changed.names:
        clean_id(other, _NAME)
    record_general_fact(registry, known.id, EquipmentEdited(changes=texts), terms)
    return equipment_named(registry, known.id)


def log_equipment(
    registry: Registry,
    name: str,
    act: str,
    terms: RecordTerms,
    *,
    outcome: str = "",
    note: str = "",
    next_due: date | None = None,
    documents: Sequence[Path] = (),
) -> Equipment:
    """Record what happened to a piece of equipment, with documents kept as evidence.

    Raises `UsageError` for an event its state does not allow, `BadTextError`, `DateRefusedError`,
    `UnknownThingError`, `EvidenceError`.
    """
    if act not in set(EquipmentAct):
        raise UsageError(message=f"The event is one of {', '.join(EquipmentAct)}, not {act!r}.")
    day = terms.on_date or registry.today()
    known = equipment_named(registry, name, day)
    if act == EquipmentAct.CHECK and outcome not in (PASS, FAIL):
        raise UsageError(message="A check of equipment needs its outcome: --outcome pass or fail.")
    if act != EquipmentAct.CHECK and outcome:
        raise UsageError(message="Only a check has an outcome: leave --outcome out.")
    needed = act not in (EquipmentAct.CHECK, EquipmentAct.ADJUSTMENT)
    kind = EquipmentReported if act in _TROUBLE else EquipmentLogged
    payload = kind(
        act=act, outcome=outcome, note=clean_text("note", note, needed=needed), next_due=next_due
    )
    _refuse_act(known, act)
    if next_due is not None and next_due < day:
        raise DateRefusedError(
            reason=f"Next due {next_due} is before the event of {day}",
            advice="give a later day",
        )
    record_with_evidence(registry, known.id, payload, terms, _documents(documents))
    return equipment_named(registry, known.id)


def _documents(files: Iterable[Path]) -> list[EvidenceSource]:
    return [(file, "document", file.name) for file in files]


def _refuse_act(known: Equipment, act: str) -> None:
    """Raise `UsageError` for an event that the state of a piece of equipment does not allow."""
    if known.state == EquipmentState.RETIRED:
        raise UsageError(message=f"{known.id} is retired: nothing more happens to it.")
    quarantined = known.state == EquipmentState.QUARANTINED
    if act == EquipmentAct.QUARANTINE and quarantined:
        raise UsageError(message=f"{known.id} is in quarantine already.")
    if act == EquipmentAct.RETURN:
        if not quarantined or known.state_since is None:
            raise UsageError(message=f"{known.id} is not in quarantine, so it cannot return.")
        begun = known.state_since
        checks = [fact for fact in known.log if fact.payload.act == EquipmentAct.CHECK]
        after = [c for c in checks if (c.on_date, c.seq) > (begun.on_date, begun.seq)]
        if not after or after[-1].payload.outcome != PASS:  # ISO/IEC 17025:2017, 6.4.4 and 6.4.9
            raise UsageError(
                message=f"{known.id} has no passed check since its quarantine of {begun.on_date}: "
                f"`sieveward equipment log {shell_word(known.id)} check --outcome pass` first."
            )


def _check_days(given: NewEquipment) -> None:
    if given.received is None or given.valid_to is None or given.valid_to >= given.received:
        return
    raise DateRefusedError(
        reason=f"Valid to {given.valid_to} is before it was received on {given.received}",
        advice="compare with its papers",
    )


def recorded_equipment(registry: Registry, day: date | None = None) -> list[Equipment]:
    """Every piece of equipment added by the end of a day (today), by name, retired pieces too."""
    with registry.reading() as connection:
        facts = live(connection, EQUIPMENT_EVENTS)
    return equipment_of(facts, day or registry.today())


def equipment_of(facts: Iterable[Fact[EventPayload]], day: date) -> list[Equipment]:
    """Every piece of equipment by its events up to a day."""
    by_name: dict[str, list[Fact[EventPayload]]] = {}
    for fact in facts:
        if fact.on_date <= day:
            by_name.setdefault(fact.subject, []).append(fact)
    every = (_equipment(by_name[name], day) for name in sorted(by_name))
    return [piece for piece in every if piece is not None]


def equipment_named(registry: Registry, name: str, day: date | None = None) -> Equipment:
    """A piece of equipment at the end of a day (today). Raises `UnknownThingError`."""
    wanted = clean_id(name, _NAME)
    with registry.reading() as connection:
        facts = live(connection, EQUIPMENT_EVENTS, wanted)
    for piece in equipment_of(facts, day or registry.today()):
        return piece
    raise UnknownThingError(
        what="piece of equipment", name=wanted, advice="`sieveward equipment list` shows all"
    )


def _equipment(facts: Sequence[Fact[EventPayload]], day: date) -> Equipment | None:
    ordered = sorted(facts, key=lambda fact: (fact.on_date, fact.seq))
    added = facts_of_type(ordered, EquipmentAdded)
    if not added:
        return None
    first = added[0]
    piece = Equipment(
        id=first.subject,
        as_of=day,
        seq=first.seq,
        person=first.person,
        recorded_at=first.recorded_at,
        **shared_fields(NewEquipment, first.payload),
        evidence=first.payload.evidence,
    )
    for fact in ordered:
        if isinstance(fact.payload, EquipmentEdited):
            piece = _edited(piece, fact.payload.changes)
        for event in facts_of_type([fact], EquipmentLogged):
            piece = _after(piece, event)
    return piece


def _edited(piece: Equipment, changes: Mapping[str, str]) -> Equipment:
    """The record with new texts of some fields."""
    values: dict[str, Any] = {}
    for name, text in changes.items():
        if name in _DAYS:
            values[name] = read_date(text) if text else None
        elif name == "names":
            values[name] = tuple(part.strip() for part in text.split(",") if part.strip())
        else:
            values[name] = text
    return replace(piece, **values)


_STATES = {
    EquipmentAct.QUARANTINE: EquipmentState.QUARANTINED,
    EquipmentAct.RETURN: EquipmentState.IN_USE,
    EquipmentAct.RETIREMENT: EquipmentState.RETIRED,
}

_DOUBTS = {
    EquipmentAct.CHECK: "failed its check of {day}",
    EquipmentAct.DAMAGE: "damaged on {day}",
    EquipmentAct.REPAIR: "repaired on {day}, not checked since",
    EquipmentAct.ADJUSTMENT: "adjusted on {day}, not checked since",
}


def _after(piece: Equipment, event: Fact[EquipmentLogged]) -> Equipment:
    """The piece after one more event."""
    act, stated = EquipmentAct(event.payload.act), event.payload
    values: dict[str, Any] = {"log": (*piece.log, event)}
    if act in _STATES:
        values |= {"state": _STATES[act], "state_since": event}
    if act == EquipmentAct.CHECK and stated.outcome == PASS:
        values["doubt"] = ""
    elif act in _DOUBTS:
        note = f": {stated.note}" if stated.note else ""
        values["doubt"] = f"{_DOUBTS[act].format(day=event.on_date)}{note}"
    if stated.next_due is not None:
        values["next_due"] = stated.next_due
    return replace(piece, **values)


def due_equipment(
    registry: Registry, day: date | None = None, within_days: int | None = None
) -> list[Equipment]:
    """The equipment with a day for its next check or the end of its validity, the soonest first."""
    now = day or registry.today()
    waiting = [piece for piece in recorded_equipment(registry, now) if piece.due is not None]
    kept = [
        piece
        for piece in waiting
        if within_days is None or (piece.due and (piece.due - now).days <= within_days)
    ]
    return sorted(kept, key=lambda piece: (piece.due or date.max, piece.id))
