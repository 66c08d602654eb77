"""Whether a scale can be true: compared with dpi tags, the device's setting and its last scale.

A wrong resolution, pitch or decimal point is off by a third at least (2400 for 3200 dpi), a device
by some tenths of a percent (Boron, ISPRS 1996). Between lies the limit of 10 %: what differs more
is refused unless a person gives a reason. Within it a tag decides nothing: many are wrong.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sieve_inspect.image import dpi_of
from sieve_registry.scales.errors import ImplausibleScaleError
from sieve_registry.values import clean_text

if TYPE_CHECKING:
    from sieve_inspect.scale.model import Scale

Pair = tuple[float, float]  # along x and y

_WITHIN = 0.1
_NO_RESOLUTION = (72.0, 96.0)  # dpi that programs write where they know none
_DPI = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:dpi|ppi)\b", re.IGNORECASE)


def dpi_of_file(image: Path) -> Pair | None:
    """The dpi tags of a picture file; None where it has none, or none that means anything."""
    return meant_dpi(dpi_of(image))


def meant_dpi(dpi: Sequence[float] | None) -> Pair | None:
    """Tags as a resolution; None for placeholders."""
    if dpi is None or len(dpi) != 2 or min(dpi) <= 1:
        return None
    if all(round(resolution) in _NO_RESOLUTION for resolution in dpi):
        return None
    return float(dpi[0]), float(dpi[1])


def contradictions_of_tags(scale: Scale, tags: Iterable[tuple[str, Pair | None]]) -> Iterator[str]:
    """A sentence for each file, by name, whose tags contradict the scale."""
    for name, dpi in tags:
        if dpi is not None and (off := _off(scale, (25_400 / dpi[0], 25_400 / dpi[1]))):
            yield f"the dpi tag of {name} gives {off}"


def contradictions_of_device(
    scale: Scale, setting: str, last: tuple[str, Pair] | None
) -> Iterator[str]:
    """A sentence where the setting, or the device's last scale (name, um per px), contradicts."""
    match = _DPI.search(setting)
    if match is not None:
        um_per_px = 25_400 / float(match[1].replace(",", "."))
        if off := _off(scale, (um_per_px, um_per_px)):
            yield f"the setting {setting} gives {off}"
    if last is not None and (off := _off(scale, last[1])):
        yield f"the last scale of this device, {last[0]}, gave {off}"


def accepted(found: Iterable[str], reason: str, by: str | None) -> tuple[str, ...]:
    """The contradictions as doubts, each with who accepted it and why.

    Raises `ImplausibleScaleError` where there is one and no reason.
    """
    contradictions = list(dict.fromkeys(found))
    if not contradictions:
        return ()
    from sieve_registry.sieves.recording import person  # loads the database

    why = clean_text("reason", reason)
    if not why:
        raise ImplausibleScaleError(reason="; ".join(contradictions[:3]))
    return tuple(f"{words}; accepted by {person(by)}: {why}" for words in contradictions)


def _off(scale: Scale, expected: Pair) -> str:
    """How another scale differs, in words; "" where it agrees."""
    own = (scale.um_per_px_x, scale.um_per_px_y)
    for direction, mine, other in zip("xy", own, expected, strict=True):
        if abs(mine / other - 1) > _WITHIN and abs(other / mine - 1) > _WITHIN:
            percent = 100 * (mine / other - 1)
            return (
                f"{other:.5g} um per px in {direction} against {mine:.5g} of the scale "
                f"({percent:+.0f} %)"
            )
    return ""
