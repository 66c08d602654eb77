"""The `sieveward` program: options before the command, the commands, and the error boundary."""

from __future__ import annotations

import gc
import io
import os
import sys
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperGroup

from sieve_inspect.errors import SievewardError
from sieve_registry.cli.commands.ahead import register
from sieve_registry.cli.commands.artefact import artefact_app
from sieve_registry.cli.commands.audit import audit
from sieve_registry.cli.commands.backup import backup
from sieve_registry.cli.commands.bench import bench
from sieve_registry.cli.commands.check import check
from sieve_registry.cli.commands.clean import clean
from sieve_registry.cli.commands.correct import correct
from sieve_registry.cli.commands.demo import demo
from sieve_registry.cli.commands.device import device_app
from sieve_registry.cli.commands.due import due
from sieve_registry.cli.commands.export import export
from sieve_registry.cli.commands.grant import grant
from sieve_registry.cli.commands.import_ import import_
from sieve_registry.cli.commands.label import label
from sieve_registry.cli.commands.limits import limits
from sieve_registry.cli.commands.measure import measure
from sieve_registry.cli.commands.quarantine import quarantine
from sieve_registry.cli.commands.report import report
from sieve_registry.cli.commands.restore import restore
from sieve_registry.cli.commands.retire import retire
from sieve_registry.cli.commands.return_ import return_
from sieve_registry.cli.commands.scale import scale
from sieve_registry.cli.commands.sieve import sieve_app
from sieve_registry.cli.commands.sign import sign
from sieve_registry.cli.commands.stack import stack_app
from sieve_registry.cli.commands.use import use
from sieve_registry.cli.commands.validate import validate
from sieve_registry.cli.commands.verify import verify
from sieve_registry.cli.support.option_names import with_options
from sieve_registry.cli.support.output import Context

__all__ = ["app", "main"]


class _Commands(TyperGroup):
    """The commands; whoever stops one is told in a sentence, too."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt as stop:
            sentence = stop.args[0] if stop.args else "Stopped; nothing half-written is left."
            line = "\n" if sys.stderr.isatty() else ""  # after the ^C
            sys.stderr.write(f"{line}sieveward: {sentence}\n")
            raise typer.Exit(130) from None


app = typer.Typer(
    name="sieveward",
    cls=_Commands,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Measure test sieves from scans, judge them by the published limits, keep their history.",
)


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        sys.stdout.write(f"sieveward {version('sieveward')}\n")
        raise typer.Exit()


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
    version: Annotated[  # noqa: ARG001 — its callback answers
        bool, typer.Option("--version", is_eager=True, callback=_version, help="Tell the version.")
    ] = False,
) -> None:
    """Measure test sieves from scans, judge them, keep their history."""
    context.obj = Context(registry=registry)


SCAN, SIEVES, RECORD, ROOM, KEEP = (
    "Measure",
    "Sieves and their checks",
    "Answers and pages",
    "Scales and limits",
    "Keep the registry safe",
)
for _panel, _commands in (
    (SCAN, (measure, check, bench, demo, validate)),
    (SIEVES, (use, clean, quarantine, retire, sign, correct)),
    (RECORD, (due, audit, report, label)),
    (ROOM, (scale, limits)),
    (KEEP, (verify, backup, restore, export, grant)),
):
    for _command in _commands:
        app.command(rich_help_panel=_panel)(_command)
app.command("return", rich_help_panel=SIEVES)(return_)
app.command("import", rich_help_panel=KEEP)(import_)
app.add_typer(sieve_app, name="sieve", rich_help_panel=SIEVES)
app.add_typer(stack_app, name="stack", rich_help_panel=SIEVES)
app.add_typer(artefact_app, name="artefact", rich_help_panel=ROOM)
app.add_typer(device_app, name="device", rich_help_panel=ROOM)
register(app)


def main() -> None:
    """Run the program; a known error becomes one sentence and its own exit code."""
    # NumPy reads it when it is imported. Matrices here are small: its threads get in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.set_threshold(100_000, 50, 50)  # long lists of records are no garbage to be looked for
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a letter the terminal lacks is no fault
            stream.reconfigure(errors="backslashreplace")
    try:
        app()
    except SievewardError as error:
        _end(error)
    except Exception as fault:
        if os.environ.get("SIEVEWARD_DEBUG") == "1":
            raise
        from sieve_registry.errors import UnforeseenError

        reason = " ".join(str(fault).split())[:200].rstrip(".") or "no more is known"
        _end(UnforeseenError(kind=type(fault).__name__, reason=reason))


def _end(error: SievewardError) -> NoReturn:
    sys.stderr.write(f"sieveward: {with_options(str(error))}\n")
    sys.exit(error.exit_code)
