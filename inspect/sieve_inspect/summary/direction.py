"""What is known of one lattice direction of a cloth."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["DirectionSummary"]


@dataclass(frozen=True)
class DirectionSummary:
    """One direction's apertures, lengths in um; `u_…` are standard uncertainties (k = 1).

    `sd_um` has the measuring noise of a single aperture subtracted; `max_um` is the largest
    aperture believed real, re-measured, with `u_max_um` its own uncertainty.
    """

    count: int
    mean_um: float
    sd_um: float
    min_um: float
    max_um: float
    median_um: float
    u_mean_um: float
    u_sd_um: float
    u_max_um: float
    wire_mean_um: float
    wire_count: int
    pitch_um: float
    odd_even_um: float
