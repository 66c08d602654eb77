"""Sieves in their ring: the ring located, nothing invented along it, real damage found."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from located import located
from sieve_inspect.image import light as scan_light
from sieve_inspect.image import srgb_to_linear
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.pipeline import measure_array
from sieve_inspect.synthetic import Cloth, Damage, Optics, Ring, Sensor, render
from sieve_inspect.validation.accuracy import measured_case
from sieve_inspect.validation.cases import hard_cases
from sieve_inspect.validation.damage import ring_cases
from sieve_inspect.validation.drawing import Case

CASES = {case.name: case for case in ring_cases()}
COARSE = [name for name in CASES if name not in ("ring-40", "ring-70")]


def ring_of(case: Case) -> Ring:
    assert case.cloth.ring is not None
    return case.cloth.ring


@pytest.mark.parametrize("name", COARSE)
def test_a_ring_cuts_apertures_and_damages_none(name: str, tmp_path: Path) -> None:
    """The truth is the drawing: its circle, its complete apertures, its faults."""
    case = CASES[name]
    ring = ring_of(case)
    assert ring.centre_px is not None
    _, measurement, compared = measured_case(case, tmp_path)
    field = measurement.pictures[0].field
    located = field.lattice.ring
    assert located is not None
    assert [located.x, located.y] == pytest.approx(ring.centre_px, abs=0.4)
    assert located.radius == pytest.approx(ring.radius_px, abs=0.4)
    assert compared.invented_count == 0
    truth = compared.truth
    place = np.stack([truth.x_px, truth.y_px], axis=1)
    # Of a damaged aperture within 2 px of the ring nobody can tell whether the ring cuts it.
    clear = located.depth(place) > 0.5 * np.hypot(truth.width_x_px, truth.width_y_px) + 2
    damaged = clear & np.isin(truth.state, ("blocked", "torn"))
    assert (compared.state[damaged] == truth.state[damaged]).all()
    assert truth.complete[compared.measured].all()
    assert not (located.depth(field.centre) < 0).any()
    assert not (compared.state[~truth.complete] == "torn").any()
    middle = (case.shape[0] - 1) / 2
    reach = ring.radius_px + max(abs(c - middle) for c in ring.centre_px)
    assert located.whole == (reach < middle)
    population = int(truth.complete.sum()) if located.whole else None
    if np.ptp(field.centre, axis=0).min() * 10.0 > 30_000:
        assert measurement.directions[0].population == population
    assert compared.coverage > 0.9


def test_a_ring_in_a_scan_read_in_bands(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The same circle and the same states as of the picture held in memory."""
    case = CASES["ring-25"]
    _, at_once, _ = measured_case(case, tmp_path)
    monkeypatch.setattr(scan_light, "HELD_UP_TO", 0)
    _, in_bands, compared = measured_case(case, tmp_path)
    one, other = (m.pictures[0].field.lattice.ring for m in (at_once, in_bands))
    assert one is not None
    assert other is not None
    assert (one.x, one.y, one.radius) == pytest.approx((other.x, other.y, other.radius), abs=0.3)
    assert compared.invented_count == 0


def drawn(ring: Ring | None, shape: tuple[int, int] = (360, 360)) -> Measurement:
    """Cloth of 20 px in 34 px in a picture of 1 mm a px, so that a frame has a frame's size."""
    cloth = Cloth(27.2, 6.8, sd_px=0.3, rotation_deg=4, seed=8, ring=ring)
    picture = render(cloth, sensor=Sensor(noise=0.006, seed=8), shape=shape)
    return measure_array(picture.image, nominal_um=27_200, um_per_px=1000.0, encoding="srgb")


def test_cloth_cut_by_the_border_is_never_the_whole_cloth() -> None:
    """Neither without a ring nor where the border cuts the ring."""
    ring = Ring(160, 9, 0.2, 0.7)
    whole = drawn(ring)
    assert whole.directions[0].population is not None
    entry = whole.to_dict()["images"][0]["frame"]
    assert entry["whole"]
    assert entry["radius_px"] == pytest.approx(160, abs=0.4)
    for part in (None, replace(ring, centre_px=(120.0, 179.5))):
        measurement = drawn(part)
        assert [d.population for d in measurement.directions] == [None, None]
        sampling = [line.value_um for line in measurement.budget if line.name == "sampling"]
        assert min(sampling) > 0


def test_no_ring_is_seen_in_cloth_that_fills_the_picture() -> None:
    """Not in sound cloth, nor in cloth with holes; a hole is torn, whatever its place."""
    for damage in (Damage(), Damage(missing=4, missing_length=4, blocked=6)):
        cloth = Cloth(14.2, 9.1, sd_px=0.4, rotation_deg=4, seed=31, damage=damage)
        picture = render(cloth, sensor=Sensor(noise=0.01, seed=3), shape=(300, 360))
        measurement = measure_array(picture.image, nominal_um=142, um_per_px=10.0, encoding="srgb")
        assert measurement.pictures[0].field.lattice.ring is None
        assert measurement.to_dict()["images"][0]["frame"] is None


def test_ends_of_cloth_that_lie_on_no_circle_are_no_ring() -> None:
    """Such ends once gave a circle of negative radius, which stopped the measuring."""
    (case,) = (case for case in hard_cases() if case.name == "rotation-8")
    picture = render(case.cloth, case.optics, case.sensor, case.shape)
    assert located(srgb_to_linear(picture.image / 255)).ring is None


def test_a_narrow_strip_of_cloth_is_measured() -> None:
    """A strip of two openings across, whose spectrum shows one direction alone."""
    cloth = Cloth(34.9, 23.9, sd_px=1, rotation_deg=56.9, skew_deg=2, bend_px=3, seed=884971)
    picture = render(cloth, Optics(size_px=1.0), Sensor(noise=0.01, seed=0), (476, 152))
    measurement = measure_array(picture.image, nominal_um=349, um_per_px=10.0, encoding="srgb")
    assert measurement.count("ok") >= 9
    for direction, width in zip(measurement.directions, picture.truth.widths(10, 10), strict=True):
        assert abs(direction.mean_um - width[picture.truth.sound].mean()) < direction.U_mean_um


def test_the_overlay_shows_the_ring() -> None:
    """Beside the ring the same picture without it differs in black pixels on the circle."""
    from sieve_inspect.measurement.overlay import draw_overlay

    picture = drawn(Ring(160, 9, 0.2, 0.7)).pictures[0]
    lattice = replace(picture.field.lattice, ring=None)
    plain = draw_overlay(picture.light, replace(picture.field, lattice=lattice))
    marked = draw_overlay(picture.light, picture.field)
    changed = (plain[: len(marked)] != marked[: len(plain)]).any(axis=2)[:360]
    row, column = np.nonzero(changed)
    away = np.hypot(row - 179.5, column - 179.5)
    assert len(away) > 500
    assert np.abs(away - 160).max() < 3
