"""What is known of sieves, on any day."""

from __future__ import annotations

from datetime import date, timedelta

from sieve_inspect.errors import UsageError
from sieve_registry.errors import UnknownSieveError
from sieve_registry.ledger.records import (
    SieveHistory,
    SieveState,
)
from sieve_registry.sieves import state
from sieve_registry.sieves.recording import history_of
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry


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
    current = state.state_as_of(get_history(registry, sieve_id), day)
    if current is None:
        raise UnknownSieveError(sieve=sieve_id, hint=f" as of {day}")
    return current


def states(registry: Registry, as_of: date | None = None) -> list[SieveState]:
    """The state of every sieve that was there at the end of a day (today), by id."""
    return _states(registry, as_of or registry.today(), marks=False)


def _states(registry: Registry, day: date, *, marks: bool) -> list[SieveState]:
    with registry.reading() as connection:
        histories = reader.histories_at(connection, day, marks=marks)
    known = (state.state_as_of(history, day) for history in histories.values())
    return [sieve for sieve in known if sieve is not None]


def due(
    registry: Registry, as_of: date | None = None, within_days: int | None = None
) -> list[SieveState]:
    """The sieves in service with the day their next check is due, overdue first, then soonest.

    The last check of a state may be a `CheckMark`: its number, day and outcome.
    `within_days` keeps those due within so many days after `as_of` (today).
    """
    day = as_of or registry.today()
    waiting = state.due_list(_states(registry, day, marks=True))
    if within_days is None:
        return waiting
    if within_days < 0:
        raise UsageError(message="The number of days has to be 0 or more.")
    try:
        last = day + timedelta(days=within_days)
    except OverflowError:
        last = date.max
    return [sieve for sieve in waiting if sieve.due is not None and sieve.due <= last]
