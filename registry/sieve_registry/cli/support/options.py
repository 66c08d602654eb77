"""Options several commands share, and how they are read."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError

if TYPE_CHECKING:
    from sieve_inspect.illumination.model import Illumination
    from sieve_inspect.scale import Scale
    from sieve_registry.sieves.recording import RecordTerms
    from sieve_registry.store.engine import Registry


PASSWORD_VARIABLE = "SIEVEWARD_PASSWORD"  # of the person of --by, for programs


class YesNo(StrEnum):
    """Whether a rule of the laboratory holds."""

    YES = "yes"
    NO = "no"


def option(meaning: str, metavar: str | None = None, name: str | None = None, **more: Any) -> Any:
    """An option with its help; without `name` it has the name of its parameter."""
    names = () if name is None else (name,)
    return typer.Option(*names, metavar=metavar, help=meaning, **more)


def flag(name: str, meaning: str) -> Any:
    """An option without a value."""
    return typer.Option(name, help=meaning)


def argument(meaning: str, metavar: str | None = None) -> Any:
    """A parameter typed by its place, with its help."""
    return typer.Argument(metavar=metavar, help=meaning)


def _usual_person(typed: str | None) -> str | None:
    """The person of the settings where none was typed."""
    if typed is not None:
        return typed
    from sieve_registry.settings import load_settings

    return load_settings().person or None


AsOf = Annotated[str | None, option("State at the end of this day (today).", "YYYY-MM-DD")]
By = Annotated[
    str | None, option("Person (settings, else login name).", "NAME", callback=_usual_person)
]
Date = Annotated[str | None, option("Day it happened (today).", "YYYY-MM-DD")]
Documents = Annotated[Path | None, option("Write its documents into this folder.", "DIR")]
Encoding = Annotated[str, option("Encoding of the stored values.", "srgb|linear|auto")]
Json = Annotated[
    str | None, option("Write JSON to a file, or - for standard output.", "PATH|-", "--json")
]
IlluminationFile = Annotated[
    Path | None, option("What lamp and view do to wires: an illumination file.", "FILE")
]
LampAngle = Annotated[
    str | None,
    option("Half-angle of the lamp seen from the cloth: atan(width / 2 / distance).", "DEG[,DEG]"),
]
ViewAngle = Annotated[
    str | None, option("Angle of view off the normal, in x and y (0: contact sensor).", "DEG[,DEG]")
]
Reason = Annotated[str, option("Why.", "T")]
Sieve = Annotated[str, argument("The sieve.", "ID")]
Humidity = Annotated[float | None, option("Relative humidity of the room.", "PERCENT")]
Temperature = Annotated[float | None, option("Room temperature in °C.", "C")]
SensorOption = Annotated[str, option("line camera, contact, telecentric or area camera.", "T")]
UmPerPx = Annotated[str | None, option("Micrometres per pixel, by hand.", "X[,Y]")]
EquipmentUsed = Annotated[
    list[str] | None,
    option("Equipment used, by its record: balance, thermometer.", "ID", name="--equipment"),
]
WhyLate = Annotated[str, option("Reason for late entry.", "T")]


def read_day(text: str | None) -> date | None:
    """The day an option names, or None. Raises `DateRefusedError`."""
    from sieve_registry.values import read_date

    return None if text is None else read_date(text)


def read_length(text: str | None) -> float | None:
    """A length in um, or None. Raises `UsageError`."""
    from sieve_inspect.units import parse_length_um

    return None if text is None else parse_length_um(text)


def read_figure(what: str, text: str | None) -> Decimal | None:
    """A mass or a time as typed, exact, or None. Raises `UsageError`."""
    from sieve_registry import values

    return None if text is None else values.read_figure(what, text)


def read_numbers(text: str | None, option: str, count: int) -> list[float] | None:
    """The `count` numbers of an option, separated by commas. Raises `UsageError`."""
    if text is None:
        return None
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) != count:
        needed = "a number" if count == 1 else f"{count} numbers with commas"
        raise UsageError(message=f"{option} needs {needed}, not '{text}'.")
    return numbers


def read_angles(text: str | None, option: str) -> float | tuple[float, float] | None:
    """An angle in degrees, or two with a comma, in x and y. Raises `UsageError`."""
    if text is None:
        return None
    if "," in text:
        x, y = read_numbers(text, option, 2) or (0.0, 0.0)
        return x, y
    (angle,) = read_numbers(text, option, 1) or [0.0]
    return angle


def seen_by(scale: Scale, sensor: str) -> Scale:
    """The scale of a device with this sensor, "" for the scale's own. Raises `UsageError`."""
    from sieve_inspect.scale.parts import Sensor

    return replace(scale, sensor=Sensor.named(sensor)) if sensor else scale


def stated_light(
    lamp_angle: str | None, view_angle: str | None, file: Path | None = None
) -> Illumination:
    """Lamp and view as typed, or from an illumination file. Raises `UsageError`."""
    from sieve_inspect.illumination.model import Illumination, load_illumination

    lamp = read_angles(lamp_angle, "--lamp-angle")
    view = read_angles(view_angle, "--view-angle")
    if file is None:
        return Illumination.stated(lamp, view)
    if lamp is not None or view is not None:
        raise UsageError(
            message="Give --illumination, or --lamp-angle and --view-angle, not both: the file "
            "holds lamp and view."
        )
    return load_illumination(file)


def read_region(text: str | None, option: str) -> tuple[int, int, int, int] | None:
    """A part of a picture as left, top, right, bottom in whole px. Raises `UsageError`."""
    numbers = read_numbers(text, option, 4)
    if numbers is None:
        return None
    left, top, right, bottom = (int(number) for number in numbers)
    return left, top, right, bottom


def terms(date: str | None, by: str | None, why_late: str = "") -> RecordTerms:
    """The terms of a record from the options --date, --by and --why-late."""
    from sieve_registry.sieves.recording import RecordTerms

    return RecordTerms(read_day(date), by, why_late)


@contextmanager
def opened(context: typer.Context, *, create: bool = False) -> Iterator[Registry]:
    """The registry that `--registry` names (the typer context's object), closed at the end.

    Where the laboratory demands sign-in, the first record asks for the password of `--by`. A
    command that takes `--by` ends with the number of what it recorded.
    """
    from dataclasses import replace

    from sieve_registry.audit.follow_up import raise_where_demanded
    from sieve_registry.cli.support import recorded
    from sieve_registry.store.engine import open_registry

    opened_registry = open_registry(context.obj, create=create)
    _say_unsaid(opened_registry)
    records = "by" in context.params
    signing_in = SigningIn(context.params["by"]) if records else None
    before = recorded.last_event(opened_registry) if records else 0
    try:
        yield replace(opened_registry, identify=signing_in, follow_up=raise_where_demanded)
        if records:
            recorded.say_at_the_end(context, opened_registry, before)
    finally:
        opened_registry.close()


def _say_unsaid(registry: Registry) -> None:
    """Say what a program that was killed had recorded, which it may not have said itself."""
    from sieve_registry.store.unsaid import take_unsaid

    with registry.reading() as connection:
        left = take_unsaid(connection, registry.place)
    for unsaid in left:
        event = unsaid.event
        if event is None:
            said = f"was stopped before it had recorded event {unsaid.count}: record that again"
        else:
            said = (
                f"was stopped after it had recorded event {event.seq} ({event.kind}: "
                f"{event.subject}, by {event.person}): do not record that again"
            )
        sys.stderr.write(f"Note: a program {said}.\n")


@dataclass
class SigningIn:
    """Finds out, once for a command, whether the person named has signed in."""

    by: str | None
    answer: str | None = None

    def __call__(self, registry: Registry) -> str:
        """The id of the person, "" where sign-in is not demanded or no password can be asked for.

        Raises `SignInError` for a wrong password.
        """
        if self.answer is None:
            from sieve_registry.people import queries, recording

            demanded = queries.laboratory_rules(registry).sign_in
            self.answer = ask_sign_in(registry, recording.person(self.by)) if demanded else ""
        return self.answer


def ask_sign_in(registry: Registry, name: str) -> str:
    """The id of a person after their password was given; "" where nobody can be asked.

    Raises `SignInError` for a wrong password.
    """
    from sieve_registry.people.sign_in import sign_in

    password = os.environ.get(PASSWORD_VARIABLE) or ask_password(f"Password of {name}")
    return sign_in(registry, name, password).id if password else ""


def ask_password(what: str, *, twice: bool = False) -> str:
    """A password typed at a terminal, unseen; "" where there is no terminal."""
    if not sys.stdin.isatty():
        return ""
    return str(typer.prompt(what, hide_input=True, confirmation_prompt=twice, err=True))
