"""Which sieve a scan belongs to, by the name of its file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from sieve_inspect.errors import UsageError

_BETWEEN = re.compile(r"[^0-9a-z]+")


@dataclass(frozen=True)
class Named:
    """Scans by the sieve their names begin with, and those that no name explains."""

    by_sieve: dict[str, list[str]]
    unclear: dict[str, str]  # the reason by file name


def sieve_of(name: str, ids: Iterable[str]) -> str:
    """The sieve whose id a file name begins with, by letters and digits only.

    `s0075-2.png` belongs to S-0075. A name that begins with two ids belongs to the longer of them.
    Raises `UsageError` where no id fits, or where two differ only in capitals or punctuation.
    """
    parts = [part for part in _BETWEEN.split(PurePath(name).stem.casefold()) if part]
    beginnings = {"".join(parts[:count]): count for count in range(1, len(parts) + 1)}
    fits: dict[int, list[str]] = {}
    for sieve_id in ids:
        plain = _BETWEEN.sub("", sieve_id.casefold())
        if plain in beginnings:
            fits.setdefault(beginnings[plain], []).append(sieve_id)
    if not fits:
        raise UsageError(message="its name begins with no sieve of the registry")
    best = fits[max(fits)]
    if len(best) > 1:
        raise UsageError(message=f"its name fits {' and '.join(sorted(best))}")
    return best[0]


def by_name(names: Sequence[str], ids: Sequence[str]) -> Named:
    """Every scan with its sieve, in the order given."""
    found: dict[str, list[str]] = {}
    unclear: dict[str, str] = {}
    for name in names:
        try:
            found.setdefault(sieve_of(name, ids), []).append(name)
        except UsageError as error:
            unclear[name] = str(error)
    return Named(found, unclear)
