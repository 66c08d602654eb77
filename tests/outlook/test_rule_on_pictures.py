"""The rule, coarser limits and a study reach the verdict of a real measurement of rendered scans.

The demo's 2 mm scan is the smallest; its truth plays no part here.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from program import Program
from sieve_inspect.measurement.options import Judging, Prior
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale import Scale, load_scale
from sieve_inspect.standard.formula import k_factor
from sieve_inspect.summary.uncertainty import Contribution

IMAGES = Path(__file__).parents[2] / "demo_images"


@pytest.fixture(scope="module")
def scan() -> tuple[list[Path], Scale]:
    image = min(IMAGES.glob("s2000-*"), default=None)
    if image is None:
        pytest.skip("the demo's scans are not in this tree")
    return [image], load_scale(IMAGES / "scanner-600dpi.json")


def test_rule_count_and_study_reach_the_verdict(scan: tuple[list[Path], Scale]) -> None:
    images, scale = scan
    plain = measure(images, nominal_um=2000.0, scale=scale, judging=Judging("iso3310-1:2000"))
    study = [Contribution("reproducibility", d, 5.0, 8) for d in "xy"]
    narrow = Judging("iso3310-1:2000", rule="guard-band:0.5")
    wider = measure(images, nominal_um=2000.0, scale=scale, judging=narrow, prior=Prior(study))
    for before, after in zip(plain.directions, wider.directions, strict=True):
        assert after.mean_um == before.mean_um
        assert after.u_mean_um == pytest.approx((before.u_mean_um**2 + 5.0**2) ** 0.5)
    assert wider.verdict.rule == "guard-band:0.5"
    assert [line.name for line in wider.budget].count("reproducibility") == 2
    # K s ≤ σ0 = 105 um, K for as many apertures as the scan shows.
    n = min(d.count for d in plain.directions)
    (limit,) = {
        row.limit_high_um for row in plain.verdict.margins if row.name == "standard deviation"
    }
    assert limit == pytest.approx(105 / float(k_factor(n)), abs=0.01)


def test_the_rule_is_named_before_measuring_on_the_command_line_too(
    scan: tuple[list[Path], Scale], run: Program
) -> None:
    (image,), _ = scan
    typed = (
        *("measure", str(image), "--nominal", "2mm"),
        *("--scale", str(IMAGES / "scanner-600dpi.json")),
    )
    judged = run(*typed, "--standard", "iso3310-1:2016", "--rule", "probability:0.9")
    assert "decision rule probability:0.9:" in judged.out
    assert run(*typed, "--rule", "simple").code == 2
    assert run(*typed, "--standard", "iso3310-1:2016", "--rule", "lenient").code == 2
