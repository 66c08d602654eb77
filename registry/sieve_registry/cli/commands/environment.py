"""`sieveward environment`: the laboratory's limits of temperature and humidity."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option
from sieve_registry.ledger.choices import CheckMethod

_LIMITS = "method temperature_c humidity_percent since"


def environment(
    context: typer.Context,
    temperature: Annotated[str | None, option("Limits in °C, or none.", "LOW,HIGH|none")] = None,
    humidity: Annotated[str | None, option("Limits in percent, or none.", "LOW,HIGH|none")] = None,
    method: Annotated[
        CheckMethod | None, option("For this method alone (default: for all).")
    ] = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Show or set the laboratory's limits of temperature and humidity for checks.

    Outside them, or without --temperature and --humidity, a check passes only
    conditionally.
    """
    from sieve_registry.scales import environment as rooms

    with options.opened(context) as registry:
        terms = options.terms(date, by, why_late)
        day = terms.on_date or registry.today()
        name = "" if method is None else method.value
        known = next((li for li in rooms.all_limits(registry, day) if li.method == name), None)
        if temperature is not None or humidity is not None:
            rooms.set_limits(
                registry,
                _range(temperature, "--temperature", known.temperature_c if known else None),
                _range(humidity, "--humidity", known.humidity_percent if known else None),
                terms,
                name,
            )
        limits = rooms.all_limits(registry, day)
    answer = {
        "as_of": day.isoformat(),
        "limits": [output.fields(limit, _LIMITS) for limit in limits],
    }
    if output.emit(json_path, answer):
        return
    if not limits:
        output.line("No limits: temperature and humidity are recorded where they are given.")
    for limit in limits:
        spans = [
            f"{span[0]:g} to {span[1]:g} {unit}"
            for span, unit in ((limit.temperature_c, "°C"), (limit.humidity_percent, "% RH"))
            if span is not None
        ]
        what = f"{limit.method} checks" if limit.method else "all checks"
        output.line(f"{what}: {', '.join(spans) or 'no limits'} (since {limit.since})")


def _range(
    text: str | None, name: str, known: tuple[float, float] | None
) -> tuple[float, float] | None:
    """The limits typed; those known where nothing was, None for "none"."""
    if text is None:
        return known
    if text.strip().casefold() == "none":
        return None
    low, high = options.read_numbers(text, name, 2) or (0.0, 0.0)
    return low, high
