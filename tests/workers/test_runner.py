"""The first failure ends a run, whatever the executor says of tasks that were called off."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from contextlib import nullcontext
from threading import Thread
from typing import Any

from sieve_inspect.errors import EmptyFileError
from sieve_inspect.workers.runner import ExecutorRunner, TaskProgress


class _FirstOnly(Executor):
    """Runs the first task at once and never says that the others were called off."""

    def __init__(self) -> None:
        self._begun = 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **_: Any) -> Future[Any]:
        self._begun += 1
        future: Future[Any] = Future()
        if self._begun == 1:
            future.set_result(fn(*args))
        return future


def fails(task: str, _progress: TaskProgress) -> None:
    raise EmptyFileError(file=task)


def test_a_run_does_not_wait_for_tasks_after_the_first_that_fails() -> None:
    raised: list[Exception] = []

    def run() -> None:
        try:
            list(ExecutorRunner(lambda _: nullcontext(_FirstOnly()))(fails, ["a.png", "b.png"]))
        except EmptyFileError as error:
            raised.append(error)

    thread = Thread(target=run, daemon=True)
    thread.start()
    thread.join(20)
    assert not thread.is_alive()
    assert [str(error) for error in raised] == [str(EmptyFileError(file="a.png"))]
