"""The dpi tags of scans, compared with the scale used; a tag decides nothing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sieve_inspect.files import open_regular

if TYPE_CHECKING:
    from sieve_inspect.scale.model import Scale

_DPI_TOLERANCE = 0.002  # twice what flatbeds are commonly off (Boron, ISPRS 1996)


def dpi_of(image: Path) -> tuple[float, float] | None:
    """The dpi a picture file states for x and y; None without a plausible tag."""
    from PIL import Image

    try:
        with open_regular(image) as file, Image.open(file) as picture:
            dpi = [float(resolution) for resolution in picture.info.get("dpi", ())]
    except (OSError, ValueError, TypeError, SyntaxError, Image.DecompressionBombError):
        return None  # the measuring judges the file
    return (dpi[0], dpi[1]) if len(dpi) == 2 and min(dpi) > 1 else None


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
