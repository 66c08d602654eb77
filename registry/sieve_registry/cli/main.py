"""The `sieveward` program: options before the command, the commands, and the error boundary."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from sieve_inspect.errors import SievewardError
from sieve_registry.cli.common import Context

__all__ = ["app", "main"]

app = typer.Typer(
    name="sieveward",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Measure test sieves from scans, judge them by the published limits, keep their history.",
)


@app.callback()
def root(
    context: typer.Context,
    registry: Annotated[
        str | None,
        typer.Option(
            "--registry",
            metavar="PATH|URL",
            envvar="SIEVEWARD_REGISTRY",
            help="The registry to use; by default one in your data folder.",
        ),
    ] = None,
) -> None:
    """Measure test sieves from scans, judge them, keep their history."""
    context.obj = Context(registry=registry)


def main() -> None:
    """Run the program; a known error becomes one sentence and its own exit code."""
    try:
        app()
    except SievewardError as error:
        sys.stderr.write(f"sieveward: {error}\n")
        sys.exit(error.exit_code)
