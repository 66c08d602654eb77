"""How a sieve's real apertures change a reported size distribution.

    F      percent passing over size, from the distribution given (linear over log size)
    at nominal        F(w)
    at the mean       F(a),            a the mean aperture of both directions
    over all          (1/n) Σ F(a_i)   a_i the smaller width of each aperture, which a sphere has
                                       to pass, as if every particle met one aperture by chance; a
                                       particle has many trials, so the true value is equal or
                                       higher, and elongated ones pass by the larger width
    uncertainty       U = (F(a + 2u) − F(a − 2u)) / 2 for the mean, likewise shifted for all

A shift is compared with the spread between laboratories, s_R < 0.05 √(P (100 − P)) % (aggregate
sieving, BRE ring trial). A third of s_R counts as small: it adds 5 % to s_R (common practice, no
source).
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from sieve_inspect.errors import UsageError
from sieve_registry.checks import queries as check_queries
from sieve_registry.ledger.records import CheckDetail
from sieve_registry.quality.curves import Curve
from sieve_registry.quality.references import optical_mean
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import Registry

_SMALL_SHARE = 1 / 3  # of s_R


class EffectSize(StrEnum):
    """How a shift compares with its uncertainty and with the spread between laboratories."""

    OUTSIDE = "outside the distribution"
    NOT_SIGNIFICANT = "no significant shift"
    SMALL = "small beside s_R"
    NOTICEABLE = "noticeable beside s_R"
    LARGE = "as large as s_R or more"


@dataclass(frozen=True)
class Passing:
    """Percent passing with its expanded uncertainty (k = 2), and the shift from nominal."""

    percent: float
    U_percent: float
    shift: float


@dataclass(frozen=True)
class SieveEffect:
    """One sieve's effect on a distribution; `over_all` is None where no widths were kept."""

    sieve_id: str
    check_id: str
    nominal_um: float
    mean_um: float
    U_mean_um: float
    at_nominal: float
    at_mean: Passing
    over_all: Passing | None
    s_between: float
    inside: bool  # whether the distribution covers these sizes

    @property
    def main(self) -> Passing:
        """The shift to judge: over all widths where they are known."""
        return self.over_all if self.over_all is not None else self.at_mean

    @property
    def verdict(self) -> EffectSize:
        """How large the shift is."""
        if not self.inside:
            return EffectSize.OUTSIDE
        shift = abs(self.main.shift)
        if shift <= self.main.U_percent and self.main.U_percent > 0:
            return EffectSize.NOT_SIGNIFICANT
        if shift <= _SMALL_SHARE * self.s_between:
            return EffectSize.SMALL
        return EffectSize.NOTICEABLE if shift < self.s_between else EffectSize.LARGE

    @property
    def matters(self) -> bool:
        """Whether the shift deserves a correction or a report: over a third of s_R."""
        return self.verdict in (EffectSize.NOTICEABLE, EffectSize.LARGE)


def spread_between_laboratories(percent: float) -> float:
    """The upper bound of s_R in percent for a percentage passing (BRE ring trial)."""
    return 0.05 * math.sqrt(max(percent * (100 - percent), 0.0))


def effect_of(
    curve: Curve,
    sieve_id: str,
    check_id: str,
    nominal_um: float,
    mean_um: float,
    U_mean_um: float,
    widths_um: Sequence[float],
    *,
    inside: bool,
) -> SieveEffect:
    """The effect of a checked sieve; `widths_um` are the smaller widths of all apertures."""
    nominal = curve.passing(nominal_um)
    at_mean = curve.passing(mean_um)
    half = (curve.passing(mean_um + U_mean_um) - curve.passing(mean_um - U_mean_um)) / 2
    over_all = None
    if widths_um:
        middle = _average(curve, widths_um)
        high, low = (_average(curve, widths_um, shift) for shift in (U_mean_um, -U_mean_um))
        over_all = Passing(middle, (high - low) / 2, middle - nominal)
    return SieveEffect(
        sieve_id=sieve_id,
        check_id=check_id,
        nominal_um=nominal_um,
        mean_um=mean_um,
        U_mean_um=U_mean_um,
        at_nominal=nominal,
        at_mean=Passing(at_mean, half, at_mean - nominal),
        over_all=over_all,
        s_between=spread_between_laboratories(nominal),
        inside=inside,
    )


def _average(curve: Curve, widths_um: Sequence[float], shift: float = 0.0) -> float:
    """Mean percent passing over all widths, each shifted."""
    return math.fsum(curve.passing(max(a + shift, 1e-6)) for a in widths_um) / len(widths_um)


def fractions(effects: Sequence[SieveEffect]) -> list[tuple[str, float, float]]:
    """Percent of the sample retained on each sieve of a stack and in the pan.

    Rows of name, at nominal, as measured; coarse on top.
    """
    rows = []
    above_nominal = above_real = 100.0
    for effect in sorted(effects, key=lambda e: -e.nominal_um):
        real = effect.main.percent
        rows.append((effect.sieve_id, above_nominal - effect.at_nominal, above_real - real))
        above_nominal, above_real = effect.at_nominal, real
    return [*rows, ("pan", above_nominal, above_real)]


def effects_of(
    registry: Registry, sieve_ids: Sequence[str], curve: Curve, day: date | None = None
) -> list[SieveEffect]:
    """The effect of each sieve on a distribution, by its last check; coarse on top.

    Raises `UsageError` for a sieve never checked or checked without an uncertainty.
    """
    effects = []
    for sieve_id in dict.fromkeys(sieve_ids):
        state = sieve_queries.get_state(registry, sieve_id, day)
        last = state.last_check
        optical = None if last is None else optical_mean(registry, last)
        if last is None or optical is None:
            raise UsageError(
                message=f"Sieve {state.sieve.id!r} has no check with uncertainties: check it first."
            )
        mean, expanded = optical
        nominal = state.sieve.nominal_um
        widths = _widths(registry, check_queries.get_check(registry, last.id))
        inside = curve.covers(min(nominal, mean), max(nominal, mean))
        ids = (state.sieve.id, last.id)
        effects.append(effect_of(curve, *ids, nominal, mean, expanded, widths, inside=inside))
    return sorted(effects, key=lambda effect: -effect.nominal_um)


def _widths(registry: Registry, detail: CheckDetail) -> list[float]:
    """The smaller width of each sound aperture of a check, um; empty where it kept no table."""
    kept = next((file for file in detail.evidence if file.role == "apertures"), None)
    if kept is None:
        return []
    import pandas as pd

    names = ["width_x_um", "width_y_um"]
    data = io.BytesIO(check_queries.evidence_bytes(registry, kept.sha256))
    table = pd.read_csv(data, usecols=["state", *names], encoding="utf-8-sig")
    sound = table.loc[table["state"] == "ok", names].min(axis=1, skipna=False).to_numpy(float)
    return [float(width) for width in sound if math.isfinite(width)]
