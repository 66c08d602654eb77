"""A slanting view read from the wires across a scan; the arithmetic is d / cos v, tan v = x / D."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sieve_inspect.illumination.model import Illumination
from sieve_inspect.illumination.view import view_factors

WIRE_UM, LENS_UM = 50.0, 300_000.0


def scan(middle_um: float = 0.0, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Places (n, 2) in um over a cloth 190 mm wide, and wires as a lens 300 mm away sees them."""
    rng = np.random.default_rng(seed)
    centre = rng.uniform(-95_000, 95_000, (6000, 2))
    tangent = (centre[:, 0] - middle_um) / LENS_UM
    wires = WIRE_UM * np.sqrt(1 + tangent**2) + rng.normal(0, 1.0, len(centre))
    return centre, wires


@pytest.mark.parametrize("middle_um", [0.0, 30_000.0, -60_000.0])
def test_the_view_of_every_place_follows_from_the_wires(middle_um: float) -> None:
    centre, wires = scan(middle_um)
    wires[::7] = np.nan  # not every wire is measured
    factors = view_factors(centre, wires, 0)
    assert factors is not None
    true = 1 / np.sqrt(1 + ((centre[:, 0] - middle_um) / LENS_UM) ** 2)
    assert np.abs(factors - true).max() < 0.005
    assert np.abs(factors - true).mean() < 0.002


def test_wires_along_the_line_show_no_view() -> None:
    centre, wires = scan()
    assert view_factors(centre[:, ::-1], wires, 0) is None


def test_a_scan_seen_straight_from_above_is_left_as_it_is() -> None:
    rng = np.random.default_rng(2)
    centre = rng.uniform(0, 100_000, (6000, 2))
    assert view_factors(centre, WIRE_UM + rng.normal(0, 1, len(centre)), 0) is None
    # One wire thicker than its neighbours, or cloth that thins towards one side, is no view.
    assert view_factors(centre, WIRE_UM + centre[:, 0] / 50_000, 0) is None


def test_focus_that_falls_off_all_round_is_no_view() -> None:
    centre, _ = scan()
    wires = WIRE_UM * (1 + (centre**2).sum(axis=1) / (2 * LENS_UM**2))
    wires = wires + np.random.default_rng(3).normal(0, 1, len(wires))
    assert view_factors(centre, wires, 0) is None


def test_few_wires_tell_nothing() -> None:
    centre, wires = scan()
    assert view_factors(centre[:300], wires[:300], 0) is None


def test_a_stated_line_camera_gives_the_view_of_every_place() -> None:
    light = replace(Illumination.stated(4), line_um=(100_000.0, LENS_UM))
    cosine, u_view = light.along_line(np.array([0.0, 100_000.0, 200_000.0]))
    assert cosine == pytest.approx([0.9487, 1.0, 0.9487], abs=1e-4)  # cos atan(1/3)
    # 5 mm off at a third: 1/3 · 5/300, two thirds of the places
    assert u_view == pytest.approx(2 / 9 * 5 / 300, rel=0.05)
    assert Illumination.from_dict(light.to_dict()) == light


def test_a_stated_uncertainty_of_the_angles_counts() -> None:
    # d g / d b = sin(b/2) / 4 / cos²β for half the bound 1 − cos(b/2) of a mirror that leans by β,
    # tan β = 0.4 π/2, and a tenth more for what wires show each other
    sure, unsure = (Illumination.stated(30, u_lamp_deg=u).u_glow[0] for u in (0.0, 5.0))
    by_angle = 1.1 * (1 + (0.2 * np.pi) ** 2) * np.sin(np.radians(15)) / 4 * np.radians(5)
    assert unsure == pytest.approx(np.hypot(sure, by_angle), rel=1e-6)
    # d (1 / cos v) / d v is about sin v: 2° at 13° are 0.8 % of a wire
    assert Illumination.stated(4, 13.0, u_view_deg=2.0).u_view[0] == pytest.approx(0.0079, abs=1e-4)
