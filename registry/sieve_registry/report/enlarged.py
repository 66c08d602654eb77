"""The largest apertures cut out of their scans, each with its measured outline.

The recorded table of apertures has their places, the recorded scan shows them.
"""

from __future__ import annotations

import io
import math
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import SievewardError
from sieve_registry.report.formatting import Lengths
from sieve_registry.report.view import Apertures, CheckView, Enlarged, Places, ScanFile

if TYPE_CHECKING:
    from sieve_inspect.image.bands import ScanSource

MOST = 10
_TORN = 5  # most torn apertures among them
_SIDE_PX = 220  # of an enlarged picture
_AROUND = 1.5  # pitches on each side of the middle
_NEAR = 4  # lattice steps within which the directions of the wires are taken

Float = NDArray[np.float64]


def largest_of(apertures: Apertures, most: int = MOST) -> list[int]:
    """Indices of the apertures to show: torn apertures first, then the largest measured."""
    width = np.fmax(apertures.width_x_um, apertures.width_y_um)
    torn = np.flatnonzero(apertures.state == "torn")[:_TORN]
    ok = np.flatnonzero((apertures.state == "ok") & np.isfinite(width))
    rest = ok[np.argsort(-width[ok], kind="stable")][: most - len(torn)]
    return [int(i) for i in (*torn, *rest)]


def enlarge(
    apertures: Apertures,
    scans: Sequence[ScanFile],
    read: Callable[[str], bytes],
    measurement: Mapping[str, Any],
) -> tuple[Enlarged, ...]:
    """The apertures of `largest_of` with their pictures; `read` gives the bytes of a scan by hash.

    Raises what `read` raises. A scan that cannot be decoded gives no pictures.
    """
    if apertures.places is None:
        return ()
    chosen = largest_of(apertures)
    images = apertures.places.image
    scale = measurement.get("scale") or {}
    um_per_px = tuple(float(scale.get(f"um_per_px_{d}") or math.nan) for d in "xy")
    first = int(images.min(initial=1))
    pictures: dict[int, bytes | None] = {}
    for image in sorted({int(images[i]) for i in chosen}):
        here = [i for i in chosen if images[i] == image]
        file = scans[image - first] if image - first < len(scans) else None
        cut = None
        if file is not None and np.isfinite(um_per_px).all():
            cut = _cut(read(file.sha256), file, here, apertures, um_per_px)
        pictures |= dict(zip(here, cut or [None] * len(here), strict=True))
    shown = []
    for number, i in enumerate(chosen, start=1):
        place = int(images[i]) - first
        widths = [apertures.width_x_um[i], apertures.width_y_um[i]]
        larger = int(np.argmax(np.nan_to_num(widths, nan=-math.inf)))
        shown.append(
            Enlarged(
                number=number,
                index=i,
                scan=scans[place].name if place < len(scans) else "",
                state=str(apertures.state[i]),
                direction="xy"[larger],
                width_um=widths[larger] if math.isfinite(widths[larger]) else None,
                jpeg=pictures[i],
            )
        )
    return tuple(shown)


def _cut(
    data: bytes,
    file: ScanFile,
    chosen: Sequence[int],
    apertures: Apertures,
    um_per_px: tuple[float, ...],
) -> list[bytes | None] | None:
    from sieve_inspect.image.bands import open_source

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"scan{Path(file.name).suffix[:8]}"
        path.write_bytes(data)
        try:
            source = open_source(path)
            return [_picture(source, i, apertures, um_per_px) for i in chosen]
        except SievewardError:
            return None


def _picture(
    source: ScanSource, index: int, apertures: Apertures, um_per_px: tuple[float, ...]
) -> bytes | None:
    """An aperture with its neighbours as JPEG, in greys from its darkest to its brightest pixel."""
    from PIL import Image, ImageDraw

    places = apertures.places
    assert places is not None
    along = _lattice(places, index)
    if along is None:
        return None
    reach = _AROUND * float(np.hypot(along[:, 0], along[:, 1]).max())
    x, y = float(places.x_px[index]), float(places.y_px[index])
    left, top = math.floor(x - reach), math.floor(y - reach)
    side = math.ceil(2 * reach) + 1
    part = source.rows(top, top + side)[:, max(0, left) : max(0, left + side)]
    if not part.size:
        return None
    grey = part if part.ndim == 2 else part.mean(axis=2)
    low, high = np.percentile(grey, (0.5, 99.5))
    level = np.clip((grey - low) / max(float(high - low), 1e-6), 0, 1)
    factor = _SIDE_PX / side
    size = (round(grey.shape[1] * factor), round(grey.shape[0] * factor))
    picture = Image.fromarray(np.asarray(30 + 215 * level, np.uint8)).resize(
        size, Image.Resampling.BICUBIC
    )
    shift = np.array([max(0, left), max(0, top)])
    pen = ImageDraw.Draw(picture)
    corners = (_corners(apertures, index, along, um_per_px) + 0.5 - shift) * factor
    frame = [tuple(map(float, corner)) for corner in (*corners, corners[0])]
    pen.line(frame, fill=255, width=5)
    pen.line(frame, fill=0, width=2)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=80)
    return out.getvalue()


def _lattice(places: Places, index: int) -> Float | None:
    """Steps (2, 2) in px from one column, and from one row, to the next around an aperture."""
    steps = [places.column - places.column[index], places.row - places.row[index]]
    near = (places.image == places.image[index]) & (np.maximum(*np.abs(steps)) <= _NEAR)
    design = np.column_stack([np.ones(near.sum()), steps[0][near], steps[1][near]])
    if np.linalg.matrix_rank(design) < 3:
        return None
    middle = np.column_stack([places.x_px[near], places.y_px[near]])
    solved, *_ = np.linalg.lstsq(design, middle, rcond=None)
    return np.asarray(solved[1:])


def _corners(apertures: Apertures, index: int, along: Float, um_per_px: tuple[float, ...]) -> Float:
    """The measured outline (4, 2) in px; an unknown width is drawn as the median."""
    assert apertures.places is not None
    size = []
    for direction, scale in zip("xy", um_per_px, strict=True):
        width = float(apertures.all_widths(direction)[index])
        if not math.isfinite(width):
            width = float(np.median(apertures.widths(direction)))
        size.append(width / scale)
    # x is measured across the wires that run along a column, y across those along a row.
    across = np.array([[along[1, 1], -along[1, 0]], [-along[0, 1], along[0, 0]]])
    across /= np.hypot(across[:, 0], across[:, 1])[:, None]
    signs = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) / 2
    offset = np.linalg.solve(across, (signs * size).T).T
    middle = np.array([apertures.places.x_px[index], apertures.places.y_px[index]])
    return np.asarray(middle + offset)


def caption_of(check: CheckView, shown: Enlarged, lengths: Lengths) -> str:
    """The caption of an enlarged aperture."""
    if shown.state == "torn":
        return "torn: a wire is missing or broken"
    width, _ = lengths.value(shown.width_um, check.expanded("x", "max_um").U_um)
    return f"{width} {lengths.unit} in {shown.direction}" if width else "not measured"
