"""The cloth of a check beside that of an earlier check: aligned pictures and what changed.

Both are shown as the earlier scan lies: its pixels cut out, the present ones turned and shifted by
the affine map through the middles of the common apertures. Where a scan cannot be read, its widths
are drawn in its place.
"""

from __future__ import annotations

import io
import math
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import SievewardError
from sieve_registry.checks import queries as check_queries
from sieve_registry.errors import IntegrityError, RegistryError, UnknownCheckError
from sieve_registry.ledger.figures import ClothLink, EvidenceFile
from sieve_registry.report.formatting import Lengths
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from PIL import Image
    from PIL.ImageDraw import ImageDraw

    from sieve_inspect.identity.change import ChangedAperture
    from sieve_inspect.identity.cloth_map import ClothMap
    from sieve_inspect.identity.comparison import Comparison

MOST_LISTED = 30
_MOST_MARKED = 60
_SIDE_PX = 620  # longer side of an aligned picture
_ACROSS = 36  # apertures across a picture, at most
_MARGIN = 0.8  # pitches around the apertures shown
_OVERSAMPLED = 3  # at most, where the scan is finer than the picture

Float = NDArray[np.float64]
_Opened = Callable[[], AbstractContextManager[Path]]


@dataclass(frozen=True, eq=False)
class ShownScan:
    """A scan of a check: its name, the map of its cloth, and how to open its file."""

    name: str
    cloth: ClothMap
    opened: _Opened

    @classmethod
    def of_file(cls, path: Path, cloth: ClothMap) -> ShownScan:
        """That of a scan that lies in a file."""

        def opened() -> AbstractContextManager[Path]:
            return nullcontext(path)

        return cls(path.name, cloth, opened)


@dataclass(frozen=True)
class ChangedRow:
    """A changed aperture as the list shows it; texts in the unit of the sieve."""

    number: int
    kind: str
    direction: str
    change: str
    expanded: str
    place: str


@dataclass(frozen=True)
class AlignedPicture:
    """A JPEG file; `drawn` where the scan could not be read and the widths are drawn instead."""

    name: str
    jpeg: bytes
    drawn: bool


@dataclass(frozen=True)
class BeforeAfter:
    """A check beside an earlier one: `changes` in x and y of that check as "value ± U"."""

    check: str
    sieve: str
    on_date: str
    common: int
    unit: str
    changes: tuple[str, str]
    kinds: tuple[str, ...]
    rows: tuple[ChangedRow, ...]
    more: int
    pictures: tuple[AlignedPicture, AlignedPicture]
    part: bool  # of the common part, the rest is outside the pictures


def scans_of_check(registry: Registry, evidence: Sequence[EvidenceFile]) -> list[ShownScan]:
    """The scans of a recorded check, as far as their maps can be read."""
    from sieve_inspect.identity.codec import from_bytes

    scans = [file for file in evidence if file.role == "scan"]
    maps = [file for file in evidence if file.role == "cloth"]
    out = []
    for scan, kept in zip(scans, maps, strict=False):
        with suppress(ValueError, RegistryError, IntegrityError):
            cloth = from_bytes(check_queries.evidence_bytes(registry, kept.sha256))
            out.append(ShownScan(scan.name, cloth, partial(_unpacked, registry, scan)))
    return out


@contextmanager
def _unpacked(registry: Registry, scan: EvidenceFile) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"scan{scan.extension[:8]}"
        path.write_bytes(check_queries.evidence_bytes(registry, scan.sha256))
        yield path


def beside_earlier(
    registry: Registry, link: ClothLink | None, after: Sequence[ShownScan], nominal_um: float
) -> BeforeAfter | None:
    """The earlier check of `link` beside the scans of a check; None where no map can be read."""
    if link is None:
        return None
    try:
        earlier = check_queries.get_check(registry, link.check)
    except UnknownCheckError:  # a registry without the earlier records
        return None
    before = scans_of_check(registry, earlier.evidence)
    return before_after(link, earlier.check.on_date.isoformat(), before, after, nominal_um)


def before_after(
    link: ClothLink,
    on_date: str,
    before: Sequence[ShownScan],
    after: Sequence[ShownScan],
    nominal_um: float,
) -> BeforeAfter | None:
    """Scans of a check on an earlier day beside those of another; None where nothing is common."""
    pairs = list(_pairs(before, after))
    if not pairs:
        return None
    lengths = Lengths(nominal_um)
    best = max(pairs, key=lambda pair: pair[2].match.common)
    entries = [(pair, entry) for pair in pairs for entry in pair[2].changed]
    entries.sort(key=lambda item: (item[0] is not best, -abs(item[1].change_um or math.inf)))
    rows = [
        _row(number, pair, entry, lengths, named=len(pairs) > 1)
        for number, (pair, entry) in enumerate(entries[:MOST_LISTED], start=1)
    ]
    shown = [entry for pair, entry in entries if pair is best]
    view = _View.of(best[2], shown)
    return BeforeAfter(
        check=link.check,
        sieve=link.sieve,
        on_date=on_date,
        common=link.common,
        unit=lengths.unit,
        changes=_means(link, lengths),
        kinds=link.kinds,
        rows=tuple(rows),
        more=len(entries) - len(rows),
        pictures=(
            view.picture(best[0], np.eye(2, 3)),
            view.picture(best[1], view.to_after),
        ),
        part=view.part,
    )


_Pair = tuple[ShownScan, ShownScan, "Comparison"]


def _pairs(before: Sequence[ShownScan], after: Sequence[ShownScan]) -> Iterator[_Pair]:
    from sieve_inspect.identity.comparison import compare_maps

    for first in before:
        for second in after:
            comparison = compare_maps(first.cloth, second.cloth)
            if comparison.changes is not None:
                yield first, second, comparison


def _means(link: ClothLink, lengths: Lengths) -> tuple[str, str]:
    texts = []
    for change, u in ((link.change_x_um, link.u_x_um), (link.change_y_um, link.u_y_um)):
        texts.append("{} ± {}".format(*_signed(change, 2 * u, lengths)))
    return texts[0], texts[1]


def _signed(change: float, expanded: float, lengths: Lengths) -> tuple[str, str]:
    value, rounded = lengths.value(change, expanded)
    text = str(value)
    return (text if change < 0 or text.startswith("−") else f"+{text}"), str(rounded)


def _row(
    number: int, pair: _Pair, entry: ChangedAperture, lengths: Lengths, *, named: bool
) -> ChangedRow:
    change = expanded = ""
    if entry.change_um is not None and entry.U_um is not None:
        change, expanded = _signed(entry.change_um, entry.U_um, lengths)
    place = f"row {entry.row}, column {entry.column}"
    return ChangedRow(
        number,
        str(entry.kind),
        entry.direction,
        change,
        expanded,
        f"{place} of {pair[1].name}" if named else place,
    )


@dataclass(frozen=True, eq=False)
class _View:
    """What the pictures show: a box of the earlier scan, um, and the way to the present scan.

    `to_after` (2, 3) takes a place before to one after; `marks` (n, 2) are places before.
    """

    corner: Float
    size: Float
    px_per_um: float
    pitch: float
    to_after: Float
    marks: Float
    part: bool

    @classmethod
    def of(cls, comparison: Comparison, shown: Sequence[ChangedAperture]) -> _View:
        assert comparison.aligned is not None
        before, after = comparison.aligned.places
        design = np.column_stack([before, np.ones(len(before))])
        to_after = np.linalg.lstsq(design, after, rcond=None)[0].T
        changed = np.array([entry.place_um for entry in shown]).reshape(-1, 2)
        marks = (changed - to_after[:, 2]) @ np.linalg.inv(to_after[:, :2]).T
        pitch = max(comparison.aligned.spacing_um)
        low, high = before.min(axis=0), before.max(axis=0)
        most = _ACROSS * pitch
        part = bool((high - low > most).any())
        if part:
            middle = np.median(marks, axis=0) if len(marks) else (low + high) / 2
            half = np.minimum(high - low, most) / 2
            middle = np.clip(middle, low + half, high - half)
            low, high = middle - half, middle + half
        margin = (0.5 + _MARGIN) * pitch
        corner, size = low - margin, high - low + 2 * margin
        way = np.asarray(to_after, np.float64)
        return cls(corner, size, _SIDE_PX / float(size.max()), pitch, way, marks, part)

    @property
    def shape(self) -> tuple[int, int]:
        """Width and height of the pictures, px."""
        width, height = (max(1, round(float(side) * self.px_per_um)) for side in self.size)
        return width, height

    def picture(self, scan: ShownScan, way: Float) -> AlignedPicture:
        """The box in a scan, marked; `way` (2, 3) takes places before to those of the scan."""
        image = None
        with suppress(SievewardError, IntegrityError, OSError), scan.opened() as path:
            image = self._cut(path, scan.cloth, way)
        drawn = image is None
        if image is None:
            image = self._drawn(scan.cloth, way)
        self._mark(image)
        out = io.BytesIO()
        image.save(out, "JPEG", quality=82)
        return AlignedPicture(scan.name, out.getvalue(), drawn)

    def _cut(self, path: Path, cloth: ClothMap, way: Float) -> Image.Image | None:
        from PIL import Image

        from sieve_inspect.image.bands import open_source

        source = open_source(path)
        um_per_px = np.array(cloth.known.um_per_px)
        # From px of the picture to px of the scan, whose pixel 0 has its middle at 0.
        turn = way[:, :2] / um_per_px[:, None] / self.px_per_um
        shift = (way[:, :2] @ self.corner + way[:, 2]) / um_per_px + 0.5
        width, height = self.shape
        corners = np.array([(0, 0), (width, 0), (0, height), (width, height)]) @ turn.T + shift
        limit = np.array(source.shape[::-1])
        low = np.clip(np.floor(corners.min(axis=0)).astype(int) - 2, 0, limit)
        high = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 2, 0, limit)
        if (high <= low).any():
            return None
        part = source.rows(int(low[1]), int(high[1]))[:, low[0] : high[0]]
        grey = part if part.ndim == 2 else part.mean(axis=2)
        dark, bright = np.percentile(grey, (0.5, 99.5))
        level = np.clip((grey - dark) / max(float(bright - dark), 1e-6), 0, 1)
        image = Image.fromarray(np.asarray(30 + 215 * level, np.uint8))
        times = min(_OVERSAMPLED, max(1, math.ceil(float(np.linalg.norm(turn[:, 0])))))
        (a, b), (d, e) = turn / times
        c, f = shift - low
        fine = image.transform(
            (width * times, height * times),
            Image.Transform.AFFINE,
            tuple(map(float, (a, b, c, d, e, f))),
            Image.Resampling.BICUBIC,
            fillcolor=128,
        )
        return fine if times == 1 else fine.resize((width, height), Image.Resampling.BOX)

    def _drawn(self, cloth: ClothMap, way: Float) -> Image.Image:
        """The openings as squares, the wider the lighter, where there is no scan."""
        from PIL import Image, ImageDraw

        image = Image.new("L", self.shape, 90)
        pen = ImageDraw.Draw(image)
        ok = cloth.ok
        places = cloth.place[:, ok].T
        width = cloth.width[:, ok].mean(axis=0)
        spread = float(np.ptp(np.percentile(width, (2, 98)))) or 1.0
        level = np.clip(0.5 + (width - np.median(width)) / spread, 0, 1)
        before = (places - way[:, 2]) @ np.linalg.inv(way[:, :2]).T
        at = (before - self.corner) * self.px_per_um
        half = float(np.median(width)) * self.px_per_um / 2
        inside = ((at > -half) & (at < np.array(self.shape) + half)).all(axis=1)
        for (x, y), grey in zip(at[inside], level[inside], strict=True):
            pen.rectangle((x - half, y - half, x + half, y + half), fill=int(130 + 120 * grey))
        return image

    def _mark(self, image: Image.Image) -> None:
        from PIL import ImageDraw

        pen = ImageDraw.Draw(image)
        half = 0.55 * self.pitch * self.px_per_um
        at = (self.marks - self.corner) * self.px_per_um
        boxes = [(x - half, y - half, x + half, y + half) for x, y in at[:_MOST_MARKED].tolist()]
        for left, top, right, bottom in boxes:
            pen.rectangle((left, top, right, bottom), outline=255, width=4)
            pen.rectangle((left + 1, top + 1, right - 1, bottom - 1), outline=0)
        for number, (_, top, right, _) in enumerate(boxes[:MOST_LISTED], start=1):
            _number(pen, number, (right, top), image.size)


def _number(pen: ImageDraw, number: int, at: tuple[float, float], size: tuple[int, int]) -> None:
    """A number at a corner of its mark, within the picture."""
    from PIL import ImageFont

    font: Any = ImageFont.load_default(15)
    left, top, right, bottom = pen.textbbox((0, 0), str(number), font=font)
    width, height = right - left + 6, bottom - top + 6
    x = min(max(at[0] - width / 2, 0), size[0] - width)
    y = min(max(at[1] - height / 2, 0), size[1] - height)
    pen.rectangle((x, y, x + width, y + height), fill=255, outline=0)
    pen.text((x + 3 - left, y + 3 - top), str(number), fill=0, font=font)
