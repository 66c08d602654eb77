"""`sieveward report`: one check as a page to print and file away."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sieve_registry.cli.common import JsonOption, emit_json, print_line, write_bytes
from sieve_registry.cli.options import opened

__all__ = ["report"]


def report(
    context: typer.Context,
    check_id: Annotated[
        str, typer.Argument(metavar="CHECK", help="The check's number: C-0012, or 12.")
    ],
    *,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE.html", help="Where to write it (./CHECK.html)."),
    ] = None,
    json_path: JsonOption = None,
) -> None:
    """Write one check as an HTML page that stands alone and prints on A4."""
    from sieve_inspect.errors import UsageError
    from sieve_registry.report import check_view, render_check_report

    if out is not None and out.suffix.lower() not in (".html", ".htm"):
        raise UsageError(message=f"The report is an HTML page: end '{out.name}' with .html.")
    with opened(context) as registry:
        view = check_view(registry, check_id)
    # The name comes from the registry's own number, never from what was typed.
    target = out or Path(f"{view.check_id}.html")
    page = render_check_report(view).encode()
    write_bytes(target, page)
    payload = {
        "check": view.check_id,
        "sieve": view.sieve.id,
        "date": view.on_date,
        "outcome": (view.verdict or {}).get("outcome"),
        "file": str(target),
        "bytes": len(page),
        "ledger": {"events": view.ledger_events, "head": view.ledger_head},
    }
    if not emit_json(json_path, payload):
        print_line(
            f"Check {view.check_id} of sieve {view.sieve.id} is written to {target}: "
            "open it in a browser, or print it."
        )
