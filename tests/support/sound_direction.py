"""A direction of 75 um cloth within its limits, for rules that are tested without a picture."""

from __future__ import annotations

from sieve_inspect.summary.direction import DirectionSummary

SOUND = DirectionSummary(
    count=200,
    mean_um=75.2,
    sd_um=5.0,
    min_um=61.0,
    max_um=92.0,
    median_um=75.1,
    u_mean_um=0.2,  # U = 0.4
    u_sd_um=0.3,  # U = 0.6
    u_max_um=1.0,  # U = 2.0
    wire_mean_um=50.0,
    wire_count=199,
    pitch_um=125.2,
    odd_even_um=0.1,
)
