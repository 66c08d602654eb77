"""Cloth is recognised at any shift and turn, and never taken for another: simulated maps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import pearsonr

from made_cloth import LOOMS, SAME_SEASONS, STRAIGHT, Loom, seen, woven
from sieve_inspect.identity.cloth_map import TURNS, Turn
from sieve_inspect.identity.comparison import P_SAME, Match, compare_maps, recognise
from sieve_inspect.identity.fingerprint import Fingerprint, Plane
from sieve_inspect.identity.significance import effective_pairs, tail


def matched(first: np.ndarray, second: np.ndarray, rng: np.random.Generator) -> Match:
    return recognise(Fingerprint.of(seen(first, rng)), Fingerprint.of(seen(second, rng)))


@pytest.mark.parametrize("turn", TURNS)
def test_shift_and_turn_are_found(turn: Turn) -> None:
    rng = np.random.default_rng(1)
    cloth = woven(rng, (60, 70), Loom())
    first, second = seen(cloth[:, :40, :45], rng), seen(cloth[:, 12:60, 20:70], rng)
    second = replace(
        second,
        width=turn.of_pair(second.width),
        noise=turn.of_pair(second.noise),
        place=np.stack([turn.of(grid) for grid in second.place]),
        state=turn.of(second.state),
    )
    result = compare_maps(first, second)
    assert result.same_cloth
    assert result.p_false_match < P_SAME
    aligned = result.aligned
    assert aligned is not None
    assert aligned.overlap.place.turn.mirrored == turn.mirrored
    common = aligned.of_before(np.ones(first.shape)).shape
    assert common == (28, 25)  # rows 12 to 40, columns 20 to 45
    row, column = aligned.numbers_after
    laid = turn.of(np.arange(48 * 50).reshape(48, 50))
    assert laid[row[0, 0], column[0, 0]] == 0  # the first opening after, wherever it went
    assert abs(aligned.stretch[0]) < 1e-4
    assert abs(aligned.stretch[1]) < 1e-4


@pytest.mark.parametrize("name", LOOMS | SAME_SEASONS)
def test_different_cloths_are_never_called_the_same(name: str) -> None:
    """A small part of `benchmarks/identity_table.py false`, sisters of one roll among them."""
    rng, loom = np.random.default_rng(2), (LOOMS | SAME_SEASONS)[name]
    for number in range(12):
        first = woven(rng, (30, 30), loom)
        sister = first[0].mean(axis=0) if number % 2 else None
        second = woven(rng, (30, 30), loom, sister)
        match = matched(first, second, rng)
        assert match.same is None
        assert match.p_false > P_SAME * 1000


def test_a_swapped_half_is_not_hidden_by_the_other() -> None:
    """Cloth of one roll shares its warp: only the weft tells it apart."""
    rng = np.random.default_rng(3)
    first = woven(rng, (40, 40))
    match = matched(first, woven(rng, (40, 40), STRAIGHT, first[0, 0]), rng)
    assert match.same is None


def test_too_few_common_openings_are_said() -> None:
    rng = np.random.default_rng(4)
    cloth = woven(rng, (40, 40), Loom(drift=2.0, knuckle=1.0))
    match = matched(cloth[:, :20, :20], cloth[:, 13:33, 13:33], rng)
    assert match.same is None
    assert "only 4" in match.reason  # 7 by 7 less the unclear
    assert "60 are needed" in match.reason
    few = matched(cloth[:, :7, :7], cloth, rng)
    assert "sound apertures: 60 in common are needed" in few.reason


@pytest.mark.parametrize("name", LOOMS)
def test_some_140_common_openings_prove_it(name: str) -> None:
    """All 40 pairs of each loom in `benchmarks/identity_table.py false`."""
    rng = np.random.default_rng(12)
    for _ in range(3):
        cloth = woven(rng, (50, 50), LOOMS[name])
        match = matched(cloth[:, :30, :30], cloth[:, 18:48, 18:48], rng)
        assert match.same
        assert match.common <= 144


def test_no_common_part_is_not_guessed() -> None:
    rng = np.random.default_rng(5)
    cloth = woven(rng, (40, 90), Loom())
    match = matched(cloth[:, :, :40], cloth[:, :, 50:], rng)
    assert match.same is None
    assert match.reason.startswith("No common part found")


def test_an_entire_cloth_without_the_field_is_another() -> None:
    rng = np.random.default_rng(6)
    entire = Fingerprint.of(seen(woven(rng, (80, 80), Loom()), rng))
    field = Fingerprint.of(seen(woven(rng, (30, 30), Loom()), rng))
    assert recognise(entire, field, first_whole=True).same is False
    assert recognise(entire, field).same is None


def test_regular_cloth_is_said_to_be_regular() -> None:
    rng = np.random.default_rng(7)
    even = woven(rng, (30, 30), replace(STRAIGHT, sd=0.02))
    match = matched(even, even, rng)
    assert match.same is None
    assert "nothing distinguishes it" in match.reason


def test_large_maps_are_matched_by_tiles() -> None:
    rng = np.random.default_rng(8)
    cloth = woven(rng, (560, 560))
    torn = np.array(cloth[:, 20:540, 10:530])
    first, second = seen(cloth[:, :520, :515], rng), seen(TURNS[3].of_pair(torn), rng)
    damaged = np.array(second.width)
    damaged[:, 150:370, 150:370] = np.nan  # the first tile lies there
    result = recognise(Fingerprint.of(first), Fingerprint.of(replace(second, width=damaged)))
    assert result.same
    assert result.overlap is not None
    assert [part.start for part in result.overlap.first] == [20, 10]


def test_straight_wires_count_once() -> None:
    """One number a wire: n_eff is that of the wires, whatever the openings along them."""
    rng = np.random.default_rng(9)
    first, second = (Fingerprint.of(seen(woven(rng, (40, 60)), rng)) for _ in range(2))
    x = effective_pairs(first.likeness[0], second.likeness[0], (40, 60), 2300)
    y = effective_pairs(first.likeness[1], second.likeness[1], (40, 60), 2300)
    assert 35 < x <= 65
    assert 23 < y <= 45


def test_means_of_straight_wires_agree_beyond_the_noise() -> None:
    """Noise of 0.07 um in openings of s 2.2 um: r = 1/(1 + 0.07²/2.2²) = 0.9990; of 20 averaged,
    noise and with it 1 − r is a twentieth.
    """
    rng = np.random.default_rng(13)
    cloth = woven(rng, (20, 20))
    agreement = matched(cloth, cloth, rng).agreement
    assert agreement is not None
    for axis in (0, 1):
        assert 1 - agreement.r[axis] == pytest.approx(1e-3, rel=0.5)
        assert 1 - agreement.r_wires[axis] == pytest.approx(5e-5, rel=0.8)
        assert 12 < agreement.n_wires[axis] <= 20


def test_a_sample_of_many_openings_is_in_step_with_no_column() -> None:
    """A plane and odd gaps 3 um wider are taken from 90,000 widths by 40,000 of them."""
    shape = (300, 300)
    y, x = np.indices(shape)
    width = 75 + 0.01 * x - 0.02 * y + 3.0 * (x % 2)
    noise = np.random.default_rng(14).normal(0, 0.5, shape)
    known = np.ones(shape, np.bool_)
    rest = Plane.over(known, 0).taken_from((width + noise).ravel())
    assert rest.reshape(shape) == pytest.approx(noise, abs=0.03)  # 0.5 um / √40,000, four terms


def test_the_tail_is_that_of_a_correlation() -> None:
    rng = np.random.default_rng(10)
    a, b = rng.normal(size=12), rng.normal(size=12)
    test = pearsonr(a, b, alternative="greater")  # SciPy's, for 12 independent pairs
    r = float(test.statistic)
    expected = float(test.pvalue)
    assert tail(abs(r), 12) == pytest.approx(min(expected, 1 - expected), rel=1e-6)
    assert tail(-0.5, 12) == 1.0
    assert tail(0.9, 2.2) == 1.0
