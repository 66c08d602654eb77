"""Uncertainty row: how often the true mean lies within U = 2u of the measured mean.

Counted over many seeds of one small case. The scale is exact and the truth is that of the
apertures measured, so the budget's lines for scale and sampling are left out.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sieve_inspect.summary.statistics import imaging_part
from sieve_inspect.synthetic import Cloth, Optics, Sensor
from sieve_inspect.validation.accuracy import measured_case
from sieve_inspect.validation.drawing import UM_PER_PX, Case
from sieve_inspect.validation.model import Group, Row

SEEDS, SEEDS_QUICK = 30, 4
_WITHIN = 0.85  # 95 % is expected; least share of the 60 means that must lie within U


def coverage_case(seed: int) -> Case:
    """A small scan: Gaussian blur for even seeds, out of focus for odd ones."""
    optics = Optics("gaussian", 1.0) if seed % 2 == 0 else Optics("disc", 1.6)
    return Case(
        f"honesty-{seed}",
        "",
        Cloth(12.3, 8.1, sd_px=0.4, rotation_deg=2.0 + seed, seed=1000 + seed),
        optics,
        Sensor(noise=0.02, seed=1000 + seed),
        shape=(220, 300),
    )


def coverage_row(folder: Path, seeds: int = SEEDS) -> Row:
    """Count over `seeds` small scans, two means each. Raises what `measure` raises."""
    ratios, hashes = [], []
    for seed in range(seeds):
        drawn, measurement, compared = measured_case(coverage_case(seed), folder)
        bias = compared.error[compared.measured].mean(axis=0)
        for axis, name in enumerate("xy"):
            lines = [c for c in measurement.budget if c.direction == name and c.name != "scale"]
            ratios.append(float(bias[axis]) / (imaging_part(lines) / UM_PER_PX))
        hashes.append(drawn.sha256)
    share = float(np.mean(np.abs(ratios) <= 2))
    return Row(
        group=Group.UNCERTAINTY,
        name="u-of-the-mean",
        tried=f"{seeds} small scans, aperture 12.3 px, Gaussian and disc blur, noise 2 %",
        truth="the true mean lies within U (k = 2) of the measured one",
        result=f"in {100 * share:.0f} % of {len(ratios)} means; errors are {np.std(ratios):.2f} u",
        limit=f"≥ {100 * _WITHIN:.0f} %",
        holds=share >= _WITHIN,
        figures={"within_share": share, "errors_per_u": float(np.std(ratios))},
        pixels_sha256=tuple(hashes),
    )
