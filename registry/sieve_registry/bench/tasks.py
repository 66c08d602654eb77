"""Work that takes seconds and is no check: calibrations, lamp tests, PDF files, audits as files."""

from __future__ import annotations

import secrets
import shutil
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import dataclass, field
from pathlib import Path

from sieve_inspect.errors import SievewardError
from sieve_registry.errors import UnforeseenError

_MOST_KEPT = 30
_MOST_FILES = 5  # made and kept to be downloaded
_WORKERS = 3
_NEARLY = 0.99  # more is not shown before the work is over


@dataclass(eq=False)
class Task:
    """A task under way or over.

    `place` is the page to open when it is done, or `made` the file to download; `error` the reason
    it failed.
    """

    title: str
    back: str
    folder: Path
    id: str = field(default_factory=lambda: secrets.token_urlsafe(9))
    began: float = field(default_factory=time.monotonic)
    place: str = ""
    made: Path | None = None
    error: SievewardError | None = None
    # From begin to end: as the last of its kind took, then by the share that was done last.
    expected_s: float | None = None
    _share: float = 0.0

    @property
    def over(self) -> bool:
        """Whether it is done or failed."""
        return bool(self.place) or self.made is not None or self.error is not None

    @property
    def spent_s(self) -> float:
        """Seconds since it was begun."""
        return time.monotonic() - self.began

    def advance(self, share: float) -> None:
        """Take note that a share (0..1) is done; one that was reported before tells nothing."""
        if share > self._share:
            self._share, self.expected_s = share, self.spent_s / share

    @property
    def share(self) -> float | None:
        """Share (0..1) that should be done by now, None if unknown."""
        if self.expected_s is None:
            return None
        return max(self._share, min(_NEARLY, self.spent_s / self.expected_s))

    @property
    def left_s(self) -> float | None:
        """Seconds left, None if unknown."""
        return None if self.expected_s is None else max(0.0, self.expected_s - self.spent_s)


class Tasks:
    """The tasks of one bench; they run in threads of their own."""

    def __init__(self) -> None:
        self._tasks: dict[str, Task] = {}
        self._took: dict[str, float] = {}  # seconds that the last of a kind took
        self._lock = threading.Lock()
        self._pool = ThreadPoolExecutor(_WORKERS, thread_name_prefix="task")

    def start(
        self, kind: str, title: str, back: str, folder: Path, work: Callable[[Task], str | Path]
    ) -> Task:
        """Run `work`, which returns the page to open, or a file in `folder` to download.

        The time left is at first estimated from the last work of that `kind`.
        The folder is removed after it, or when newer files are kept.
        """
        task = Task(title, back, folder, expected_s=self._took.get(kind))
        with self._lock:
            over = [other for other in self._tasks.values() if other.over]
            for other in over[: max(0, len(self._tasks) - _MOST_KEPT + 1)]:
                self._forget(other)
            kept = [other for other in self._tasks.values() if other.made is not None]
            for other in kept[: max(0, len(kept) - _MOST_FILES + 1)]:
                self._forget(other)
            self._tasks[task.id] = task
        # Records are made in the name of whoever sent the request.
        self._pool.submit(copy_context().run, self._run, kind, task, work)
        return task

    def get(self, task_id: str) -> Task | None:
        """The task of that id, or None."""
        return self._tasks.get(task_id)

    def _forget(self, task: Task) -> None:
        del self._tasks[task.id]
        shutil.rmtree(task.folder, ignore_errors=True)

    def _run(self, kind: str, task: Task, work: Callable[[Task], str | Path]) -> None:
        task.began = time.monotonic()
        try:
            result = work(task)
            self._took[kind] = task.spent_s
            if isinstance(result, Path):
                task.made = result
            else:
                task.place = result
        except Exception as fault:  # a thread would lose it
            task.error = fault if isinstance(fault, SievewardError) else UnforeseenError.of(fault)
        finally:
            if task.made is None:
                shutil.rmtree(task.folder, ignore_errors=True)

    def close(self) -> None:
        """Wait for the tasks under way; those not begun are left out."""
        self._pool.shutdown(cancel_futures=True)
