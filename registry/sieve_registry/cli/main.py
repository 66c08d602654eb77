"""The `sieveward` program: options before the command, the commands, and the error boundary."""

from __future__ import annotations

import inspect
import io
import os
import sys
from collections.abc import Callable
from copy import copy
from functools import cache
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperGroup
from typer.models import CommandInfo

from sieve_inspect.errors import SievewardError
from sieve_registry.cli.commands.artefact import artefact_app
from sieve_registry.cli.commands.audit import audit
from sieve_registry.cli.commands.bench import bench
from sieve_registry.cli.commands.certificate import certificate_app
from sieve_registry.cli.commands.check import check
from sieve_registry.cli.commands.compare import compare
from sieve_registry.cli.commands.control import control
from sieve_registry.cli.commands.correct import correct
from sieve_registry.cli.commands.demo import demo
from sieve_registry.cli.commands.device import device_app
from sieve_registry.cli.commands.due import due
from sieve_registry.cli.commands.effect import effect
from sieve_registry.cli.commands.environment import environment
from sieve_registry.cli.commands.equipment import equipment_app
from sieve_registry.cli.commands.finding import finding_app
from sieve_registry.cli.commands.illumination import illumination
from sieve_registry.cli.commands.interval import interval
from sieve_registry.cli.commands.label import label
from sieve_registry.cli.commands.laboratory import laboratory
from sieve_registry.cli.commands.limits import limits
from sieve_registry.cli.commands.lookback import lookback
from sieve_registry.cli.commands.measure import measure
from sieve_registry.cli.commands.person import person_app
from sieve_registry.cli.commands.plan import plan
from sieve_registry.cli.commands.reference import reference_app
from sieve_registry.cli.commands.registry import backup, export, grant, import_, restore, verify
from sieve_registry.cli.commands.repeatability import repeatability
from sieve_registry.cli.commands.report import report
from sieve_registry.cli.commands.rule import decide, rule
from sieve_registry.cli.commands.scale import scale
from sieve_registry.cli.commands.service import clean, quarantine, retire, return_, use
from sieve_registry.cli.commands.settings import settings
from sieve_registry.cli.commands.sieve import sieve_app
from sieve_registry.cli.commands.sign import sign
from sieve_registry.cli.commands.stack import stack_app
from sieve_registry.cli.commands.validate import validate
from sieve_registry.cli.commands.wear import recloth, wear
from sieve_registry.cli.support.option_names import with_options
from sieve_registry.cli.support.options import option


class _Commands(TyperGroup):
    """The commands; one stopped from the keyboard ends with a sentence."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt as stop:
            sentence = stop.args[0] if stop.args else "Stopped. No incomplete file is left."
            line = "\n" if sys.stderr.isatty() else ""  # after the ^C
            sys.stderr.write(f"{line}sieveward: {sentence}\n")
            raise typer.Exit(130) from None


app = typer.Typer(
    name="sieveward",
    cls=_Commands,
    invoke_without_command=True,
    pretty_exceptions_enable=False,
    help="Measure test sieves from scans, judge them by the published limits, keep their history.",
)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        sys.stdout.write(f"sieveward {version('sieveward')}\n")
        raise typer.Exit()


@app.callback()
def root(
    context: typer.Context,
    registry: Annotated[
        str | None,
        option(
            "The registry (default: in your data folder).", "PATH|URL", envvar="SIEVEWARD_REGISTRY"
        ),
    ] = None,
    version: Annotated[  # noqa: ARG001 - its callback prints
        bool, typer.Option("--version", is_eager=True, callback=_version, help="Show version.")
    ] = False,
) -> None:
    """Measure test sieves from scans, judge them, keep their history.

    Without a command: the state of the registry, and the commands to go on with.
    """
    context.obj = registry
    if context.invoked_subcommand is None:
        from sieve_registry.cli.support import start_page

        start_page.show(context)


# Every command, by the panel of the help that shows it.
_COMMANDS: dict[str, tuple[Callable[..., None], ...]] = {
    "Daily": (check, due, use, report, label, bench),
    "Sieves": (clean, quarantine, return_, retire, sign, correct),
    "Measure without recording": (measure, compare, limits, demo, validate),
    "Scales and light": (scale, illumination),
    "Proof and safety": (audit, verify, backup, restore, export, import_, grant),
    "Decide and look ahead": (
        wear, recloth, interval, lookback, plan, rule, decide, effect, repeatability, control,
    ),
    "You and your laboratory": (settings, laboratory, environment),
}  # fmt: skip
_GROUPS = {
    "Sieves": {"sieve": sieve_app, "stack": stack_app, "certificate": certificate_app},
    "Scales and light": {
        "artefact": artefact_app,
        "device": device_app,
        "equipment": equipment_app,
    },
    "Proof and safety": {"finding": finding_app},
    "Decide and look ahead": {"reference": reference_app},
    "You and your laboratory": {"person": person_app},
}
for _panel, _commands in _COMMANDS.items():
    for _command in _commands:
        # Words that Python keeps for itself end with an underscore.
        app.command(_command.__name__.rstrip("_"), rich_help_panel=_panel)(_command)
    for _name, _group in _GROUPS.get(_panel, {}).items():
        app.add_typer(_group, name=_name, rich_help_panel=_panel)


def program_for(typed: list[str]) -> typer.Typer:
    """The program with the command typed alone, if there is one: to make all takes a while.

    The help of all shows none of their options.
    """
    if typed == ["--help"]:
        return _without_options()
    words = iter(typed)
    for word in words:
        if word == "--registry":
            next(words, "")
        elif not word.startswith("-"):
            return _program_with(word)
    return app


@cache
def _program_with(name: str) -> typer.Typer:
    program = copy(app)
    program.registered_commands = [made for made in app.registered_commands if made.name == name]
    program.registered_groups = [made for made in app.registered_groups if made.name == name]
    return program if program.registered_commands or program.registered_groups else app


def _without_options() -> typer.Typer:
    program = copy(app)
    program.registered_commands = [_bare(command) for command in app.registered_commands]
    program.registered_groups = [copy(group) for group in app.registered_groups]
    for group in program.registered_groups:
        group.typer_instance = copy(group.typer_instance or app)
        group.typer_instance.registered_commands = []
    return program


def _bare(command: CommandInfo) -> CommandInfo:
    bare = copy(command)
    bare.help, bare.callback = inspect.getdoc(command.callback), lambda: None
    return bare


def main() -> None:
    """Run the program; a known error becomes one sentence and its own exit code."""
    # NumPy reads this when it is imported. The matrices are small: threads would slow them down.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # for letters the terminal lacks
            stream.reconfigure(errors="backslashreplace")
    try:
        program_for(sys.argv[1:])()
    except SievewardError as error:
        _end(error)
    except Exception as fault:
        if os.environ.get("SIEVEWARD_DEBUG") == "1":
            raise
        from sieve_registry.errors import UnforeseenError

        _end(UnforeseenError.of(fault))


def _end(error: SievewardError) -> NoReturn:
    sys.stderr.write(f"sieveward: {with_options(str(error))}\n")
    sys.exit(error.exit_code)
