"""One spelling for every record, so that equal content has equal bytes and equal hashes."""

from __future__ import annotations

import json
import math
import unicodedata
from collections.abc import Mapping
from decimal import Decimal

__all__ = ["canonical_text", "decimal_text", "plain_name", "without_floats"]


def canonical_text(value: object) -> str:
    """JSON with sorted keys, no spaces, UTF-8 letters as they are; floats raise `TypeError`.

    A float has no single spelling across programs and languages, so it may not be hashed.
    """
    _refuse_floats(value)
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )


def decimal_text(value: float) -> str:
    """The shortest decimal that reads back as the same float, never in exponent form."""
    if not math.isfinite(value):
        raise TypeError(f"{value} is no number to record")
    return format(Decimal(repr(float(value))), "f")


def without_floats(value: object) -> object:
    """The same structure with every float as a decimal text and NaN as null."""
    if isinstance(value, float):
        return decimal_text(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): without_floats(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [without_floats(item) for item in value]
    return value


def plain_name(name: str) -> str:
    """A file's name with every letter that cannot be printed or stored replaced by U+FFFD."""
    bad = ("Cc", "Cf", "Cs", "Zl", "Zp")
    return "".join("\ufffd" if unicodedata.category(c) in bad else c for c in name)


def _refuse_floats(value: object) -> None:
    if isinstance(value, float):
        raise TypeError("a float cannot be part of a hashed record: write it as a decimal text")
    if isinstance(value, Mapping):
        for item in value.values():
            _refuse_floats(item)
    elif isinstance(value, list | tuple):
        for item in value:
            _refuse_floats(item)
