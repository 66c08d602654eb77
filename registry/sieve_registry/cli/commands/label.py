"""`sieveward label`: status labels to print, with a code for a hand scanner."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option


class LabelSize(StrEnum):
    """The sizes of labels; see `sieve_registry.report.labels.SIZES`."""

    LARGE = "large"
    SMALL = "small"


def label(
    context: typer.Context,
    sieves: Annotated[list[str], argument("The sieves.", "SIEVE…")],
    *,
    out: Annotated[Path, option(".svg or .png: one label; .html: any number.", "FILE")],
    size: Annotated[LabelSize, option("large: 62 × 29 mm; small: 45 × 15 mm.")] = LabelSize.LARGE,
    json_path: options.Json = None,
) -> None:
    """Write status labels: the sieve, its status, and the due day of its next check."""
    from sieve_registry.report import labels
    from sieve_registry.sieves import queries as sieve_queries

    kind = out.suffix.lower()
    if kind not in (".svg", ".png", ".html"):
        raise UsageError(
            message=f"Name an .svg, .png or .html file for the label, not {out.name!r}."
        )
    if kind != ".html" and len(sieves) > 1:
        raise UsageError(message="For several labels name an .html file.")
    output.check_outputs([("--out", out)], json_path)
    with options.opened(context) as registry:
        made = [labels.label_of(sieve_queries.get_state(registry, sieve)) for sieve in sieves]
    wanted = labels.SIZES[size.value]
    if kind == ".html":
        data = labels.page(made, wanted).encode()
    elif kind == ".png":
        data = labels.png(made[0], wanted)
    else:
        data = labels.svg(made[0], wanted).encode()
    output.write_bytes(out, data)
    payload = {
        "file": str(out),
        "size": size.value,
        "labels": [{"id": m.sieve_id, "lines": m.text(wanted)} for m in made],
    }
    if not output.emit(json_path, payload):
        output.line(f"Wrote {len(made)} label{'s' if len(made) != 1 else ''} to {out}.")
