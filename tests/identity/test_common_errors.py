"""What two scans share comes off their change; what they do not share is covered by U.

Edge biases are drawn as the default takes them, a rectangle of 0.05 px on each edge.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from made_cloth import KNOWN, Loom, seen, woven
from sieve_inspect.identity.alignment import Alignment
from sieve_inspect.identity.change import changes_of, offset_of
from sieve_inspect.identity.cloth_map import TURNS, ClothMap, Known
from sieve_inspect.identity.codec import from_bytes, to_bytes
from sieve_inspect.identity.common_errors import UnsharedErrors, not_shared
from sieve_inspect.identity.comparison import compare_maps
from sieve_inspect.illumination.model import Illumination
from sieve_inspect.scale.parts import EDGE_BIAS_PX, U_EDGE_BIAS_PX

UNIT, WIRE = 5.29, 50.0  # um per px, um
DRAWS = 4000


def scan(
    unit: float = UNIT, u_px: float = U_EDGE_BIAS_PX, taken_px: float = 0.0, **more: object
) -> Known:
    """What is known of a scan with a scale and its edge bias."""
    two = {
        "um_per_px": unit,
        "bias": 2 * u_px * unit,
        "bias_taken": 2 * taken_px * unit,
    }
    pairs = {name: (value, value) for name, value in two.items()}
    known = replace(KNOWN, edge=(0.0, 0.0), light=(0.0, 0.0), scale=f"{unit} {u_px} {taken_px}")
    return replace(known, **{**pairs, **more})  # type: ignore[arg-type]


def apart(before: Known, after: Known, ratio: float = 1.0) -> UnsharedErrors:
    return not_shared(before, after, (0, 0), ratio)


def u_of(result: UnsharedErrors) -> float:
    return 2 * math.hypot(result.bias, result.light)


def test_two_devices_have_two_unknown_edge_biases() -> None:
    """By hand: 2 · 0.05/√3 px · 5.29 um = 0.305 um of each."""
    result = apart(scan(), scan(5.31))
    assert result.bias == pytest.approx(2 * U_EDGE_BIAS_PX * math.hypot(UNIT, 5.31))
    assert result.before == pytest.approx(2 * U_EDGE_BIAS_PX * UNIT)
    assert result.after == pytest.approx(2 * U_EDGE_BIAS_PX * 5.31)
    assert "0.05 px" in result.basis


def test_one_device_calibrated_again_shares_its_edge_bias() -> None:
    """Typed 0.4 % apart, which the pitches show: nothing of the bias is left."""
    before, after = (scan(unit, device="F-1", lamp="a") for unit in (5.28, 5.30))
    result = apart(before, after, ratio=5.28 / 5.30)
    assert result == UnsharedErrors(basis=result.basis)
    assert u_of(apart(before, replace(after, device="F-2"))) > 0.8


def test_another_resolution_leaves_a_bias_between_px_and_um() -> None:
    rng = np.random.default_rng(1)
    fine, coarse = 4.2, 6.4
    result = apart(scan(fine, device="F-1", lamp="a"), scan(coarse, device="F-1", lamp="a"))
    b = rng.uniform(-EDGE_BIAS_PX, EDGE_BIAS_PX, DRAWS)
    after = 2 * b * (fine + rng.uniform(0, 1, DRAWS) * (coarse - fine))
    inside = np.abs(after - 2 * b * fine) <= u_of(result)
    assert inside.mean() > 0.95
    assert u_of(result) == pytest.approx(4 * U_EDGE_BIAS_PX * 2.2)


def test_two_calibrations_by_certified_lines_are_one_bias() -> None:
    """Each line gives the bias to 0.02 and 0.01 px: corrected alike, nothing of it is left."""
    rng = np.random.default_rng(2)
    for _ in range(50):
        b = rng.uniform(-EDGE_BIAS_PX, EDGE_BIAS_PX)
        known = [b + rng.normal(0, u) for u in (0.02, 0.01)]
        sides = [
            scan(UNIT, u, taken, device="F-1", lamp="a")
            for u, taken in zip((0.02, 0.01), known, strict=True)
        ]
        if abs(known[1] - known[0]) > 2 * math.hypot(0.02, 0.01):
            continue
        result = apart(sides[0], sides[1])
        error = 2 * (b - known[1]) * UNIT - 2 * (b - known[0]) * UNIT + result.correction
        assert error == pytest.approx(0, abs=1e-9)
        assert u_of(result) == 0
    moved = apart(sides[0], scan(UNIT, 0.01, known[0] + 0.1, device="F-1", lamp="a"))
    assert moved.correction == 0  # the optics changed: both results stand
    assert moved.bias == pytest.approx(2 * UNIT * math.hypot(0.02, 0.01))


def stated(angle_deg: float) -> Known:
    """A device whose lamp is stated, over wires of 50 um; its edge bias is known."""
    lit = Illumination.stated(angle_deg, 0.0)
    glow, u = lit.glow[0] * WIRE, lit.u_factor(0, 0.0, 0.0) * WIRE
    return scan(
        UNIT, 1e-6, light=(u, u), surface=(glow / math.sqrt(3),) * 2, glow_taken=(glow, glow),
        device=f"lamp {angle_deg}", scale=f"lamp {angle_deg}",
    )  # fmt: skip


def test_two_stated_lamps_light_the_same_wires() -> None:
    """Lamps of 5° and 10° (known to a tenth) on wires anywhere from matt to mirror."""
    rng = np.random.default_rng(3)
    sides = stated(5), stated(10)
    result = apart(*sides)
    assert u_of(result) < 0.15
    surface = rng.uniform(0, 2, DRAWS)  # of half the bound, which is corrected
    error = np.zeros(DRAWS)
    for sign, known, angle in zip((-1, 1), sides, (5, 10), strict=True):
        true = angle * (1 + rng.normal(0, 0.1, DRAWS))
        error += sign * known.glow_taken[0] * (surface * (true / angle) ** 2 - 1)
    assert 0.90 <= (np.abs(error) <= u_of(result)).mean() <= 0.999
    same = stated(10)
    assert u_of(apart(same, replace(same, scale="of another device", device="F-2"))) < 0.15


def test_a_lamp_measured_twice_by_reference_cloths_is_one_lamp() -> None:
    lamps = [
        scan(
            light=(0.1, 0.1), glow_taken=(glow, glow), by_cloth=True, device="F-1", lamp=f"{glow}",
            scale=f"{glow}",
        )
        for glow in (0.30, 0.42, 0.80)
    ]  # fmt: skip
    one = apart(lamps[0], lamps[1])
    assert one.light == 0
    assert one.correction == pytest.approx(0.12)
    other = apart(lamps[0], lamps[2])
    assert other.light == pytest.approx(0.1 * math.sqrt(2))
    assert other.correction == 0
    elsewhere = apart(lamps[0], replace(lamps[1], device="F-2"))
    assert elsewhere.light == pytest.approx(0.1 * math.sqrt(2))


def test_one_lamp_is_known_less_well_for_another_turn_or_blur() -> None:
    """By hand: corrections 0.30 and 0.33 um apart by the turn, a rectangle of that half-width."""
    scans = [
        scan(light=(0.1, 0.1), glow_taken=(glow, glow), by_cloth=True, device="F-1", lamp="a")
        for glow in (0.30, 0.33)
    ]
    for before in (scans[0], replace(scans[0], scale="made anew")):
        result = apart(before, scans[1])
        assert result.light == pytest.approx(0.03 / math.sqrt(3))
        assert (result.before, result.after, result.correction) == (0, 0, 0)


def test_a_quarter_turned_scan_has_the_other_axis_of_its_device() -> None:
    here = scan(device="F-1", lamp="a")
    assert apart(here, here) == UnsharedErrors()
    assert apart(here, here.exchanged()).bias > 0  # x was y of the picture
    assert here.exchanged().exchanged() == here
    assert (
        not_shared(here, here.exchanged(), (0, 1), 1.0) == UnsharedErrors()
    )  # and lay a quarter turned


def aligned(before: ClothMap, after: ClothMap) -> Alignment:
    result = compare_maps(before, after).aligned
    assert result is not None
    return result


def test_a_reference_cloth_takes_off_what_two_devices_differ_by() -> None:
    """Unknown biases and lamps of two devices: U below 0.15 um all the same, and it holds."""
    inside = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        shift = rng.uniform(-0.5, 0.8, (2, 2, 1, 1))  # um of both devices in x and y
        cloths = woven(rng, (32, 34), Loom()), woven(rng, (32, 34), Loom())
        known = [scan(unit, light=(0.4, 0.4), edge=(0.02, 0.02)) for unit in (5.29, 4.23)]
        maps = [
            [seen(cloth, rng, wear=shift[i] + worn * i, known=known[i]) for i in (0, 1)]
            for cloth, worn in zip(cloths, (0.0, 0.3), strict=True)
        ]
        offset = offset_of(aligned(*maps[0]))
        pair = aligned(*maps[1])
        assert changes_of(pair).directions[0].U_um > 1
        for direction in changes_of(pair, offset).directions:
            assert direction.U_um < 0.15
            assert direction.remedy == ""
            inside.append(abs(direction.mean_um - 0.3) <= direction.U_um)
    assert 0.90 <= np.mean(inside) <= 1


def test_the_remedy_is_named_where_devices_make_most_of_u() -> None:
    rng = np.random.default_rng(9)
    cloth = woven(rng, (20, 22), Loom())
    before = seen(cloth, rng, known=scan())
    for unit, named in ((UNIT, False), (5.31, True)):
        after = seen(TURNS[0].of_pair(cloth), rng, known=scan(unit))
        result = compare_maps(before, after)
        assert result.changes is not None
        change = result.changes.directions[0]
        assert bool(change.remedy) is named
        lines = {line["name"]: line for line in change.to_dict()["budget"]}
        assert ("edge bias" in lines) is named
        if named:
            assert "unworn cloth on both devices" in lines["edge bias"]["remedy"]


def test_a_kept_map_tells_its_device_and_an_older_one_none() -> None:
    rng = np.random.default_rng(4)
    known = scan(device="F-1, 4800 dpi", lamp="a", by_cloth=True, surface=(0.1, 0.2))
    content = to_bytes(seen(woven(rng, (12, 12)), rng, known=known))
    assert from_bytes(content).known == known
    header, rest = content.split(b"\n", 1)
    fields = json.loads(header)
    for name in ("surface", "bias_taken", "glow_taken", "device", "lamp", "by_cloth"):
        del fields["known"][name]
    older = from_bytes(json.dumps(fields).encode() + b"\n" + rest).known
    assert (older.device, older.surface, older.bias) == ("", (0.0, 0.0), known.bias)
