"""Temperature and humidity of the place where sieves are checked (ISO/IEC 17025:2017, 6.3).

A laboratory may set limits, for all methods or for a single method; without limits nothing is asked
for. A check outside them, or without the values they are for, is at best a conditional pass.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from sieve_inspect.errors import UsageError
from sieve_registry.ledger.choices import CheckMethod
from sieve_registry.ledger.codec import plain_object
from sieve_registry.ledger.events import EnvironmentLimitsSet
from sieve_registry.ledger.records import Event
from sieve_registry.sieves.facts import facts_of, record_general_fact
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

Range = tuple[float, float]
_TEMPERATURE_C = (-50.0, 100.0)  # what a room may have at all
_HUMIDITY_PERCENT = (0.0, 100.0)


@dataclass(frozen=True)
class Environment:
    """Air around a check: degrees Celsius and percent relative humidity; None is not recorded."""

    temperature_c: float | None = None
    humidity_percent: float | None = None

    def __post_init__(self) -> None:
        """Raises `UsageError` for values no room has."""
        for what, value, (low, high), unit in (
            ("temperature", self.temperature_c, _TEMPERATURE_C, "°C"),
            ("humidity", self.humidity_percent, _HUMIDITY_PERCENT, "%"),
        ):
            if value is not None and not low <= value <= high:
                raise UsageError(message=f"A {what} of {value:g} {unit} is not plausible.")

    @property
    def known(self) -> bool:
        """Whether anything of it is recorded."""
        return self.temperature_c is not None or self.humidity_percent is not None


NOT_RECORDED = Environment()


@dataclass(frozen=True)
class EnvironmentLimits:
    """The limits of a method on a day; None: no limit. `method` "" stands for all methods."""

    method: str
    temperature_c: Range | None
    humidity_percent: Range | None
    since: date


@dataclass(frozen=True)
class Fault:
    """Why an environment does not meet its limits, and what to do."""

    reason: str
    remedy: str


def set_limits(
    registry: Registry,
    temperature_c: Range | None,
    humidity_percent: Range | None,
    terms: RecordTerms,
    method: str = "",
) -> Event:
    """Set the limits of a method ("": of all without their own) from a day on; None ends a limit.

    Raises `UsageError`, `DateRefusedError`.
    """
    if method and method not in set(CheckMethod):
        raise UsageError(message=f"--method is one of {', '.join(CheckMethod)}, not {method!r}.")
    for what, span, (low, high) in (
        ("temperature", temperature_c, _TEMPERATURE_C),
        ("humidity", humidity_percent, _HUMIDITY_PERCENT),
    ):
        if span is not None and not low <= span[0] < span[1] <= high:
            raise UsageError(message=f"Limits of {what} {span[0]:g},{span[1]:g} are not plausible.")
    payload = EnvironmentLimitsSet(
        method=method, temperature_c=temperature_c, humidity_percent=humidity_percent
    )
    return record_general_fact(registry, "laboratory", payload, terms)


def all_limits(registry: Registry, day: date) -> list[EnvironmentLimits]:
    """The limits in force on a day, those for all methods first; empty where none were set."""
    facts = facts_of(registry, None, [EnvironmentLimitsSet])
    last: dict[str, EnvironmentLimits] = {}
    for fact in sorted(facts, key=lambda fact: (fact.on_date, fact.seq)):
        if fact.on_date <= day:
            stated = fact.payload
            spans = (stated.temperature_c, stated.humidity_percent)
            last[stated.method] = EnvironmentLimits(stated.method, *spans, fact.on_date)
    return [last[method] for method in sorted(last)]


def limits_of(registry: Registry, method: CheckMethod, day: date) -> EnvironmentLimits | None:
    """The limits of a method on a day: its own, else those of all methods; None without limits."""
    known = {limits.method: limits for limits in all_limits(registry, day)}
    return known.get(method) or known.get("")


def faults(environment: Environment, limits: EnvironmentLimits | None) -> list[Fault]:
    """Why an environment does not meet the limits; empty where it does, or where there are none."""
    return [] if limits is None else list(_faults(environment, limits))


def _faults(environment: Environment, limits: EnvironmentLimits) -> Iterator[Fault]:
    for what, unit, value, span in (
        ("temperature", "°C", environment.temperature_c, limits.temperature_c),
        ("humidity", "%", environment.humidity_percent, limits.humidity_percent),
    ):
        if span is None:
            continue
        low, high = span
        if value is None:
            yield Fault(
                f"the {what} of the laboratory is not recorded",
                f"read it and check again with --{what} (limits: {low:g} to {high:g} {unit})",
            )
        elif not low <= value <= high:
            yield Fault(
                f"the {what} was {value:g} {unit}, the laboratory's limits are {low:g} to "
                f"{high:g} {unit}",
                f"check again within {low:g} to {high:g} {unit}",
            )


def to_record(environment: Environment, limits: EnvironmentLimits | None) -> dict[str, Any] | None:
    """What a check keeps of its environment: values, limits and faults; None for nothing at all."""
    if not environment.known and limits is None:
        return None
    kept: dict[str, Any] = {
        "temperature_c": environment.temperature_c,
        "humidity_percent": environment.humidity_percent,
    }
    if limits is not None:
        kept |= {
            "temperature_limits_c": limits.temperature_c,
            "humidity_limits_percent": limits.humidity_percent,
            "faults": [fault.reason for fault in faults(environment, limits)],
        }
    return plain_object({name: value for name, value in kept.items() if value not in (None, [])})


def words(kept: Mapping[str, Any] | None) -> str:
    """A recorded environment in words, "" for none: "21.5 °C (18 to 25), 45 % RH (30 to 60)"."""
    parts = []
    for name, unit, limits in (
        ("temperature_c", "°C", "temperature_limits_c"),
        ("humidity_percent", "% RH", "humidity_limits_percent"),
    ):
        value, span = (kept or {}).get(name), (kept or {}).get(limits)
        if value is None and span is None:
            continue
        text = "not recorded" if value is None else f"{float(value):g} {unit}"
        if span is not None:
            text += f" (limits {float(span[0]):g} to {float(span[1]):g} {unit})"
        parts.append(text)
    return ", ".join(parts)


def read_number(what: str, unit: str, text: str) -> float | None:
    """A temperature or a humidity as typed; None where nothing was. Raises `UsageError`."""
    try:
        number = float(text.replace(",", ".")) if text.strip() else None
    except ValueError:
        number = math.nan
    if number is not None and not math.isfinite(number):
        raise UsageError(message=f"Write the {what} in {unit} as a number, not {text!r}.")
    return number
