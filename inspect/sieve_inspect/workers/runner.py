"""Runners of a list of tasks: one after the other in this process, or on an executor's workers.

A runner takes `work(task, progress)` and the tasks, and yields (number, result) as results come.
Results do not depend on the runner; nor does the error raised, which is always that of the first
task that fails.
"""

from __future__ import annotations

import pickle  # nosec B403
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Executor, as_completed
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol, TypeVar

from sieve_inspect.errors import ClusterError, SievewardError
from sieve_inspect.workers.software import software

T = TypeVar("T")
R = TypeVar("R")

Progress = Callable[[int, float], None]  # number of a task (from 0), share of it that is done
TaskProgress = Callable[[float], None]  # the same of one task


class Runner(Protocol[T, R]):
    """Runs `work(task, progress)` for all tasks; yields numbers and results as they come."""

    def __call__(
        self, work: Callable[[T, TaskProgress], R], tasks: Iterable[T], progress: Progress
    ) -> Iterator[tuple[int, R]]:
        """`work` must be a function that another process can import."""


def no_progress(_number: int, _share: float) -> None:
    """Progress that is not shown."""


def run_serially(
    work: Callable[[T, TaskProgress], R], tasks: Iterable[T], progress: Progress = no_progress
) -> Iterator[tuple[int, R]]:
    """The runner that does one task after the other in this process."""
    for number, task in enumerate(tasks):
        progress(number, 0.0)
        result = work(task, partial(progress, number))
        progress(number, 1.0)
        yield number, result


def in_task_order(results: Iterable[tuple[int, R]]) -> list[R]:
    """Results by the number of their task."""
    return [result for _, result in sorted(results, key=lambda pair: pair[0])]


@dataclass(frozen=True)
class ExecutorRunner:
    """A runner on an executor, which `opened(count)` makes for `count` tasks, at least `worth`.

    Fewer tasks run serially.
    """

    opened: Callable[[int], AbstractContextManager[Executor]]
    worth: int = 1

    def __call__(
        self,
        work: Callable[[T, TaskProgress], R],
        tasks: Iterable[T],
        progress: Progress = no_progress,
    ) -> Iterator[tuple[int, R]]:
        """Raises `ClusterError` for workers that are lost or run another version."""
        waiting = list(tasks)
        if len(waiting) < self.worth:
            yield from run_serially(work, waiting, progress)
        elif waiting:
            with self.opened(len(waiting)) as executor:
                yield from _spread(executor, work, waiting, progress)


def _spread(
    executor: Executor, work: Callable[[T, TaskProgress], R], tasks: list[T], progress: Progress
) -> Iterator[tuple[int, R]]:
    numbers = {
        executor.submit(_attempt, work, task, software()): number
        for number, task in enumerate(tasks)
    }
    waited, failure = set(numbers.values()), None
    for future in as_completed(numbers):
        number = numbers[future]
        if number not in waited:
            continue
        waited.remove(number)
        try:
            result = future.result()
        except Exception as error:  # `_attempt` returns the task's own errors: the executor failed
            reason = f"a worker was lost ({type(error).__name__})"
            result = _Failed(ClusterError(where="the workers", reason=reason))
        if isinstance(result, _Failed):
            failure = result.error
            for other, later in numbers.items():
                if later > number:
                    other.cancel()
            waited = {earlier for earlier in waited if earlier < number}
        else:
            progress(number, 1.0)
            yield number, result
        if not waited:  # a future that is cancelled may never be said to be done
            break
    if failure is not None:
        raise failure


@dataclass(frozen=True)
class _Failed:
    error: Exception


def _attempt(work: Callable[[T, TaskProgress], R], task: T, required: Mapping[str, str]) -> Any:
    """In a worker: the result, or the error the task ended with.

    `required` is the software of the process that shares the work; see `software`.
    """
    own = software()
    other = [name for name in required if own.get(name) != required[name]]
    if other:
        reason = f"a worker has another version of {', '.join(other)}"
        return _Failed(ClusterError(where="the workers", reason=reason))
    try:
        return work(task, lambda _: None)
    except SievewardError as error:
        return _Failed(error)
    except Exception as fault:
        fault.add_note(f"In the worker:\n{traceback.format_exc()}")
        try:
            pickle.loads(pickle.dumps(fault))  # noqa: S301 - made here  # nosec B301
        except Exception:
            fault = RuntimeError(f"{type(fault).__name__}: {fault}")
        return _Failed(fault)
