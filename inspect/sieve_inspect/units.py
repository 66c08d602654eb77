"""Lengths with units, as people write them, to micrometres and back."""

from __future__ import annotations

import math
import re

from sieve_inspect.errors import BadLengthError

_UM_PER_UNIT = {
    "um": 1.0,
    "µm": 1.0,  # U+00B5, the micro sign of keyboards
    "μm": 1.0,  # U+03BC, the Greek letter of word processors
    "micron": 1.0,
    "microns": 1.0,
    "nm": 1e-3,
    "mm": 1e3,
    "cm": 1e4,
    "m": 1e6,
    "in": 25_400.0,
    "in.": 25_400.0,
    "inch": 25_400.0,
    '"': 25_400.0,
}
_LENGTH = re.compile(r"\s*([0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)\s*([^\s\d]+)\s*")


def parse_length_um(text: str) -> float:
    """Read a length with its unit ("75um", "0.075 mm", "3 in.") as micrometres.

    A comma is read as a decimal comma. Raises `BadLengthError` for anything else, including a
    bare number: with a wrong unit a sieve would be judged a thousand times too fine.
    """
    match = _LENGTH.fullmatch(text)
    factor = _UM_PER_UNIT.get(match[2].lower()) if match else None
    if match is None or factor is None:
        raise BadLengthError(text=text)
    value = float(match[1].replace(",", ".")) * factor
    if not math.isfinite(value) or value <= 0:
        raise BadLengthError(text=text)
    # 0.075 mm is 75 um, not 75.00000000000001: lengths below a femtometre carry no meaning.
    return round(value, 9)


def format_length(um: float) -> str:
    """Write micrometres the way the standards do: um below 1 mm, mm from there."""
    return f"{um:g} um" if abs(um) < 1000 else f"{um / 1000:g} mm"
