"""`sieveward bench`: the technician's page, on this computer or on the laboratory's network."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option


def bench(
    context: typer.Context,
    *,
    port: Annotated[int, option("Port; 0: any free port.", "N", min=0, max=65535)] = 8417,
    watch: Annotated[Path | None, option("Offer the scans in this folder.", "DIR")] = None,
    scale: Annotated[
        list[Path] | None, option("Offer this scale file; repeatable.", "FILE")
    ] = None,
    host: Annotated[
        str, option("Serve other computers at this address: TLS and sign-in needed.", "ADDRESS")
    ] = "127.0.0.1",
    name: Annotated[
        list[str] | None, option("A name it is opened by, as in the certificate; repeatable.")
    ] = None,
    tls_cert: Annotated[Path | None, option("Certificate of the server (PEM).", "FILE")] = None,
    tls_key: Annotated[Path | None, option("Its key (PEM, unencrypted).", "FILE")] = None,
    json_path: options.Json = None,
) -> None:
    """Serve the laboratory's day as a page on 127.0.0.1; the first time, it makes the registry."""
    from sieve_registry.bench.server import Terms, serve
    from sieve_registry.cli.support.running import print_remark

    if watch is not None and not watch.is_dir():
        raise UsageError(
            message=f"Folder {str(watch)!r} not found: give --watch the folder of the scans."
        )

    terms = Terms(
        port, watch, tuple(scale or ()), host, tuple(name or ()), certificate=tls_cert, key=tls_key
    )

    def started(url: str) -> None:
        payload = {"url": url, "watch": None if watch is None else str(watch)}
        if not output.emit(json_path, payload):
            where = "in a browser and sign in" if terms.network else "in a browser on this computer"
            output.line(f"The bench page is at {url}: open it {where}.")
            output.line("Stop it with Ctrl+C.")

    # A registry named by its place has to be there: a wrong path must not make an empty one.
    with options.opened(context, create=context.obj is None) as registry:
        left = serve(registry, terms, started, print_remark)
    if left:
        output.line(
            f"Stopped. {left} awaiting confirmation: not recorded; the scans stay where they were."
        )
