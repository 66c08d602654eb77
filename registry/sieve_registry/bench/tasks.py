"""Work that takes seconds and is no check: calibrations and lamp tests, one after the other."""

from __future__ import annotations

import secrets
import shutil
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import dataclass, field
from pathlib import Path

from sieve_inspect.errors import SievewardError
from sieve_registry.errors import UnforeseenError

_MOST_KEPT = 30


@dataclass(eq=False)
class Task:
    """A task under way or over: `place` is the page to open, `error` the reason it failed."""

    title: str
    back: str
    id: str = field(default_factory=lambda: secrets.token_urlsafe(9))
    began: float = field(default_factory=time.monotonic)
    place: str = ""
    error: SievewardError | None = None

    @property
    def over(self) -> bool:
        """Whether it is done or failed."""
        return bool(self.place) or self.error is not None


class Tasks:
    """The tasks of one bench; they run in a thread of their own."""

    def __init__(self) -> None:
        self._tasks: dict[str, Task] = {}
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="task")

    def start(self, title: str, back: str, folder: Path, work: Callable[[], str]) -> Task:
        """Run `work`, which returns the page to open; `folder` is removed after it."""
        task = Task(title, back)
        while len(self._tasks) >= _MOST_KEPT:
            self._tasks.pop(next(iter(self._tasks)))
        self._tasks[task.id] = task
        # Records are made in the name of whoever sent the request.
        self._pool.submit(copy_context().run, self._run, task, folder, work)
        return task

    def get(self, task_id: str) -> Task | None:
        """The task of that id, or None."""
        return self._tasks.get(task_id)

    def _run(self, task: Task, folder: Path, work: Callable[[], str]) -> None:
        try:
            task.place = work()
        except Exception as fault:  # a thread would lose it
            task.error = fault if isinstance(fault, SievewardError) else UnforeseenError.of(fault)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def close(self) -> None:
        """Wait for the task under way; those not begun are left out."""
        self._pool.shutdown(cancel_futures=True)
