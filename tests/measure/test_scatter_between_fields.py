"""U of the mean holds for the cloth, not only for the places of it that were measured."""

from __future__ import annotations

import math

import numpy as np
import pytest

from field_coverage import NOMINAL, OF_GAPS, covered
from sieve_inspect.scale import exact_scale
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.summary.fields import FieldScatter, ScatterSource, default_scatter
from sieve_inspect.summary.fields import scatter_between as between
from sieve_inspect.summary.statistics import Sample, gap_means, summarise
from sieve_inspect.summary.uncertainty import Contribution

SURE = exact_scale(1.0, 1.0)


def sample(widths: np.ndarray) -> Sample:
    """A field with one opening to a gap."""
    count = len(widths)
    return Sample(
        width=widths,
        noise=np.zeros(count),
        wires=np.full((count, 2), 50.0),
        pitch=np.full(count, 125.0),
        gap=np.arange(count),
        ok=np.ones(count, np.bool_),
        um_per_px=np.full(count, 1e-3),  # so that the edge model adds nothing
        u_response=0.0,
    )


def summary_of(fields: list[np.ndarray]) -> tuple[DirectionSummary, list[Contribution]]:
    samples = [sample(widths) for widths in fields]
    return summarise(samples, SURE, 0, None, between(gap_means(samples)))


@pytest.mark.parametrize("fields", [3, 5, 10])
@pytest.mark.parametrize("apart", [0.0, 0.3, 0.7, 1.5])
@pytest.mark.parametrize("gaps", [40, 400])
def test_u_covers_the_mean_of_the_cloth(fields: int, apart: float, gaps: int) -> None:
    """95.45 % is stated; 400 cloths tell it to 1 %. Without the scatter it is 20 % at worst."""
    seed = [fields, round(10 * apart), gaps]
    assert 0.90 <= covered(fields, apart, gaps, cloths=400, seed=seed) <= 0.99


def test_fields_that_contradict_each_other_widen_u() -> None:
    """Means 73.87, 75.06, 76.57 um: t(2) of 95.45 % is 4.53, times s / √3 is 3.5 um."""
    rng = np.random.default_rng(7)
    fields = []
    for mean in (73.87, 75.06, 76.57):
        widths = rng.normal(0, OF_GAPS, 60)
        fields.append(widths - widths.mean() + mean)
    summary, budget = summary_of(fields)
    assert pytest.approx(3.54, abs=0.02) == summary.U_mean_um
    assert summary.dof_mean == pytest.approx(2, rel=1e-3)
    (line,) = (c for c in budget if c.name == "between fields (fields)")
    assert line.dof == 2


def test_fields_of_unequal_size_count_by_their_share() -> None:
    """One large field among two small: its own place dominates, u is nearly the whole scatter."""
    rng = np.random.default_rng(8)
    ratios = []
    for _ in range(300):
        places = rng.normal(NOMINAL, 1.0, 3)
        each = [rng.normal(p, 0.1, n) for p, n in zip(places, (900, 50, 50), strict=True)]
        summary, _ = summary_of(each)
        ratios.append(abs(summary.mean_um - NOMINAL) <= summary.U_mean_um)
    assert 0.90 <= np.mean(ratios) <= 0.99


def test_a_single_field_has_the_stated_default() -> None:
    widths = np.random.default_rng(9).normal(NOMINAL, OF_GAPS, 60)
    summary, budget = summary_of([widths])
    (line,) = (c for c in budget if c.name == "between fields (default)")
    # A quarter of Y at the mean: w^0.98 / 27 + 1.6 is 4.15 um at 75 um
    default = (summary.mean_um**0.98 / 27 + 1.6) / 4
    assert line.value_um == pytest.approx(default)
    assert default == pytest.approx(1.037, abs=0.005)
    assert line.dof == 8
    of_gaps = widths.std(ddof=1) / math.sqrt(60)
    assert summary.u_mean_um == pytest.approx(math.hypot(default, of_gaps), abs=0.002)


def test_a_large_field_learns_its_scatter_from_blocks() -> None:
    """400 gaps in ten blocks of 40, each shifted as the places of a cloth are."""
    rng = np.random.default_rng(10)
    shifts = rng.normal(0, 0.8, 10)
    widths = np.repeat(shifts, 40) + rng.normal(NOMINAL, 1.0, 400)
    _, budget = summary_of([widths])
    (line,) = (c for c in budget if c.name.startswith("between"))
    assert line.name == "between fields (blocks)"
    expected = widths.reshape(10, 40).mean(axis=1).std(ddof=1)
    assert line.value_um == pytest.approx(expected)
    assert line.dof == 9


def test_earlier_checks_narrow_u_unless_this_one_scatters_more() -> None:
    known = FieldScatter(0.5, 10)
    rng = np.random.default_rng(11)
    alike = gap_means([sample(rng.normal(NOMINAL + d, 0.1, 50)) for d in (-0.5, 0.0, 0.5)])
    pooled = between(alike, known)
    assert (pooled.dof, pooled.source) == (12, ScatterSource.FIELDS)
    apart = gap_means([sample(rng.normal(NOMINAL + d, 0.1, 50)) for d in (-3.0, 0.0, 3.0)])
    assert between(apart, known).dof == 2
    assert between(alike[:1], known) == known
    assert between(alike[:2]).dof == 1 + default_scatter(NOMINAL).dof


def test_cloth_measured_whole_has_no_scatter_left() -> None:
    widths = np.random.default_rng(12).normal(NOMINAL, OF_GAPS, 60)
    samples = [sample(widths)]
    scatter = between(gap_means(samples))
    _, budget = summarise(samples, SURE, 0, 60, scatter)
    assert [c.value_um for c in budget if c.name.startswith("between")] == [0.0]
