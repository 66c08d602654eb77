"""The arithmetic of budgets on the guide's own example, and on plain statistics."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
import scipy.stats

from sieve_inspect.scale import exact_scale
from sieve_inspect.summary.statistics import Sample, summarise
from sieve_inspect.summary.uncertainty import Contribution, combine, effective_dof, expanded

# JCGM 100:2008, example H.1 (end gauge), contributions in nm with their degrees of freedom, from
# memory: standard 25 (18); repeated observations 5.8 (24), random effects of the comparator
# 3.9 (5), its systematic effects 6.7 (8); difference of expansion coefficients 2.9 (50);
# difference of temperatures 16.6 (2). The guide gives u_c = 32 nm and ν_eff = 16 (17.5 before
# the observations are split into their parts, where it rounds down as here).
H1 = [
    Contribution("standard", "x", 25.0, 18),
    Contribution("observations", "x", 5.8, 24),
    Contribution("comparator, random", "x", 3.9, 5),
    Contribution("comparator, systematic", "x", 6.7, 8),
    Contribution("expansion", "x", 2.9, 50),
    Contribution("temperature", "x", 16.6, 2),
]


def test_the_end_gauge_of_the_guide() -> None:
    assert combine(H1) == pytest.approx(32, abs=0.5)
    assert math.floor(effective_dof(H1)) == 16


def test_the_coverage_factor_of_the_end_gauge() -> None:
    """H.1.6: t of 99 % at 16 degrees of freedom is 2.92, U = 93 nm."""
    t = scipy.stats.t.ppf(0.995, math.floor(effective_dof(H1)))
    assert t == pytest.approx(2.92, abs=0.005)
    assert t * combine(H1) == pytest.approx(93, abs=1)


@pytest.mark.parametrize(
    ("dof", "k"), [(1, 13.97), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05), (math.inf, 2.00)]
)
def test_the_coverage_factor_for_few_degrees_of_freedom(dof: float, k: float) -> None:
    """JCGM 100:2008, table G.2, column 95.45 %, from memory."""
    result = expanded([Contribution("a", "x", 3.0, dof)])
    assert result.k == pytest.approx(k, abs=0.005)
    assert result.value_um == pytest.approx(3.0 * result.k)


def test_an_assumed_line_never_makes_u_smaller() -> None:
    """JCGM 100:2008, table G.2: k = 4.53 at 2 degrees; a further line would lower it."""
    known = Contribution("between fields", "x", 1.0, 2)
    before = expanded([known])
    assert before.value_um == pytest.approx(4.53, abs=0.005)
    for u in (0.1, 1.0, 1.5, 4.0):
        assumed = Contribution("stand-off (assumed)", "x", u, basis="common practice")
        after = expanded([known, assumed])
        assert after.u_um == pytest.approx(math.hypot(1.0, u))
        assert after.value_um >= before.value_um
        assert after.k == expanded([Contribution("a", "x", 1.0, after.dof)]).k
    assert after.value_um < 1.1 * 2 * after.u_um  # k is near 2 again where the assumption is large


def test_lines_known_for_sure_limit_nothing() -> None:
    assert effective_dof([Contribution("a", "x", 3.0), Contribution("b", "x", 4.0)]) == math.inf
    assert combine([Contribution("a", "x", 3.0), Contribution("b", "x", 4.0)]) == 5.0
    one = [Contribution("a", "x", 0.0), Contribution("b", "x", 4.0, 7)]
    assert effective_dof(one) == pytest.approx(7)


def _sample(
    width: npt.NDArray[np.float64],
    noise: float,
    gap: npt.NDArray[np.int_] | None = None,
    ok: npt.NDArray[np.bool_] | None = None,
) -> Sample:
    count = len(width)
    return Sample(
        width=np.asarray(width, float),
        noise=np.full(count, noise),
        wires=np.full((count, 2), 6.0),
        pitch=np.full(count, 16.0),
        gap=np.arange(count) if gap is None else gap,
        ok=np.ones(count, bool) if ok is None else ok,
        um_per_px=np.ones(count),
        u_response=0.0,
    )


SURE = exact_scale(1.0, 1.0)


def test_noise_comes_off_the_spread() -> None:
    """Independent noise adds its variance to that of the cloth."""
    rng = np.random.default_rng(1)
    true = rng.normal(100, 2.0, 20_000)
    seen = true + rng.normal(0, 1.5, true.size)
    summary, _ = summarise([_sample(seen, 1.5)], SURE, 0)
    assert summary.sd_um == pytest.approx(true.std(ddof=1), rel=0.01)
    assert summary.mean_um == pytest.approx(seen.mean())


def test_the_sampling_of_independent_gaps_is_the_textbooks() -> None:
    """One opening per gap: the standard error of the mean, s/√n."""
    width = np.random.default_rng(2).normal(100, 2.0, 60)
    _, budget = summarise([_sample(width, 0.0)], SURE, 0)
    sampling = next(c for c in budget if c.name == "sampling")
    assert sampling.value_um == pytest.approx(scipy.stats.sem(width), rel=1e-9)
    assert sampling.dof == 59


@pytest.mark.parametrize(("population", "left"), [(60, 0.0), (80, 0.5), (60_000, 0.9995)])
def test_what_was_all_seen_needs_no_sampling(population: int, left: float) -> None:
    """The finite population's factor sqrt(1 - n/N) for the mean and for s."""
    width = np.random.default_rng(2).normal(100, 2.0, 60)
    open_ended, budget = summarise([_sample(width, 0.0)], SURE, 0)
    summary, closed = summarise([_sample(width, 0.0)], SURE, 0, population)
    before, after = (
        {c.name: c.value_um for c in lines if c.name.startswith("sampling")}
        for lines in (budget, closed)
    )
    for name, value in before.items():
        assert after[name] == pytest.approx(left * value, abs=1e-12, rel=1e-4)
    assert summary.population == population
    assert summary.u_mean_um <= open_ended.u_mean_um
    assert summary.mean_um == open_ended.mean_um


def test_a_mean_over_many_of_a_finite_cloth() -> None:
    """Drawn again and again from one cloth, means scatter as the factor says."""
    rng = np.random.default_rng(5)
    cloth = rng.normal(100, 2.0, 100)
    means, stated = [], []
    for _ in range(400):
        part = rng.choice(cloth, 80, replace=False)
        summary, _ = summarise([_sample(part, 0.0)], SURE, 0, 100)
        means.append(summary.mean_um)
        stated.append(summary.u_mean_um)
    edges = 0.02 / math.sqrt(3)  # the edge model's line at 1 um per px
    expected = np.sqrt(np.mean(np.square(stated)) - edges**2)
    assert np.std(means) == pytest.approx(expected, rel=0.12)


def test_openings_of_one_gap_are_one_sample() -> None:
    """Fifty openings between the same wires tell of that gap, not of fifty."""
    rng = np.random.default_rng(3)
    gap = np.repeat(np.arange(40), 50)
    width = rng.normal(100, 2.0, 40)[gap] + rng.normal(0, 0.1, gap.size)
    _, budget = summarise([_sample(width, 0.1, gap)], SURE, 0)
    sampling = next(c for c in budget if c.name == "sampling")
    means = [width[gap == g].mean() for g in range(40)]
    assert sampling.value_um == pytest.approx(scipy.stats.sem(means), rel=1e-9)


def test_the_largest_owes_part_of_itself_to_noise() -> None:
    """Over many cloths the stated maximum lies nearer the true one than the largest reading."""
    rng = np.random.default_rng(4)
    stated, raw = [], []
    for _ in range(300):
        true = rng.normal(100, 1.0, 400)
        seen = true + rng.normal(0, 0.5, 400)
        summary, _ = summarise([_sample(seen, 0.5)], SURE, 0)
        stated.append(summary.max_um - true.max())
        raw.append(seen.max() - true.max())
    assert abs(np.mean(stated)) < abs(np.mean(raw))
    # stated as its own uncertainty: the noise of that one opening
    assert abs(np.mean(stated)) < 0.5
    assert np.mean(np.abs(stated) < 2 * 0.5) > 0.9


def test_a_real_oversize_aperture_keeps_its_size() -> None:
    """One aperture 26 um too wide among 100,000 (s 2 um, noise 1 um): the error is its noise alone.

    Taking the noise of the crowd off it made it 1.7 to 2.15 um too small at u = 1.0 um.
    """
    rng = np.random.default_rng(6)
    errors = []
    for _ in range(30):
        true = rng.normal(75, 2.0, 100_000)
        true[0] = 75 + 26
        seen = true + rng.normal(0, 1.0, true.size)
        summary, _ = summarise([_sample(seen, 1.0)], SURE, 0)
        errors.append(summary.max_um - 101)
    assert abs(np.mean(errors)) < 3 / math.sqrt(30)
    assert np.mean(np.abs(errors) < 2 * 1.0) > 0.85


def test_what_is_not_believed_counts_nowhere() -> None:
    width = np.array([100.0, 101.0, 99.0, 500.0])
    ok = np.array([True, True, True, False])
    summary, _ = summarise([_sample(width, 0.0, ok=ok)], SURE, 0)
    assert summary.count == 3
    assert summary.max_um == pytest.approx(101)
    assert summary.mean_um == pytest.approx(100)
