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
    """The sieve whose id a file name begins with.

    The longest id that stands there as it is written counts first (`S-0075-A_3.png` belongs to
    S-0075-A, not to S-0075); else the only one that fits by letters and digits (`s0075-2.png`
    belongs to S-0075). Raises `UsageError` where no id fits, or more than one.
    """
    stem = PurePath(name).stem.casefold()
    parts = [part for part in _BETWEEN.split(stem) if part]
    beginnings = {"".join(parts[:count]) for count in range(1, len(parts) + 1)}
    written, fitting = [], []
    for sieve_id in ids:
        folded = sieve_id.casefold()
        if re.match(rf"{re.escape(folded)}(?![0-9a-z])", stem):
            written.append(sieve_id)
        elif _BETWEEN.sub("", folded) in beginnings:
            fitting.append(sieve_id)
    longest = max(map(len, written), default=0)
    best = [sieve_id for sieve_id in written if len(sieve_id) == longest] or fitting
    if not best:
        raise UsageError(message="its name begins with no sieve of the registry")
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
