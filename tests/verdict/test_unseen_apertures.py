"""What a partial scan says of the rest of a cloth, compared with cloth drawn whole."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sieve_inspect.standard import limits
from sieve_inspect.verdict.rules import Rule
from sieve_inspect.verdict.sentences import Writer, unseen_sentence
from sieve_inspect.verdict.unseen import share_above, unseen

WRITER = Writer(limits(75.0), Rule("simple"))
LIMIT = limits(75.0).max_um


def _excesses(gaps: int, mean: float) -> tuple[np.ndarray, np.ndarray]:
    """1000 widths of which 50, one in each of so many gaps in turn, lie exponentially above 80."""
    above = -mean * np.log((np.arange(50) + 0.5) / 50)
    width = np.concatenate([np.full(950, 80.0), 80.0 + above])
    return width, np.concatenate([np.arange(950) % 40, 100 + np.arange(50) % gaps])


def test_the_share_beyond_the_widths_measured_is_that_of_a_pareto_tail() -> None:
    """An exponential averaged over its unknown mean (Gamma posterior) is Lomax: by hand."""
    width, gap = _excesses(gaps=20, mean=2.0)
    excess = width[width > 80].mean() - 80
    expected = 0.05 * (1 + 10 / (20 * excess)) ** -20
    assert share_above(width, gap, 90.0) == pytest.approx(expected, rel=0.05)


def test_few_gaps_know_less_than_many() -> None:
    shares = [share_above(*_excesses(gaps, 2.0), 100.0) for gaps in (6, 20, 50)]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > 20 * shares[-1]
    assert math.isnan(share_above(*_excesses(3, 2.0), 100.0))
    assert share_above(*_excesses(20, 2.0), 79.0) == 1.0


def test_the_probability_of_the_entire_cloth() -> None:
    """(1 − 2e-6)^99,000 in x times as much in y: exp(−0.396)."""
    told = unseen([2e-6, 2e-6], LIMIT, 1_000, 100_000, 4)
    assert told.p_none_above == pytest.approx(math.exp(-0.396), rel=1e-4)
    assert told.fields is None  # 87,000 more apertures: that is the cloth
    # ln 0.95 / 4e-7 leaves 128,233 unseen: 11,767 more, 47 fields of 250
    more = unseen([2e-7, 2e-7], LIMIT, 1_000, 141_000, 4)
    assert more.fields == math.ceil((140_000 - math.log(0.95) / (2 * math.log1p(-2e-7))) / 250)
    assert more.fields == 48
    settled = unseen([1e-9, 1e-9], LIMIT, 1_000, 100_000, 4)
    assert settled.fields == 0
    assert unseen([0.5, 0.5], LIMIT, 100, 100, 1).p_none_above == 1.0


@pytest.mark.parametrize(
    ("shares", "words"),
    [
        ([1e-9, 1e-9], "over 99.9 % none of the other apertures of the cloth, about 100,000"),
        ([2e-6, 2e-6], "only the entire cloth in one scan settles it"),
        ([math.nan, 1e-9], "so few apertures say nothing"),
    ],
)
def test_the_sentence(shares: list[float], words: str) -> None:
    assert words in unseen_sentence(unseen(shares, LIMIT, 1_000, 100_000, 4), WRITER)


@pytest.mark.parametrize(("spread", "displaced"), [(4.0, 0.0), (6.5, 0.0), (4.0, 0.02)])
def test_cloth_drawn_whole_agrees(spread: float, displaced: float) -> None:
    """Sieves of 300 gaps of 100, each scanned by a fifth: P is not above the share without one."""
    rng = np.random.default_rng(8)
    probabilities, without = [], []
    for _ in range(40):
        gaps = rng.normal(75, 0.6 * spread, 300)
        gaps[rng.uniform(size=300) < displaced] += 12.0
        cloth = gaps[:, None] + rng.normal(0, 0.8 * spread, (300, 100))
        q = share_above(cloth[:60].ravel(), np.repeat(np.arange(60), 100), LIMIT)
        probabilities.append(unseen([q, 0.0], LIMIT, 6_000, 30_000, 4).p_none_above or 0.0)
        without.append(float(cloth[60:].max() <= LIMIT))
    # 40 sieves know a share to 0.16 (two standard deviations of a binomial half).
    assert np.mean(probabilities) <= np.mean(without) + 0.16
    if np.mean(without) == 1.0:  # and a safe cloth is not called unsafe
        assert np.mean(probabilities) > 0.9
