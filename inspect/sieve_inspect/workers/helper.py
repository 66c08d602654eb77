"""Work on a large scan shared between two: this thread, and a second process or thread.

A second thread helps a little, for between short array operations both wait for the interpreter's
lock; a second process helps more where it pays for its start. It opens the scan for itself, so it
takes files that are read where they lie. What a task returns does not depend on who did it.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Any, TypeVar

from sieve_inspect.image import ScanSource, open_source

__all__ = ["Progress", "SharedWork", "piece", "preload"]

T = TypeVar("T")
Progress = Callable[[float], None]

_WORTH = 40_000_000  # pixels from which a second process pays for its start
_AHEAD = 2  # tasks that wait for the second process
_TASKS = "sieve_inspect.apertures.banded"  # loaded there while the file is being looked at
_OPEN: dict[Path, ScanSource] = {}  # of the second process


@dataclass(eq=False)
class SharedWork:
    """Who works on a scan: this thread and, where there is a processor for it, a second hand."""

    source: ScanSource
    _second: Executor | None = None
    _apart: bool = False  # the second hand is a process

    @classmethod
    def of(cls, source: ScanSource, apart: bool | None = None) -> SharedWork:
        """The crew for a scan; `apart` says whether the second hand is to be a process."""
        Thread(target=preload, daemon=True).start()  # while the file is being looked at
        if apart is None:
            large = source.shape[0] * source.shape[1] >= _WORTH
            apart = large and source.in_place and available() > 1
        if not apart:
            return cls(source, ThreadPoolExecutor(1) if available() > 1 else None)
        from loky import ProcessPoolExecutor

        begin = {"initializer": _prepare, "initargs": (_TASKS,)}
        pool = ProcessPoolExecutor(1, env={"OPENBLAS_NUM_THREADS": "1"}, **begin)
        pool.submit(available)  # the process starts with the first task
        return cls(source, pool, True)

    def __enter__(self) -> SharedWork:
        return self

    def __exit__(self, *_: object) -> None:
        self.dismiss()

    def dismiss(self) -> None:
        """End the second hand; nothing more will be asked of it."""
        if self._second is not None:
            how = {"kill_workers": True} if self._apart else {}
            self._second.shutdown(wait=False, **how)
            self._second = None

    def _begin(self, second: Executor, function: Callable[..., T], given: tuple[Any, ...]) -> Any:
        if self._apart:
            return second.submit(_run, function, self.source.path, given)
        return second.submit(function, self.source, *given)

    def later(self, function: Callable[..., T], *arguments: Any) -> Callable[[], T]:
        """Let the second hand begin `function(source, *arguments)`; call for its result."""
        if self._second is None:
            return lambda: function(self.source, *arguments)
        future: Future[T] = self._begin(self._second, function, arguments)
        return future.result

    def each(
        self,
        function: Callable[..., T],
        tasks: Sequence[tuple[Any, ...]],
        progress: Progress = lambda _: None,
    ) -> list[T]:
        """`function(source, *task)` for all tasks, in their order; `progress` is told the share."""
        results: list[Any] = [None] * len(tasks)
        waiting = deque(range(len(tasks)))
        begun: deque[tuple[int, Future[T]]] = deque()
        while waiting or begun:
            while self._second is not None and len(waiting) > 1 and len(begun) < _AHEAD:
                number = waiting.pop()
                begun.append((number, self._begin(self._second, function, tasks[number])))
            if waiting:
                number = waiting.popleft()
                results[number] = function(self.source, *tasks[number])
            while begun and (not waiting or begun[0][1].done()):
                number, future = begun.popleft()
                results[number] = future.result()
            progress(1 - (len(waiting) + len(begun)) / len(tasks))
        return results


def piece(progress: Progress, begin: float, end: float) -> Progress:
    """Progress of a piece of the work that lasts from one share of it to another."""
    return lambda share: progress(begin + (end - begin) * share)


def available() -> int:
    """Processors this process may use."""
    known = getattr(os, "sched_getaffinity", None)
    return len(known(0)) if known else os.cpu_count() or 1


def _prepare(module: str) -> None:
    """Load what every task needs while the first process is still looking."""
    import importlib
    import signal

    importlib.import_module(module)
    preload()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process ends the second


def preload() -> None:
    """What is needed soon and takes its time to import."""
    import scipy.sparse.csgraph
    import scipy.spatial
    import scipy.special  # noqa: F401


def _run(function: Callable[..., T], path: Path, arguments: tuple[Any, ...]) -> T:
    if path not in _OPEN:
        _OPEN[path] = open_source(path, float("inf"), hashed=False)
    return function(_OPEN[path], *arguments)
