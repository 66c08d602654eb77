"""Runners on `distributed`: processes of this computer, or a cluster that is running already."""

from __future__ import annotations

import importlib
import importlib.util
import logging
import re
import signal
import tempfile
import threading
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager
from functools import partial
from multiprocessing import resource_tracker
from typing import Any, TypeVar

from sieve_inspect.errors import ClusterError, UsageError
from sieve_inspect.workers.runner import ExecutorRunner, Runner, run_serially

T = TypeVar("T")
R = TypeVar("R")

_NO_CLUSTER = 'Worker pools need an extra part: pip install "sieveward[cluster]".'
_WAIT = 20.0  # s until a cluster must have answered, and have a worker


def runner(workers: int = 1, cluster: str | None = None) -> Runner[T, R]:
    """A runner on `workers` processes of this computer, or on the cluster at an address.

    Raises `UsageError` for both at once, a bad address, and where the extra is missing.
    """
    if cluster is None and workers == 1:
        return run_serially
    if cluster is not None and workers != 1:
        raise UsageError(message="Give `workers` or `cluster`, not both.")
    if cluster is not None and not re.fullmatch(r"tcp://[^/\s]+:\d{1,5}", cluster):
        raise UsageError(
            message=f"Cluster address '{cluster}' not understood: write tcp://HOST:PORT."
        )
    if importlib.util.find_spec("distributed") is None:
        raise UsageError(message=_NO_CLUSTER)
    if cluster is not None:
        return ExecutorRunner(partial(_joined, cluster))
    return ExecutorRunner(partial(_started, workers), worth=2)


@contextmanager
def _quiet() -> Iterator[None]:
    """Silences the library's own log: what matters is raised."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)


@contextmanager
def _started(workers: int, tasks: int) -> Iterator[Executor]:
    """Processes of this computer, with TLS keys made for this run and without status pages.

    Workers run whatever a connected client sends them, so only this process may connect.
    """
    with _quiet(), tempfile.TemporaryDirectory(prefix="sieveward-") as folder:
        import dask

        distributed: Any = importlib.import_module("distributed")
        no_pages: dict[str, object] = {
            "distributed.scheduler.http.routes": [],
            "distributed.worker.http.routes": [],
        }
        with ExitStack() as stack:
            stack.enter_context(
                dask.config.set({**no_pages, "logging": {"distributed": "critical"}})
            )
            with _uninterrupted():
                cluster = stack.enter_context(
                    distributed.LocalCluster(
                        n_workers=min(workers, tasks),
                        threads_per_worker=1,
                        host="tls://127.0.0.1",
                        security=True,
                        dashboard_address=None,
                        scheduler_kwargs={"dashboard": False, "dashboard_address": "127.0.0.1:0"},
                        memory_limit=None,
                        local_directory=folder,
                        silence_logs=logging.CRITICAL,
                    )
                )
            client = stack.enter_context(distributed.Client(cluster))
            yield stack.enter_context(_executor(client))


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Keyboard interrupts are ignored by processes started within, and delayed in this process.

    This process must survive an interrupt in order to end the others.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    masked = hasattr(signal, "pthread_sigmask")  # not on Windows
    if masked:  # started later, it would undo the block
        resource_tracker.ensure_running()
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if masked else set()
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if masked:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)


@contextmanager
def _joined(address: str, _tasks: int) -> Iterator[Executor]:
    with _quiet():
        distributed: Any = importlib.import_module("distributed")
        try:
            client = distributed.Client(address, timeout=_WAIT, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise ClusterError(where=address, reason="no scheduler answers") from error
        with client:
            try:
                client.wait_for_workers(1, timeout=_WAIT)
            except TimeoutError as error:
                raise ClusterError(where=address, reason="it has no workers") from error
            with _executor(client) as executor:
                yield executor


@contextmanager
def _executor(client: Any) -> Iterator[Executor]:
    executor = client.get_executor(pure=False)
    try:
        yield executor
    finally:
        executor.shutdown(wait=False)  # tasks that have not begun are dropped
