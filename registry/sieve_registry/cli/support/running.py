"""What `measure` and `validate` share: who does the work, what is kept of it, how far it is."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Lock, Timer
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sieve_inspect.workers.runner import Progress

__all__ = [
    "ClusterOption",
    "ResumeOption",
    "WorkersOption",
    "print_remark",
    "progress",
    "resumable",
]

WorkersOption = Annotated[
    int, typer.Option(metavar="N", min=1, help="Share the work between so many processes.")
]
ClusterOption = Annotated[
    str | None,
    typer.Option(metavar="tcp://HOST:PORT", help="Or with the workers of this cluster."),
]
ResumeOption = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Keep what is done here; go on from what is there."),
]

_AFTER = 1.0  # s, before that nobody wonders
_PACE_OVER = 3600.0  # s of work by which the time left is told


@contextmanager
def resumable(folder: Path | None) -> Iterator[None]:
    """Tell whoever interrupts the work how it goes on."""
    try:
        yield
    except KeyboardInterrupt:
        on = (
            "with --resume DIR the next run could go on from here"
            if folder is None
            else f"the same command goes on from what is kept in {folder}"
        )
        raise KeyboardInterrupt(f"Stopped; nothing half-written is left, and {on}.") from None


def print_remark(sentence: str) -> None:
    """A remark beside the answer, on the error stream."""
    sys.stderr.write(f"sieveward: {sentence}\n")


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

    shown = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=Console(stderr=True),
        transient=True,
        speed_estimate_period=_PACE_OVER,
    )
    task = shown.add_task(what, total=count)
    shares: dict[int, float] = {}
    lock, over = Lock(), False

    def tell(number: int, share: float) -> None:
        shares[number] = share
        done = sum(one == 1 for one in shares.values())
        text = what if count == 1 else f"{what}, {done} of {count} done"
        shown.update(task, completed=sum(shares.values()), description=text)

    def appear() -> None:
        with lock:
            if not over:
                shown.start()

    timer = Timer(_AFTER, appear)
    timer.daemon = True
    timer.start()
    try:
        yield tell
    finally:
        timer.cancel()
        with lock:
            over = True
        shown.stop()
