"""Nominal apertures as they are written: lengths, sieve numbers and inch designations."""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction
from functools import cache

from sieve_inspect.errors import BadLengthError
from sieve_inspect.standard.editions import tabulated
from sieve_inspect.units import format_length, parse_length_um

_VULGAR = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_AMOUNT = (
    r"([0-9]{1,6}(?:[.,][0-9]{1,9})?|[.,][0-9]{1,9}|(?:[0-9]{1,3}[ -]+)?[0-9]{1,3}/[0-9]{1,3})"
)
_BARE = re.compile(_AMOUNT)
_SIEVE_NUMBER = re.compile(rf"(?:no|nr|№|#)\s*\.?\s*{_AMOUNT}", re.IGNORECASE)
_INCHES = re.compile(rf"{_AMOUNT}\s*(?:inches|inch|in\.?|\"|″|'')", re.IGNORECASE)
_MESH = re.compile(rf"{_AMOUNT}\s*mesh|mesh\s*{_AMOUNT}", re.IGNORECASE)


class UnknownDesignationError(BadLengthError):
    """A sieve number that is not published, or a mesh count."""

    template = "'{text}' is not a published designation: {advice}."


class AmbiguousDesignationError(BadLengthError):
    """A bare number with several possible meanings."""

    template = "'{text}' could mean {readings}. Write it with its unit or 'No.'."


def resolve_nominal(text: str) -> float:
    """The nominal aperture in um of "75um", "0.075 mm", "No. 200", "#200" or "3 1/2 in.".

    An inch size that equals a published designation of ASTM E11 means that sieve, not the
    length: "3 in." is its 75 mm sieve, although 3 inches are 76.2 mm, and "2.5 in" and "2 1/2 in."
    are both its 63 mm sieve. Other inch sizes are plain lengths.

    Raises `UnknownDesignationError`, with advice, for an unpublished sieve number or a mesh count,
    `AmbiguousDesignationError` for a bare number with several readings ("200": 200 um or No. 200),
    and `BadLengthError` for anything else.
    """
    clean = " ".join(text.split())
    for sign, written in _VULGAR.items():
        clean = clean.replace(sign, f" {written}")
    clean = clean.strip()
    if match := _SIEVE_NUMBER.fullmatch(clean):
        return _by_number(text, match[1])
    if match := _INCHES.fullmatch(clean):
        inches = _fraction(match[1])
        if inches is not None and inches > 0:
            return _by_inches(inches)
    if match := _MESH.fullmatch(clean):
        number = match[1] or match[2]
        raise UnknownDesignationError(
            text=text,
            advice="wires per inch do not fix the aperture; write the aperture as a length, or "
            f"'No. {number}' if that is the sieve's published number",
        )
    if match := _BARE.fullmatch(clean):
        _refuse_ambiguous(text, match[1])
    if len(text) > 40:
        raise BadLengthError(text=text[:40] + "…")
    return parse_length_um(text)


def _by_number(text: str, amount: str) -> float:
    number = _fraction(amount)
    numbers = _designations()[0]
    if number is not None and number in numbers:
        return float(numbers[number])
    near = sorted(numbers, key=lambda known: abs(known - (number or Fraction(0))))[:2]
    names = " and ".join(f"No. {_written(known)}" for known in sorted(near))
    raise UnknownDesignationError(text=text, advice=f"the nearest sieve numbers are {names}")


def _by_inches(inches: Fraction) -> float:
    known = _designations()[1].get(inches)
    return float(known) if known is not None else round(float(inches * 25_400), 9)


def _refuse_ambiguous(text: str, amount: str) -> None:
    """Raise for a bare number with two readings or more."""
    number = _fraction(amount)
    if number is None:
        return
    numbers, inches = _designations()
    readings = []
    if 20 <= number <= 125_000:
        readings.append(f"{amount} um")
    if Fraction(20, 1000) <= number <= 125:
        readings.append(f"{amount} mm")
    if number in numbers:
        readings.append(f"No. {amount} ({format_length(float(numbers[number]))})")
    if number in inches:
        readings.append(f"{amount} in. ({format_length(float(inches[number]))})")
    if len(readings) > 1:
        listed = f"{', '.join(readings[:-1])} or {readings[-1]}"
        raise AmbiguousDesignationError(text=text, readings=listed)


@cache
def _designations() -> tuple[dict[Fraction, Decimal], dict[Fraction, Decimal]]:
    """Sieve numbers and inch sizes of the E11 table, each to its nominal in um."""
    numbers: dict[Fraction, Decimal] = {}
    inches: dict[Fraction, Decimal] = {}
    for nominal, row in tabulated("astm-e11:2009").items():
        for pattern, known in ((_SIEVE_NUMBER, numbers), (_INCHES, inches)):
            match = pattern.fullmatch(row.designation)
            if match and (value := _fraction(match[1])) is not None:
                known[value] = nominal
    return numbers, inches


def _fraction(amount: str) -> Fraction | None:
    """An amount like 3 1/2, 3-1/2, 3.5 or 3,5 exactly; None for a division by zero."""
    parts = re.split(r"[ -]+", amount.replace(",", "."))
    try:
        return sum((Fraction(part) for part in parts), Fraction(0))
    except ZeroDivisionError:
        return None


def _written(number: Fraction) -> str:
    units, rest = divmod(number, 1)
    return f"{units} {rest}" if rest else str(units)
