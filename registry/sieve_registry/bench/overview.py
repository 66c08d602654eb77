"""What every page shows of the registry, read again only after something was recorded."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from typing import TypeVar, cast

from sieve_registry.audit.verification import ledger_head
from sieve_registry.ledger.records import SieveState
from sieve_registry.people import queries as people_queries
from sieve_registry.people.rules import Roster
from sieve_registry.quality.lookback import Lookback
from sieve_registry.quality.queries import open_lookbacks
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import Registry

_Key = tuple[date, int, str | None]
_Read = TypeVar("_Read")


@dataclass(eq=False)
class Overview:
    """Keeps what was read of the registry with the day and the head of the ledger of that moment.

    Its lists are shared: do not change them.
    """

    registry: Registry
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _kept: dict[Callable[[Registry], object], tuple[_Key, object]] = field(default_factory=dict)

    def _current(self, read: Callable[[Registry], _Read]) -> _Read:
        """What `read` returns, as kept while day and head stay the same."""
        key = (self.registry.today(), *ledger_head(self.registry))
        with self._lock:
            kept = self._kept.get(read)
        if kept is not None and kept[0] == key:
            return cast("_Read", kept[1])
        made = read(self.registry)
        with self._lock:
            self._kept[read] = (key, made)
        return made

    def states(self) -> list[SieveState]:
        """The state of every sieve today, by id."""
        return self._current(sieve_queries.states)

    def roster(self) -> Roster:
        """The persons of the laboratory and its rules."""
        return self._current(people_queries.roster)

    def lookbacks(self) -> list[Lookback]:
        """The open look-backs of all sieves."""
        return self._current(open_lookbacks)

    def people(self) -> list[str]:
        """Names offered while typing: the persons of the laboratory, else those of the records."""
        today = self.registry.today()
        present = [p.name for p in self.roster().persons.values() if p.present(today)]
        if present:
            return sorted(present)
        states = self.states()
        last = {state.last_check.person for state in states if state.last_check is not None}
        return sorted(last | {state.sieve.person for state in states})
