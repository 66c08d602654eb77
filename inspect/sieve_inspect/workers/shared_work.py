"""Tasks of one large scan shared between this thread and a helper: a process or a thread.

A helper thread gains a little, for between short array operations both threads wait for the
interpreter's lock. A helper process gains more where it pays for its start; it opens the scan for
itself, so it is used for files whose pixels are read in place. Results do not depend on who did a
task.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from sieve_inspect.image import ScanSource, open_source

T = TypeVar("T")
Progress = Callable[[float], None]  # receives the share done, 0 to 1

_WORTH = 40_000_000  # pixels from which a helper process pays for its start
_AHEAD = 2  # tasks waiting at the helper
_TASKS = "sieve_inspect.apertures.measuring"  # imported by the helper process as it starts
_OPEN: dict[Path, ScanSource] = {}  # scans the helper process has open


@dataclass(eq=False)
class SharedWork:
    """Runs tasks of a scan in this thread and, where a second processor is there, in a helper."""

    source: ScanSource
    _helper: Executor | None = None
    _is_process: bool = False

    @classmethod
    def of(cls, source: ScanSource, process: bool | None = None) -> SharedWork:
        """Shared work on a scan; `process` forces or forbids a helper process, None decides."""
        if process is None:
            large = source.shape[0] * source.shape[1] >= _WORTH
            process = large and source.in_place and processors() > 1
        if not process:
            return cls(source, ThreadPoolExecutor(1) if processors() > 1 else None)
        from loky import ProcessPoolExecutor

        begin = {"initializer": _prepare, "initargs": (_TASKS,)}
        pool = ProcessPoolExecutor(1, env={"OPENBLAS_NUM_THREADS": "1"}, **begin)
        pool.submit(processors)  # the process starts with its first task
        return cls(source, pool, True)

    def __enter__(self) -> SharedWork:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the helper and free its memory; later tasks run in this thread."""
        if self._helper is not None:
            how = {"kill_workers": True} if self._is_process else {}
            self._helper.shutdown(wait=False, **how)
            self._helper = None

    def _submit(self, helper: Executor, function: Callable[..., T], given: tuple[Any, ...]) -> Any:
        if self._is_process:
            return helper.submit(_run, function, self.source.path, given)
        return helper.submit(function, self.source, *given)

    def begin(self, function: Callable[..., T], *arguments: Any) -> Callable[[], T]:
        """Begin `function(source, *arguments)` in the helper; the value returned waits for it."""
        if self._helper is None:
            return lambda: function(self.source, *arguments)
        future: Future[T] = self._submit(self._helper, function, arguments)
        return future.result

    def map(
        self,
        function: Callable[..., T],
        tasks: Sequence[tuple[Any, ...]],
        progress: Progress = lambda _: None,
    ) -> list[T]:
        """`function(source, *task)` for all tasks, in their order."""
        results: list[Any] = [None] * len(tasks)
        waiting = deque(range(len(tasks)))
        begun: deque[tuple[int, Future[T]]] = deque()
        while waiting or begun:
            while self._helper is not None and len(waiting) > 1 and len(begun) < _AHEAD:
                number = waiting.pop()
                begun.append((number, self._submit(self._helper, function, tasks[number])))
            if waiting:
                number = waiting.popleft()
                results[number] = function(self.source, *tasks[number])
            while begun and (not waiting or begun[0][1].done()):
                number, future = begun.popleft()
                results[number] = future.result()
            progress(1 - (len(waiting) + len(begun)) / len(tasks))
        return results


def progress_part(progress: Progress, begin: float, end: float) -> Progress:
    """Progress of a part of the work that lasts from one share of it to another."""
    return lambda share: progress(begin + (end - begin) * share)


def processors() -> int:
    """Number of processors this process may use."""
    known = getattr(os, "sched_getaffinity", None)
    return len(known(0)) if known else os.cpu_count() or 1


def _prepare(module: str) -> None:
    """In the helper process: import what every task needs, and leave interrupts to the parent."""
    import importlib
    import signal

    importlib.import_module(module)
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _run(function: Callable[..., T], path: Path, arguments: tuple[Any, ...]) -> T:
    if path not in _OPEN:
        _OPEN[path] = open_source(path, float("inf"), hashed=False)
    return function(_OPEN[path], *arguments)
