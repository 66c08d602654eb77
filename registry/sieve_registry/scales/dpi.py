"""The dpi tags of scans, compared with the scale used; a tag decides nothing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sieve_inspect.image import dpi_of

if TYPE_CHECKING:
    from sieve_inspect.scale.model import Scale

_DPI_TOLERANCE = 0.002  # twice what flatbeds are commonly off (Boron, ISPRS 1996)


def dpi_warnings(images: Sequence[Path], scale: Scale) -> list[str]:
    """A sentence for each scan whose dpi tag gives another scale."""
    warnings = []
    for image in images:
        dpi = dpi_of(image)
        if dpi is None:
            continue
        tagged = (25_400 / dpi[0], 25_400 / dpi[1])
        measured = (scale.um_per_px_x, scale.um_per_px_y)
        if any(abs(t / m - 1) > _DPI_TOLERANCE for t, m in zip(tagged, measured, strict=True)):
            warnings.append(
                f"{image.name}: its dpi tag gives {tagged[0]:.5g} um per px, the scale "
                f"{measured[0]:.5g}; the tag is ignored"
            )
    return warnings
