"""A check beside an earlier check of its cloth: aligned pictures, marks, the list of changes."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw

from made_cloth import APERTURE, KNOWN, Loom, seen, woven
from page_reader import read
from present import present
from report_sample import sample
from sieve_inspect.arrays import Float
from sieve_inspect.identity.cloth_map import ClothMap
from sieve_registry.ledger.figures import ClothLink
from sieve_registry.report import render_check_report
from sieve_registry.report.before_after import BeforeAfter, ShownScan, before_after

SHAPE, UM_PER_PX, TURN = (18, 20), KNOWN.um_per_px[0], np.radians(12)
AWAY = np.array([[np.cos(TURN), -np.sin(TURN)], [np.sin(TURN), np.cos(TURN)]])
WIDENED = (5, 7)  # row and column of the opening that changed, by 12 um in x
LINK = ClothLink(
    sieve="S-1", check="C-0001", common=300, p_false=1e-40, exchanged=False, change_x_um=0.24,
    change_y_um=0.003, u_x_um=0.02, u_y_um=0.02, kinds=("widened",),
)  # fmt: skip


def picture(path: Path, cloth: ClothMap) -> ShownScan:
    """A scan in which each opening of the map is a bright square."""
    at = cloth.place.reshape(2, -1).T / UM_PER_PX
    width, height = (int(v) + 30 for v in at.max(axis=0))
    image = Image.new("L", (width, height), 20)
    pen, half = ImageDraw.Draw(image), APERTURE / UM_PER_PX / 2
    for x, y in at.tolist():
        pen.rectangle((x - half, y - half, x + half, y + half), fill=230)
    image.save(path)
    return ShownScan.of_file(path, cloth)


def turned(cloth: ClothMap) -> ClothMap:
    """The same cloth in a scan on which it lies turned by 12 degrees and shifted."""
    place = np.einsum("ij,jrc->irc", AWAY, cloth.place)
    place -= place.reshape(2, -1).min(axis=1)[:, None, None] - 150
    return replace(cloth, place=place)


@pytest.fixture
def pair(tmp_path: Path) -> tuple[ShownScan, ShownScan]:
    """A cloth before, and turned with an opening 12 um wider."""
    rng = np.random.default_rng(8)
    width = woven(rng, SHAPE, Loom())
    changed = np.zeros_like(width)
    changed[(0, *WIDENED)] = 12.0
    after = turned(seen(width, rng, missing=0.0, wear=changed))
    before = seen(width, rng, missing=0.0)
    return picture(tmp_path / "before.png", before), picture(tmp_path / "now.png", after)


def shown(pair: tuple[ShownScan, ShownScan]) -> BeforeAfter:
    return present(before_after(LINK, "2026-01-12", [pair[0]], [pair[1]], 75.0))


def grey(jpeg: bytes) -> Float:
    return np.asarray(Image.open(io.BytesIO(jpeg)), np.float64)


def test_the_present_cloth_is_turned_and_shifted_onto_the_earlier(
    pair: tuple[ShownScan, ShownScan],
) -> None:
    before, now = (grey(p.jpeg) for p in shown(pair).pictures)
    assert before.shape == now.shape
    inner = (slice(60, -60), slice(60, -60))  # squares, turned, cover the same places but corners
    assert np.corrcoef(before[inner].ravel(), now[inner].ravel())[0, 1] > 0.85
    assert not any(p.drawn for p in shown(pair).pictures)


def test_what_changed_is_listed_with_its_uncertainty(pair: tuple[ShownScan, ShownScan]) -> None:
    (row,) = shown(pair).rows
    assert (row.number, row.kind, row.direction) == (1, "widened", "x")
    assert float(row.change) == pytest.approx(12.0, abs=float(row.expanded))
    assert 0.1 < float(row.expanded) < 0.6  # noise of 0.07 um in both scans: 2 · 0.1 um and more
    assert row.place == "row 5, column 7"
    assert shown(pair).changes == ("+0.24 ± 0.04", "+0.00 ± 0.04")


def test_the_mark_is_at_the_opening_in_both_pictures(pair: tuple[ShownScan, ShownScan]) -> None:
    """The mark is the only ring of white in a picture whose openings are at most 245."""
    unmarked = replace(pair[1], cloth=turned(pair[0].cloth))
    for marked, plain in zip(
        shown(pair).pictures, shown((pair[0], unmarked)).pictures, strict=True
    ):
        row, column = np.nonzero(np.abs(grey(marked.jpeg) - grey(plain.jpeg)) > 100)
        at = pair[0].cloth.place[:, WIDENED[0], WIDENED[1]]
        corner = pair[0].cloth.place.reshape(2, -1).min(axis=1) - 1.3 * 125  # pitches beside them
        expected = (at - corner) / 125 * 620 / (SHAPE[1] - 1 + 2.6)
        assert np.median(column) == pytest.approx(expected[0], abs=15)
        assert np.median(row) == pytest.approx(expected[1], abs=15)


def test_a_scan_that_cannot_be_read_is_drawn_by_its_widths(
    pair: tuple[ShownScan, ShownScan], tmp_path: Path
) -> None:
    before, now = pair
    lost = ShownScan.of_file(tmp_path / "lost.png", before.cloth)
    pictures = shown((lost, now)).pictures
    assert [p.drawn for p in pictures] == [True, False]
    inner = (slice(60, -60), slice(60, -60))
    drawn, scan = (grey(p.jpeg)[inner].ravel() for p in pictures)
    assert np.corrcoef(drawn, scan)[0, 1] > 0.7


def test_other_cloth_is_not_shown_beside_it(pair: tuple[ShownScan, ShownScan]) -> None:
    rng = np.random.default_rng(9)
    other = replace(pair[1], cloth=seen(woven(rng, SHAPE, Loom()), rng))
    assert before_after(LINK, "2026-01-12", [pair[0]], [other], 75.0) is None


def test_the_report_has_both_pictures_and_the_list(pair: tuple[ShownScan, ShownScan]) -> None:
    page = render_check_report(replace(sample(), pair=shown(pair)))
    text = read(page).text
    assert "300 apertures are common with check C-0001 of sieve S-1 on 2026-01-12" in text
    assert "Now, turned and shifted onto it (now.png)" in text
    assert page.count("data:image/jpeg;base64,") == 2
