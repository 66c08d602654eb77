"""Who does a list of tasks: this process, one after the other, or several side by side.

A runner takes `work(task, tell)` and the tasks, and hands out (number, result) as they come. What
comes out does not depend on the runner: which error is raised neither, it is always that of the
first task that fails.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from typing import Protocol, TypeVar

__all__ = ["Progress", "Runner", "Tell", "in_order", "in_turn", "silent"]

T = TypeVar("T")
R = TypeVar("R")

Progress = Callable[[int, float], None]  # number of a task (from 0), share of it that is done
Tell = Callable[[float], None]  # the same of one task


class Runner(Protocol):
    """Has `work(task, tell)` done for all tasks; yields numbers and results as they come."""

    def __call__(
        self, work: Callable[[T, Tell], R], tasks: Iterable[T], progress: Progress
    ) -> Iterator[tuple[int, R]]:
        """`work` has to be a function that another process can import."""


def silent(_number: int, _share: float) -> None:
    """Progress that nobody asked for."""


def in_turn(
    work: Callable[[T, Tell], R], tasks: Iterable[T], progress: Progress = silent
) -> Iterator[tuple[int, R]]:
    """One after the other, in this process."""
    for number, task in enumerate(tasks):
        yield number, work(task, partial(progress, number))


def in_order(results: Iterable[tuple[int, R]]) -> list[R]:
    """Results by the number of their task."""
    return [result for _, result in sorted(results, key=lambda pair: pair[0])]
