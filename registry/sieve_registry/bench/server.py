"""Runs the page: a socket, TLS on a network, a temporary folder for scans."""

from __future__ import annotations

import contextlib
import importlib.util
import signal
import socket
import ssl
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from sieve_inspect.errors import UsageError
from sieve_registry.audit.follow_up import raise_where_demanded
from sieve_registry.bench.address import LOCAL_HOST, Address
from sieve_registry.bench.leftovers import scan_folder, sweep
from sieve_registry.bench.sessions import signed_in_here
from sieve_registry.people.queries import laboratory_rules
from sieve_registry.store.engine import Registry

# All addresses of this computer, where a person asks for them.
_ANY = ("0.0.0.0", "::")  # noqa: S104  # nosec B104
_NEEDED = ("starlette", "uvicorn", "python_multipart")
_NO_BENCH = 'The bench page needs an extra part: pip install "sieveward[bench]".'


_WORTH_TELLING = 100_000  # bytes of left scans


@dataclass(frozen=True)
class Terms:
    """The options of a bench: the port (0: any), the watched folder, the scale files offered.

    `host` is the address of this computer it is served at, `names` those it is opened by;
    `certificate` and `key` are files for TLS.
    """

    port: int
    watch: Path | None = None
    scales: tuple[Path, ...] = ()
    host: str = LOCAL_HOST
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None

    @property
    def network(self) -> bool:
        """Whether other computers are served."""
        return self.host not in (LOCAL_HOST, "localhost")


def serve(
    registry: Registry,
    terms: Terms,
    started: Callable[[str], None],
    remark: Callable[[str], None] = lambda _: None,
) -> int:
    """Serve until interrupted; the number of checks measured but not confirmed.

    `started` is called with the address and its key, `remark` with what else to know. Raises
    `UsageError` for a port in use, if the extra is not installed, or for a network without TLS and
    sign-in; `BadScaleFileError`.
    """
    if any(importlib.util.find_spec(name) is None for name in _NEEDED):
        raise UsageError(message=_NO_BENCH)
    registry = replace(registry, identify=signed_in_here, follow_up=raise_where_demanded)
    _refuse_unsafe(registry, terms)
    import uvicorn

    from sieve_inspect.scale import load_scale
    from sieve_registry.bench.app import make_app
    from sieve_registry.bench.desk import Desk
    from sieve_registry.bench.jobs import Jobs
    from sieve_registry.bench.patience import PatientProtocol

    count, size = sweep()
    if size >= _WORTH_TELLING:
        benches = "a stopped bench" if count == 1 else f"{count} stopped benches"
        remark(f"Removed {size / 1e6:.1f} MB of scans that {benches} had left.")
    _allow_many_connections()
    given = tuple((path.name, load_scale(path)) for path in terms.scales)
    with (
        _listening(terms.host, terms.port) as listener,
        scan_folder() as folder,
    ):
        port = listener.getsockname()[1]
        desk = Desk(registry, Jobs(registry, folder), given, terms.watch)
        named = terms.names or (() if terms.host in _ANY else (terms.host,))
        address = Address(port, named, network=True) if terms.network else Address(port)
        app = make_app(desk, address)
        config = uvicorn.Config(
            app,
            http=PatientProtocol,
            log_level="warning",
            access_log=False,
            ws="none",
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=3,
            ssl_certfile=terms.certificate,
            ssl_keyfile=terms.key,
        )
        started(address.home if terms.network else f"{address.home}?key={desk.key}")
        sys.stdout.flush()
        try:
            with contextlib.suppress(KeyboardInterrupt):
                _end_when_told()
                uvicorn.Server(config).run(sockets=[listener])
        finally:
            desk.printer.close()
            desk.tasks.close()
            unconfirmed = desk.jobs.close()
    return unconfirmed


def _end_when_told() -> None:
    """Told to end by the system (SIGTERM), end as from the keyboard: nothing is left behind."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    with contextlib.suppress(ValueError):  # outside the main thread, where others end the program
        signal.signal(signal.SIGTERM, stop)


def _allow_many_connections() -> None:
    """Let this process have as many files open as the system allows it: each connection is one."""
    try:
        import resource
    except ModuleNotFoundError:  # Windows has no such limit
        return
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


def _refuse_unsafe(registry: Registry, terms: Terms) -> None:
    """Raise `UsageError` for a network without TLS, a name, or sign-in."""
    if not terms.network:
        if terms.certificate or terms.key or terms.names:
            raise UsageError(
                message="--tls-cert, --tls-key and --name are for a network: give --host too."
            )
        return
    if terms.certificate is None or terms.key is None:
        raise UsageError(
            message=f"To serve other computers at {terms.host}, give --tls-cert FILE and "
            "--tls-key FILE: passwords must not cross a network unencrypted."
        )
    if terms.host in _ANY and not terms.names:
        raise UsageError(
            message=f"--host {terms.host} has no name of its own: give --name, as in the "
            "certificate."
        )
    if not laboratory_rules(registry).sign_in:
        raise UsageError(
            message="To serve other computers, the laboratory has to demand sign-in: "
            "`sieveward person rules --sign-in yes`."
        )
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(
            terms.certificate, terms.key
        )
    except (OSError, ssl.SSLError) as error:
        raise UsageError(
            message=f"The certificate {terms.certificate} with the key {terms.key} cannot be used "
            f"({error.strerror or error}): give a PEM certificate and its unencrypted PEM key."
        ) from error


def _listening(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":  # on Windows two programs could then share the port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen()  # the address is printed before the page answers: requests wait
    except OSError as error:
        listener.close()
        reason = (error.strerror or "no access").lower()
        raise UsageError(
            message=f"Port {port} cannot be served at {host} ({reason}): choose another with "
            "--port, or another --host."
        ) from error
    return listener
