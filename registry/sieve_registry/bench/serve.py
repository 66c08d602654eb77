"""Runs the page: a socket on this computer alone, a folder for scans that goes at the end."""

from __future__ import annotations

import contextlib
import importlib.util
import socket
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sieve_inspect.errors import UsageError
from sieve_registry.store.engine import Registry

__all__ = ["Terms", "serve"]

_HOST = "127.0.0.1"
_NEEDED = ("starlette", "uvicorn", "python_multipart")
_NO_BENCH = "The bench page needs an extra part: pip install 'sieveward[bench]'."


@dataclass(frozen=True)
class Terms:
    """What the command line says: the port (0: any), the folder watched, scale files offered."""

    port: int
    watch: Path | None = None
    scales: tuple[Path, ...] = ()


def serve(registry: Registry, terms: Terms, started: Callable[[str], None]) -> int:
    """Serve until interrupted; how many checks were measured and never confirmed.

    `started` is told the address. Raises `UsageError` for a port in use or without the extra,
    `BadScaleFileError`.
    """
    if any(importlib.util.find_spec(one) is None for one in _NEEDED):
        raise UsageError(message=_NO_BENCH)
    import uvicorn

    from sieve_registry.bench.app import Desk, make_app
    from sieve_registry.bench.jobs import Jobs
    from sieve_registry.bench.scale_choice import given_scale

    given = tuple((path.name, given_scale(path)) for path in terms.scales)
    with (
        _listening(terms.port) as listener,
        tempfile.TemporaryDirectory(prefix="sieveward-bench-") as folder,
    ):
        port = listener.getsockname()[1]
        jobs = Jobs(registry, Path(folder))
        app = make_app(Desk(registry, jobs, given, terms.watch), port)
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            ws="none",
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=3,
        )
        started(f"http://{_HOST}:{port}/")
        sys.stdout.flush()
        try:
            with contextlib.suppress(KeyboardInterrupt):
                uvicorn.Server(config).run(sockets=[listener])
        finally:
            left = jobs.close()
    return left


def _listening(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":  # there it would let two programs share the port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((_HOST, port))
    except OSError as error:
        listener.close()
        reason = (error.strerror or "no access").lower()
        raise UsageError(
            message=f"Port {port} cannot be served ({reason}): choose another with --port, or 0."
        ) from error
    return listener
