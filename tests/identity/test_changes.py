"""Changes told apart on simulated maps of known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from made_cloth import KNOWN, Loom, seen, woven
from sieve_inspect.apertures.flags import State
from sieve_inspect.identity.change import Changes, Kind
from sieve_inspect.identity.cloth_map import STATES, ClothMap, Known
from sieve_inspect.identity.comparison import compare_maps

SHAPE = (32, 34)
EXACT = Known((0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (1e-3, 1e-3), (5e-9, 5e-9), "exact")


def cloth_and_scan(seed: int) -> tuple[np.ndarray, ClothMap, np.random.Generator]:
    rng = np.random.default_rng(seed)
    cloth = woven(rng, SHAPE, Loom())
    return cloth, seen(cloth, rng, known=EXACT), rng


def changes(before: ClothMap, after: ClothMap) -> Changes:
    result = compare_maps(before, after)
    assert result.same_cloth
    assert result.changes is not None
    return result.changes


def test_wear_is_measured_and_a_drifted_scale_is_none() -> None:
    cloth, before, rng = cloth_and_scan(1)
    found = changes(before, seen(cloth, rng, wear=0.3, factor=1.01))
    for direction in found.directions:
        assert direction.mean_um == pytest.approx(0.3, abs=direction.U_um)
        assert direction.U_um < 0.15
        assert direction.stretch == pytest.approx(0.01, abs=1e-4)
    assert found.kinds == (Kind.WEAR, Kind.STRETCH)
    assert not found.changed


def test_u_of_the_mean_holds_on_simulated_noise() -> None:
    """Only noise: the truth lies within U in 90 to 99 % of directions."""
    inside = []
    for seed in range(30):
        cloth, before, rng = cloth_and_scan(100 + seed)
        found = changes(before, seen(cloth, rng, wear=0.1, known=EXACT))
        inside += [abs(d.mean_um - 0.1) <= d.U_um for d in found.directions]
        assert not found.changed  # 30 comparisons at 1 in 1,000
    assert 0.90 <= np.mean(inside) <= 0.999


def test_noise_raises_no_alarm() -> None:
    """The limit lies where one comparison of 2,000 widths in 1,000 raises an alarm."""
    cloth, before, rng = cloth_and_scan(2)
    alarms = sum(bool(changes(before, seen(cloth, rng)).changed) for _ in range(30))
    assert alarms == 0


def test_a_displaced_wire_is_two_neighbours_the_opposite_way() -> None:
    cloth, before, rng = cloth_and_scan(3)
    moved = np.array(cloth)
    moved[0, 10:14, 20] += 1.5
    moved[0, 10:14, 21] -= 1.5
    after = seen(moved, rng, missing=0.0)
    found = [entry for entry in changes(before, after).changed if entry.direction == "x"]
    places = {(entry.row, entry.column) for entry in found}
    assert places <= {(row, column) for row in range(10, 14) for column in (20, 21)}
    assert len(places) >= 6  # those not unclear before
    assert {entry.kind for entry in found} <= {Kind.DISPLACED, Kind.WIDENED, Kind.NARROWED}
    assert sum(entry.kind == Kind.DISPLACED for entry in found) >= 4
    first = max(found, key=lambda entry: entry.change_um or 0)
    assert first.change_um == pytest.approx(1.5, abs=0.4)


def test_states_newly_torn_blocked_and_cleaned() -> None:
    cloth, _, rng = cloth_and_scan(4)
    before, after = (seen(cloth, rng, missing=0.0) for _ in range(2))
    was, now = np.array(before.state), np.array(after.state)
    was[3, 4] = STATES.index(State.BLOCKED)
    now[5, 6] = STATES.index(State.TORN)
    now[7, 8] = STATES.index(State.BLOCKED)
    now[9, 9] = STATES.index(State.PARTIAL)
    found = changes(replace(before, state=was), replace(after, state=now)).changed
    assert [(entry.row, entry.column, entry.kind) for entry in found] == [
        (3, 4, Kind.CLEANED),
        (5, 6, Kind.TORN),
        (7, 8, Kind.BLOCKED),
    ]
    assert all(entry.change_um is None for entry in found)


def test_another_device_leaves_edge_bias_and_light_in_u() -> None:
    cloth, before, rng = cloth_and_scan(5)
    here = replace(KNOWN, bias=(0.1, 0.1), light=(0.4, 0.4))
    there = replace(here, scale="another device")
    same = changes(replace(before, known=here), seen(cloth, rng, known=here)).directions[0]
    other = changes(replace(before, known=here), seen(cloth, rng, known=there)).directions[0]
    assert same.U_um < 0.1
    assert other.U_um == pytest.approx(2 * np.hypot(0.4, 0.1) * np.sqrt(2), rel=0.05)
