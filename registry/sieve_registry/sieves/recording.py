"""Recording something of one sieve: the rules are asked first, then one event is appended."""

from __future__ import annotations

import difflib
import getpass
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection

from sieve_registry.errors import UnknownSieveError
from sieve_registry.records import Event, SieveHistory, SieveState
from sieve_registry.sieves import lifecycle, state
from sieve_registry.store import reader, writer
from sieve_registry.store.engine import Registry
from sieve_registry.store.software import package_version
from sieve_registry.values import clean_id, clean_text

__all__ = [
    "Doing",
    "Told",
    "deed",
    "history_of",
    "login_name",
    "person",
    "record_general",
    "refuse",
]


def history_of(connection: Connection, sieve_id: str) -> SieveHistory:
    """Everything recorded of one sieve. Raises `UnknownSieveError` with the nearest name."""
    found = reader.histories(connection, clean_id(sieve_id))
    for history in found.values():
        return history
    there = {one.casefold(): one for one in reader.sieve_ids(connection)}
    near = difflib.get_close_matches(sieve_id.casefold(), there, n=1)
    hint = f": did you mean {there[near[0]]!r}" if near else ": `sieveward sieve list` shows all"
    raise UnknownSieveError(sieve=sieve_id[:70], hint=hint)


@dataclass(frozen=True)
class Told:
    """For which day something is recorded (today), by whom, and why only now if that matters."""

    on_date: date | None = None
    by: str | None = None
    why_late: str = ""


@dataclass(frozen=True)
class Doing:
    """A writing transaction in which something is recorded of one sieve for one day."""

    registry: Registry
    connection: Connection
    sieve_id: str
    day: date
    why_late: str = ""

    def append(self, kind: str, payload: dict[str, Any], by: str | None) -> Event:
        """Append to the ledger."""
        return writer.append(
            self.connection,
            kind=kind,
            subject=self.sieve_id,
            on_date=self.day,
            recorded_at=self.registry.now(),
            person=person(by),
            software=f"sieveward {package_version('sieveward')}",
            payload=payload,
            why_late=self.why_late,
        )

    def record(self, kind: str, payload: dict[str, Any], by: str | None) -> SieveState:
        """Append to the ledger; the sieve's state after it."""
        self.append(kind, payload, by)
        after = history_of(self.connection, self.sieve_id)
        found = state.state_as_of(after, self.registry.today())
        assert found is not None  # nothing is recorded for a day to come
        return found


def refuse(
    registry: Registry,
    connection: Connection,
    sieve_id: str,
    kind: str,
    what: str,
    told: Told,
    check_id: str = "",
) -> tuple[SieveHistory, date]:
    """The sieve's history and the day, when nothing stands against recording this of it."""
    history = history_of(connection, sieve_id)
    today = registry.today()
    day = told.on_date or today
    late = clean_text("reason", told.why_late)
    intended = lifecycle.Deed(kind, day, today, what, person(told.by), late, check_id)
    lifecycle.refuse(history, intended)
    return history, day


@contextmanager
def deed(
    registry: Registry, sieve_id: str, kind: str, what: str, told: Told, check_id: str = ""
) -> Iterator[Doing]:
    """Begin recording of a sieve that is known, when nothing stands against it.

    Raises `UnknownSieveError` and what `lifecycle.refuse` raises.
    """
    with registry.writing() as connection:
        history, day = refuse(registry, connection, sieve_id, kind, what, told, check_id)
        late = clean_text("reason", told.why_late)
        yield Doing(registry, connection, history.sieve.id, day, late)


def record_general(
    registry: Registry,
    connection: Connection,
    kind: str,
    subject: str,
    payload: dict[str, Any],
    told: Told,
) -> Event:
    """Append an event that is about no single sieve. Raises `DateRefusedError`."""
    day = told.on_date or registry.today()
    lifecycle.refuse_future(day, registry.today(), "this")
    doing = Doing(registry, connection, subject, day, clean_text("reason", told.why_late))
    return doing.append(kind, payload, told.by)


def person(by: str | None) -> str:
    """Who did it: as told, or the login name. Raises `BadTextError`."""
    return clean_text("person", by or login_name(), needed=True)


def login_name() -> str:
    """The login name, or "unknown" where a system has none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"
