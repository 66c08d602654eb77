"""Runs the page: a socket on this computer only, a temporary folder for scans."""

from __future__ import annotations

import contextlib
import importlib.util
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sieve_inspect.errors import UsageError
from sieve_registry.bench.leftovers import scan_folder, sweep
from sieve_registry.store.engine import Registry

_HOST = "127.0.0.1"
_NEEDED = ("starlette", "uvicorn", "python_multipart")
_NO_BENCH = "The bench page needs an extra part: pip install 'sieveward[bench]'."


_WORTH_TELLING = 100_000  # bytes of left scans


@dataclass(frozen=True)
class Terms:
    """The options of a bench: the port (0: any), the watched folder, the scale files offered."""

    port: int
    watch: Path | None = None
    scales: tuple[Path, ...] = ()


def serve(
    registry: Registry,
    terms: Terms,
    started: Callable[[str], None],
    remark: Callable[[str], None] = lambda _: None,
) -> int:
    """Serve until interrupted; the number of checks measured but not confirmed.

    `started` is called with the address and its key, `remark` with what else to know. Raises
    `UsageError` for a port in use or if the extra is not installed, `BadScaleFileError`.
    """
    if any(importlib.util.find_spec(name) is None for name in _NEEDED):
        raise UsageError(message=_NO_BENCH)
    import uvicorn

    from sieve_inspect.scale import load_scale
    from sieve_registry.bench.app import make_app
    from sieve_registry.bench.desk import Desk
    from sieve_registry.bench.jobs import Jobs
    from sieve_registry.bench.patience import PatientProtocol

    count, size = sweep()
    if size >= _WORTH_TELLING:
        remark(f"Removed {size / 1e6:.1f} MB of scans that {count} stopped benches had left.")
    _allow_many_connections()
    given = tuple((path.name, load_scale(path)) for path in terms.scales)
    with (
        _listening(terms.port) as listener,
        scan_folder() as folder,
    ):
        port = listener.getsockname()[1]
        desk = Desk(registry, Jobs(registry, folder), given, terms.watch)
        app = make_app(desk, port)
        config = uvicorn.Config(
            app,
            http=PatientProtocol,
            log_level="warning",
            access_log=False,
            ws="none",
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=3,
        )
        started(f"http://{_HOST}:{port}/?key={desk.key}")
        sys.stdout.flush()
        try:
            with contextlib.suppress(KeyboardInterrupt):
                uvicorn.Server(config).run(sockets=[listener])
        finally:
            desk.tasks.close()
            desk.printer.close()
            unconfirmed = desk.jobs.close()
    return unconfirmed


def _allow_many_connections() -> None:
    """Let this process have as many files open as the system allows it: each connection is one."""
    try:
        import resource
    except ModuleNotFoundError:  # Windows has no such limit
        return
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


def _listening(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":  # on Windows two programs could then share the port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((_HOST, port))
    except OSError as error:
        listener.close()
        reason = (error.strerror or "no access").lower()
        raise UsageError(
            message=f"Port {port} cannot be served ({reason}): choose another with --port."
        ) from error
    return listener
