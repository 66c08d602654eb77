"""The state of every sieve today, read again only after something was recorded."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from datetime import date

from sieve_registry.audit.verification import ledger_head
from sieve_registry.people import queries as people_queries
from sieve_registry.people.rules import Roster
from sieve_registry.records import SieveState
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import Registry

_Key = tuple[date, int, str | None]


@dataclass(eq=False)
class Overview:
    """Keeps the states of all sieves with the day and the head of the ledger they were read at."""

    registry: Registry
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _kept: tuple[_Key, list[SieveState]] | None = None
    _roster: tuple[_Key, Roster] | None = None

    def states(self) -> list[SieveState]:
        """The state of every sieve today, by id; the list is shared, so do not change it."""
        key = (self.registry.today(), *ledger_head(self.registry))
        with self._lock:
            kept = self._kept
        if kept is not None and kept[0] == key:
            return kept[1]
        states = sieve_queries.states(self.registry)
        with self._lock:
            self._kept = (key, states)
        return states

    def roster(self) -> Roster:
        """The persons of the laboratory and its rules."""
        key = (self.registry.today(), *ledger_head(self.registry))
        with self._lock:
            kept = self._roster
        if kept is not None and kept[0] == key:
            return kept[1]
        roster = people_queries.roster(self.registry)
        with self._lock:
            self._roster = (key, roster)
        return roster

    def people(self) -> list[str]:
        """Names offered while typing: the persons of the laboratory, else those of the records."""
        today = self.registry.today()
        present = [p.name for p in self.roster().persons.values() if p.present(today)]
        if present:
            return sorted(present)
        states = self.states()
        last = {state.last_check.person for state in states if state.last_check is not None}
        return sorted(last | {state.sieve.person for state in states})
