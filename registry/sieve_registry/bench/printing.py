"""Reports and audits, made in a process beside the page: many at once do not hold it up.

They take a second or more of computing each, which threads of this process would take turns for
with the page itself. The process begins with the first of them; what is asked for twice at once is
made once.
"""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import signal
import threading
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from typing import Any

from sieve_registry.store.engine import Registry, open_registry

CHECK, HISTORY, AUDIT, ISSUE = "check", "history", "audit", "issue"
# One of these kinds, and its subject: a check, a sieve, a day, a report to issue as JSON.
_Sheet = tuple[str, str]


@dataclass(eq=False)
class Printer:
    """Makes the sheets of one bench, one after the other."""

    registry: Registry
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _pool: ProcessPoolExecutor | None = None
    _waiting: dict[_Sheet, Future[str]] = field(default_factory=dict)

    async def sheet(self, kind: str, subject: str) -> str:
        """A self-contained page. Raises what making it raises."""
        return await asyncio.wrap_future(self._submitted((kind, subject)))

    def _submitted(self, sheet: _Sheet) -> Future[str]:
        with self._lock:
            if sheet in self._waiting:
                return self._waiting[sheet]
            if self._pool is None:
                spawn = multiprocessing.get_context("spawn")
                self._pool = ProcessPoolExecutor(1, spawn, _leave_stopping_to_the_page)
            place = self.registry.place
            target = place.url if place.path is None else str(place.path)
            future = self._pool.submit(_made, target or "", self.registry.now(), *sheet)
            self._waiting[sheet] = future
        future.add_done_callback(partial(self._done, sheet))
        return future

    def _done(self, sheet: _Sheet, _future: Future[str]) -> None:
        with self._lock:
            self._waiting.pop(sheet, None)

    def close(self) -> None:
        """Stop the process; what was not begun is left out."""
        with self._lock:
            pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(cancel_futures=True)


def _leave_stopping_to_the_page() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _made(target: str, moment: datetime, kind: str, subject: str) -> str:
    """A sheet, in the other process."""
    from sieve_registry.audit.queries import audit as audit_of
    from sieve_registry.report import (
        audit_page,
        check_view,
        history_view,
        render_check_report,
        render_sieve_history,
    )
    from sieve_registry.settings import letterhead
    from sieve_registry.values import read_date

    registry = open_registry(target, now=lambda: moment)
    try:
        if kind == CHECK:
            return render_check_report(check_view(registry, subject), letterhead())
        if kind == HISTORY:
            return render_sieve_history(history_view(registry, subject), letterhead())
        if kind == ISSUE:
            return _issued(registry, json.loads(subject))
        day = read_date(subject) if subject else registry.today()
        return audit_page.page(audit_of(registry, day))
    finally:
        registry.close()


def _issued(registry: Registry, wanted: dict[str, Any]) -> str:
    """Issue a report; its number."""
    from sieve_registry.audit.issued import ReportDetails
    from sieve_registry.report import issue_report
    from sieve_registry.settings import letterhead
    from sieve_registry.sieves.recording import RecordTerms

    registry = replace(registry, identify=lambda _: wanted["signed_in"])
    details, terms = ReportDetails(**wanted["details"]), RecordTerms(by=wanted["by"])
    return issue_report(registry, wanted["check"], details, letterhead(), terms).number
