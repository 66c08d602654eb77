"""One expanded uncertainty for each value: the same in the summary, the verdict and the table."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
import scipy.stats

from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.options import Judging
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale import load_scale
from sieve_inspect.standard import limits
from sieve_inspect.verdict import judge
from sieve_registry.cli.commands.measure import print_measurement
from sound_direction import SOUND

IMAGES = Path(__file__).parents[2] / "demo_images"


@pytest.fixture(scope="module")
def coarse() -> Measurement:
    """One small field of a coarse cloth: few gaps, so that k is well above 2."""
    return measure(
        IMAGES / "s0500-4a.png",
        nominal_um=500.0,
        scale=load_scale(IMAGES / "scanner-1200dpi.json"),
        judging=Judging("iso3310-1:2016"),
    )


def test_the_verdict_uses_the_uncertainty_of_the_summary(coarse: Measurement) -> None:
    assert coarse.verdict is not None
    for direction, summary in zip("xy", coarse.directions, strict=True):
        assert summary.k_mean > 2.0
        rows = {str(r.name): r for r in coarse.verdict.margins if r.direction == direction}
        mean = rows["mean"]
        assert (mean.U_um, mean.k, mean.dof) == (
            summary.U_mean_um, summary.k_mean, summary.dof_mean
        )  # fmt: skip
        largest, deviation = rows["largest aperture"], rows["standard deviation"]
        assert (largest.U_um, largest.k) == (summary.U_max_um, summary.k_max)
        assert (deviation.U_um, deviation.k) == (summary.U_sd_um, summary.k_sd)
        assert deviation.dof == summary.dof_sd
        assert deviation.dof < math.inf


def test_the_document_carries_k_and_degrees_of_freedom(coarse: Measurement) -> None:
    document = coarse.to_dict()
    mean = document["verdict"]["margins"][0]
    x = document["directions"]["x"]
    assert list(mean)[3:6] == ["U_um", "k", "dof"]
    assert mean["U_um"] == pytest.approx(x["U_mean_um"], rel=1e-8)
    assert mean["k"] == pytest.approx(x["k_mean"], rel=1e-5)
    assert mean["dof"] == pytest.approx(x["dof_mean"], rel=1e-5)


def test_the_printed_table_shows_the_same(
    coarse: Measurement, capsys: pytest.CaptureFixture[str]
) -> None:
    print_measurement(coarse)
    printed = capsys.readouterr().out.splitlines()
    (row,) = (line for line in printed if "U of the mean" in line)
    (factor,) = (line for line in printed if "coverage factor" in line)
    for direction, shown, k in zip(
        coarse.directions, row.split()[-2:], factor.split()[-2:], strict=True
    ):
        assert float(shown) == pytest.approx(direction.U_mean_um, rel=0.06)
        assert float(k) == pytest.approx(direction.k_mean, abs=0.006)


CLOTH = replace(
    SOUND,
    mean_um=75.0,
    sd_um=4.0,
    max_um=90.0,
    median_um=75.0,
    u_sd_um=0.2,
    u_max_um=0.5,
    wire_count=40,
    pitch_um=125.0,
)


def test_the_guard_band_is_wider_for_few_degrees_of_freedom() -> None:
    """78.2 um is 0.5 um inside: more than 2u = 0.4, less than k u = 0.57 at 4 dof."""
    close = replace(CLOTH, mean_um=78.2)
    k = float(scipy.stats.t.ppf(0.5 + 0.9545 / 2, 4))
    few = replace(close, k_mean=k, dof_mean=4.6)
    assert judge(CLOTH, close, limits(75), fit="ok").outcome == "pass"
    assert judge(CLOTH, few, limits(75), fit="ok").outcome == "conditional pass"


def test_the_probability_rule_uses_the_t_distribution() -> None:
    few = replace(CLOTH, mean_um=78.2, k_mean=2.87, dof_mean=4.6)
    rows = judge(CLOTH, few, limits(75), fit="ok", rule="probability:0.95").margins
    expected = scipy.stats.t.cdf(0.5 / 0.2, 4) - scipy.stats.t.cdf(-6.9 / 0.2, 4)
    assert rows[3].p_conform == pytest.approx(expected, abs=1e-9)
