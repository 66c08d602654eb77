"""Numbers rounded by their uncertainty, and the sentences of the outcomes."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Sequence
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from sieve_inspect.outcomes import FOR_INFORMATION, NOT_JUDGED
from sieve_inspect.units import format_length
from sieve_inspect.verdict.sentences import decimals_for
from sieve_registry.ledger.corrections import fields_text

DASH = "–"

MARKS = {
    "pass": "✓",
    "conditional pass": "✓?",
    "conditional fail": "✗?",
    "fail": "✗",
    NOT_JUDGED: "?",
    FOR_INFORMATION: "?",
}

OUTCOME_SENTENCES = {
    ("pass", "guard-band"): "Every value meets its limit by at least its uncertainty.",
    ("pass", "simple"): "Every value meets its limit; the decision disregards uncertainty.",
    ("conditional pass", "guard-band"): "No value is beyond its limit, "
    "but not every condition of a pass is met.",
    ("conditional pass", "simple"): "No value is beyond its limit, "
    "but not every condition of a pass is met.",
    ("conditional fail", "guard-band"): "Conformity with the limits is not shown, "
    "but the measurement is too uncertain for a fail.",
    ("conditional fail", "simple"): "Conformity with the limits is not shown, "
    "but the picture quality is too low for a fail.",
    ("fail", "guard-band"): "It does not meet its limits.",
    ("fail", "simple"): "It does not meet its limits; the decision disregards uncertainty.",
}

# Direction marks could reorder the text around a name.
_BIDI = set("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def clean(value: object) -> object:
    """A value as printed: unknown as a dash, control characters made visible.

    Text marked safe (the charts) passes unchanged.
    """
    if type(value) is str and value and value.isascii() and value.isprintable():
        return value  # quick: there may be very many, or the long text of an embedded picture
    if value is None or value == "":
        return DASH
    if not isinstance(value, str) or hasattr(value, "__html__"):
        return value
    return "".join("\ufffd" if _hidden(c) else c for c in value)


def _hidden(character: str) -> bool:
    if character in "\n\t":
        return False
    return character in _BIDI or unicodedata.category(character) in ("Cc", "Cs", "Co", "Cn")


def finite(value: Any) -> float | None:
    """A finite float, or None for anything else."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    return float(value) if math.isfinite(value) else None


def with_micro(text: str) -> str:
    """Write "75 um" as "75 µm" in a sentence."""
    return re.sub(r"(?<=\d )um\b", "µm", text)


def sentence(text: str) -> str:
    """A clause as a sentence: capital letter, µm."""
    return with_micro(text[:1].upper() + text[1:])


def edition(standard: str) -> str:
    """The printed name of an edition; the table of a user keeps its name."""
    parts = re.fullmatch(r"(iso|astm)-?([0-9a-z-]+):([0-9]{4})", standard)
    return standard if parts is None else f"{parts[1]} {parts[2]}:{parts[3]}".upper()


def digits(value: Any, count: int = 2) -> str | None:
    """A number to `count` significant digits, trailing zeros kept."""
    number = finite(value)
    if number == 0:
        return "0"
    return None if number is None else f"{number:#.{count}g}".rstrip(".").replace("-", "−")


def figure(value: Any, form: str) -> str | None:
    """A number in a format such as ".2f"."""
    number = finite(value)
    return None if number is None else format(number, form).replace("-", "−")


def length_text(um: float | None) -> str | None:
    """A nominal length with its unit, such as 75 µm or 2 mm."""
    return None if um is None else with_micro(format_length(um))


def percent(share: Any, decimals: int = 1) -> str | None:
    """A share 0..1 as a percentage."""
    value = finite(share)
    return None if value is None else f"{100 * value:.{decimals}f} %"


def counted(count: int, noun: str) -> str:
    """A number with its noun: 1 month, 2 months."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


FILTERS: dict[str, Callable[..., Any]] = {  # of the templates
    "counted": counted,
    "digits": digits,
    "edition": edition,
    "fields": fields_text,
    "figure": figure,
    "length_text": length_text,
    "micro": with_micro,
    "percent": percent,
    "sentence": sentence,
}


class Lengths:
    """Writes lengths given in um: in µm for sieves below 1 mm, in mm from there."""

    def __init__(self, nominal_um: float) -> None:
        self._mm = nominal_um >= 1000
        self.unit = "mm" if self._mm else "µm"

    def scaled(self, um: float) -> float:
        """A length in this sieve's unit."""
        return um / 1000 if self._mm else um

    def exact(self, um: Any) -> str | None:
        """A length without unit as it is written in a table."""
        value = finite(um)
        return None if value is None else f"{self.scaled(value):.9g}"

    def number(self, um: Any, decimals: int) -> str | None:
        """A length without unit, `decimals` places counted in um, half up."""
        value = finite(um)
        if value is None:
            return None
        rounded = Decimal(repr(value)).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
        if rounded == 0:
            rounded = abs(rounded)  # no minus zero
        return f"{rounded.scaleb(-3) if self._mm else rounded:f}".replace("-", "−")

    def value(
        self, um: Any, expanded_um: Any, bounds: Sequence[float] = ()
    ) -> tuple[str | None, str | None]:
        """A value and its U, rounded by U; finer where rounding would cross a bound."""
        value, expanded = finite(um), finite(expanded_um)
        decimals = decimals_for(expanded if expanded is not None else math.nan)
        if value is None:
            return None, self.number(expanded, decimals)
        for extra in range(decimals, decimals + 5):
            decimals = extra
            rounded = round(value, extra)
            if all((rounded > b) == (value > b) for b in bounds):
                break
        return self.number(value, decimals), self.number(expanded, decimals)
