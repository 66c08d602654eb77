"""Reports and audits, made in processes beside the page: many at once do not hold it up.

They take a second or more of computing each, which threads of this process would take turns for
with the page itself. One process makes pages, another files, which take longer; each begins with
its first work. A page that is asked for twice at once is made once.
"""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import signal
import threading
import zipfile
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, wait
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sieve_inspect.errors import UsageError
from sieve_registry.store.engine import Registry, open_registry

if TYPE_CHECKING:
    from sieve_registry.audit.queries import Audit

CHECK, HISTORY, AUDIT, ISSUE = "check", "history", "audit", "issue"
# One of these kinds, and its subject: a check, a sieve, a day, a report to issue as JSON.
_Sheet = tuple[str, str]
# Files beside the one that is made: the share done, and the wish to stop.
_SHARE, _STOP = "share", "stop"
_READ_EVERY_S = 0.3
_PAGE_OF_PDF = 0.25  # share of the time of a PDF in which its page is made


@dataclass(eq=False)
class Printer:
    """Makes the sheets of one bench, one after the other."""

    registry: Registry
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _pool: ProcessPoolExecutor | None = None
    _files: ProcessPoolExecutor | None = None
    _folders: set[Path] = field(default_factory=set)  # of the files under way
    _waiting: dict[_Sheet, Future[str]] = field(default_factory=dict)

    async def sheet(self, kind: str, subject: str) -> str:
        """A self-contained page. Raises what making it raises."""
        return await asyncio.wrap_future(self._submitted((kind, subject)))

    def file(self, kind: str, subject: str, folder: Path, advance: Callable[[float], None]) -> str:
        """Make a PDF of a check or sieve, an audit with its files, or an issued report.

        The name of the file in `folder`, or the number of the report. `advance` is called with the
        share done. Raises what making it raises.
        """
        with self._lock:
            self._files = pool = self._files or _process()
            self._folders.add(folder)
        work = pool.submit(_made_file, *self._registry_now(), kind, subject, folder)
        while not wait([work], _READ_EVERY_S).done:
            with suppress(OSError, ValueError):  # not there yet, or being written
                advance(float((folder / _SHARE).read_text()))
        with self._lock:
            self._folders.discard(folder)
        return work.result()

    def _registry_now(self) -> tuple[str, datetime]:
        place = self.registry.place
        target = place.url if place.path is None else str(place.path)
        return target or "", self.registry.now()

    def _submitted(self, sheet: _Sheet) -> Future[str]:
        with self._lock:
            if sheet in self._waiting:
                return self._waiting[sheet]
            self._pool = self._pool or _process()
            future = self._pool.submit(_made, *self._registry_now(), *sheet)
            self._waiting[sheet] = future
        future.add_done_callback(partial(self._done, sheet))
        return future

    def _done(self, sheet: _Sheet, _future: Future[str]) -> None:
        with self._lock:
            self._waiting.pop(sheet, None)

    def close(self) -> None:
        """Stop the processes; files under way are left out, a report being issued is not."""
        with self._lock:
            pools = (self._pool, self._files)
            self._pool = self._files = None
            for folder in self._folders:
                with suppress(OSError):
                    (folder / _STOP).touch()
        for pool in pools:
            if pool is not None:
                pool.shutdown(cancel_futures=True)


def _process() -> ProcessPoolExecutor:
    spawn = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(1, spawn, _leave_stopping_to_the_page)


def _leave_stopping_to_the_page() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _made(target: str, moment: datetime, kind: str, subject: str) -> str:
    """A sheet, in the other process."""
    from sieve_registry.report import audit_page

    with _opened(target, moment) as registry:
        if kind in (CHECK, HISTORY):
            return _report(registry, kind, subject)
        return audit_page.page(_audit(registry, subject))


def _made_file(target: str, moment: datetime, kind: str, subject: str, folder: Path) -> str:
    """A file, in the other process; its name, or the number of an issued report."""

    def advance(share: float) -> None:
        if kind != ISSUE and (folder / _STOP).exists():
            raise UsageError(message="The bench was stopped before this was made.")
        (folder / _SHARE).write_text(f"{share:.4f}")

    with _opened(target, moment) as registry:
        if kind == ISSUE:
            return _issued(registry, json.loads(subject), advance)
        if kind == AUDIT:
            return _audit_files(registry, subject, folder, advance)
        return _pdf(registry, kind, subject, folder, advance)


@contextmanager
def _opened(target: str, moment: datetime) -> Iterator[Registry]:
    registry = open_registry(target, now=lambda: moment)
    try:
        yield registry
    finally:
        registry.close()


def _audit(registry: Registry, day: str) -> Audit:
    from sieve_registry.audit.queries import audit
    from sieve_registry.values import read_date

    return audit(registry, read_date(day) if day else registry.today())


def _report(registry: Registry, kind: str, subject: str) -> str:
    from sieve_registry import report
    from sieve_registry.settings import letterhead

    if kind == CHECK:
        return report.render_check_report(report.check_view(registry, subject), letterhead())
    return report.render_sieve_history(report.history_view(registry, subject), letterhead())


def _pdf(
    registry: Registry, kind: str, subject: str, folder: Path, advance: Callable[[float], None]
) -> str:
    from sieve_registry.report import pdf_bytes
    from sieve_registry.values import file_stem

    page = _report(registry, kind, subject)
    advance(_PAGE_OF_PDF)
    data = pdf_bytes(page, progress=lambda done: advance(_PAGE_OF_PDF + (1 - _PAGE_OF_PDF) * done))
    name = f"{file_stem(subject) or 'history'}.pdf"
    (folder / name).write_bytes(data)
    return name


def _audit_files(
    registry: Registry, day: str, folder: Path, advance: Callable[[float], None]
) -> str:
    from sieve_registry.report.audit_files import AuditFiles

    audit = _audit(registry, day)
    advance(0.02)
    name = f"audit-{audit.as_of}.zip"
    with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED) as archive:
        for file, data in AuditFiles(registry, audit).written(advance):
            # Scans and pictures are packed already.
            packed = file.endswith((".png", ".jpg", ".tif", ".tiff", ".npz"))
            kind = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
            archive.writestr(f"audit-{audit.as_of}/{file}", data, kind)
    return name


def _issued(registry: Registry, wanted: dict[str, Any], advance: Callable[[float], None]) -> str:
    """Issue a report; its number."""
    from sieve_registry.audit.issued import ReportDetails
    from sieve_registry.report import issue_report
    from sieve_registry.settings import letterhead
    from sieve_registry.sieves.recording import RecordTerms

    registry = replace(registry, identify=lambda _: wanted["signed_in"])
    details = ReportDetails(**wanted["details"])
    terms = RecordTerms(by=wanted["by"], late_reason=wanted["late_reason"])
    report = issue_report(registry, wanted["check"], details, letterhead(), terms, progress=advance)
    return report.number
