"""`sieveward bench`: the technician's page, on this computer only."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sieve_registry.cli.support.options import opened
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line


def bench(
    context: typer.Context,
    *,
    port: Annotated[
        int, typer.Option(metavar="N", min=0, max=65535, help="Port; 0: any free port.")
    ] = 8417,
    watch: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Offer the scans in this folder.")
    ] = None,
    scale: Annotated[
        list[Path] | None, typer.Option(metavar="FILE", help="Offer this scale file; repeatable.")
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Serve a page on 127.0.0.1: scan a label, add scans, see the result, confirm it."""
    from sieve_inspect.errors import UsageError
    from sieve_registry.bench.server import Terms, serve

    if watch is not None and not watch.is_dir():
        raise UsageError(
            message=f"Folder {str(watch)!r} not found: give --watch the folder of the scans."
        )

    def started(url: str) -> None:
        payload = {"url": url, "watch": None if watch is None else str(watch)}
        if not emit_json(json_path, payload):
            print_line(f"The bench page is at {url}: open it in a browser on this computer.")
            print_line("Stop it with Ctrl+C.")

    with opened(context) as registry:
        left = serve(registry, Terms(port, watch, tuple(scale or ())), started)
    if left:
        print_line(
            f"Stopped. {left} awaiting confirmation: not recorded; the scans stay where they were."
        )
