"""One spelling for every record, so that equal content has equal bytes and equal hashes."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Mapping
from typing import Any

import orjson


def canonical_text(value: object) -> str:
    """JSON with sorted keys, no spaces, UTF-8 letters as they are; floats raise `TypeError`.

    A float has no single spelling across programs and languages, so it may not be hashed.
    """
    _refuse_floats(value)
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )


def read_payload(text: str | bytes) -> Any:
    """The content of a payload. Raises `ValueError` for what is no JSON.

    There may be hundreds of thousands: `orjson` takes half the time of the standard library, which
    reads what that refuses (NaN, letters that are no UTF-8).
    """
    try:
        return orjson.loads(text)
    except ValueError:
        return json.loads(text)


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
