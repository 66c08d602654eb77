"""Options and progress that `measure` and `validate` share: workers, resuming, a bar."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Lock, Timer
from typing import TYPE_CHECKING, Annotated, Protocol, TypeVar

from sieve_registry.cli.support.options import option

if TYPE_CHECKING:
    from sieve_inspect.workers.cache import CacheKey
    from sieve_inspect.workers.runner import Progress, Runner

T = TypeVar("T")
R = TypeVar("R")
WorkersOption = Annotated[int, option("Number of processes.", "N", min=1)]
ClusterOption = Annotated[
    str | None, option("Use the workers of this cluster instead.", "tcp://HOST:PORT")
]
ResumeOption = Annotated[
    Path | None, option("Keep finished work here and continue from it.", "DIR")
]

_APPEARS_AFTER_S = 1.0  # shorter work needs no bar
_PACE_OVER_S = 3600.0  # the time left is estimated from the work of this last while


def runner_of(
    workers: int,
    cluster: str | None,
    resume: Path | None,
    key: Callable[[T], CacheKey | None],
    accepted: Callable[[R, T, CacheKey], R | None],
) -> Runner[T, R]:
    """The worker pool of --workers or --cluster; with --resume finished work is kept there.

    `key` and `accepted` are those of `ResultCache`. Raises `UsageError`.
    """
    from sieve_inspect.workers.cache import ResultCache
    from sieve_inspect.workers.cluster import runner

    run: Runner[T, R] = runner(workers, cluster)
    return run if resume is None else ResultCache(resume, key, accepted, print_remark, run)


@contextmanager
def resumable(folder: Path | None) -> Iterator[None]:
    """When the work is interrupted, say how to continue it."""
    try:
        yield
    except KeyboardInterrupt:
        advice = (
            "With --resume DIR the next run could continue from here."
            if folder is None
            else f"The same command continues from the work kept in {folder}."
        )
        raise KeyboardInterrupt(f"Stopped. No incomplete file is left. {advice}") from None


def print_remark(sentence: str) -> None:
    """A remark beside the answer, on the error stream."""
    sys.stderr.write(f"sieveward: {sentence}\n")


class _Mark(Protocol):
    """What is shown on a terminal while work is done."""

    def start(self) -> None: ...

    def stop(self) -> None: ...


@contextmanager
def _appearing(mark: _Mark) -> Iterator[None]:
    """The mark appears after a second and goes when the work is done."""
    lock, over = Lock(), False

    def appear() -> None:
        with lock:
            if not over:
                mark.start()

    timer = Timer(_APPEARS_AFTER_S, appear)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        with lock:
            over = True
            mark.stop()


@contextmanager
def progress(what: str, count: int) -> Iterator[Progress]:
    """A bar with the time left for `count` tasks on a terminal's error stream.

    It appears after a second, goes when the work is done, and is silent in a pipe.
    """
    if not sys.stderr.isatty():
        yield lambda _number, _share: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=Console(stderr=True),
        transient=True,
        speed_estimate_period=_PACE_OVER_S,
    )
    task = bar.add_task(what, total=count)
    shares: dict[int, float] = {}

    def update(number: int, share: float) -> None:
        shares[number] = share
        done = sum(value == 1 for value in shares.values())
        text = what if count == 1 else f"{what}, {done} of {count} done"
        bar.update(task, completed=sum(shares.values()), description=text)

    with _appearing(bar):
        yield update


@contextmanager
def busy(what: str) -> Iterator[None]:
    """A moving mark on a terminal's error stream for work whose share done is not known.

    It appears after a second, goes when the work is done, and is silent in a pipe.
    """
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console

    status = Console(stderr=True).status(f"{what} …")
    with _appearing(status):
        yield
