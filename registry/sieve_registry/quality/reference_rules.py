"""Performance checks with certified reference material, beside the optical checks.

beads    P = 100 m_through / m_charged; the mean effective aperture is the diameter at which
         the certified cumulative curve has P, linear between its points; its U (k = 2) holds
         that of the certificate, and through the slope of the curve what makes P uncertain:
         the balance, what further sieving would still bring through, and splitting the bottle
cement   residues of two runs, and a third if they differ by more than 0.3 % absolute;
         C = certified / mean measured, usable as a correction from 0.80 to 1.20, else scrap
master   retained percent of split portions on a working and a master sieve, pair by pair
E_n      (x − X) / √(U_x² + U_X²), satisfactory where |E_n| ≤ 1 (ISO 13528)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import mean, stdev
from typing import ClassVar

from sieve_inspect.errors import UsageError
from sieve_registry.quality.curves import Curve

_THIRD_RUN = 0.3  # percent absolute
_FACTOR = (0.80, 1.20)


class CheckKind(StrEnum):
    """How a sieve was checked."""

    OPTICAL = "optical"
    BEADS = "beads"
    CEMENT = "cement"
    MASTER = "master"


@dataclass(frozen=True)
class Beads:
    """Mean effective aperture from glass beads, um; U (k = 2) where the certificate states one."""

    KIND: ClassVar = CheckKind.BEADS
    outcome: ClassVar = "measured"
    passing_percent: float
    aperture_um: float
    U_um: float | None


@dataclass(frozen=True)
class Cement:
    """Correction factor from reference cement; None where a third run is needed."""

    KIND: ClassVar = CheckKind.CEMENT
    residues: tuple[float, ...]
    certified: float
    third_run: bool
    found: float | None  # the name in the ledger: mean residue
    factor: float | None
    usable: bool | None

    @property
    def outcome(self) -> str:
        """Whether its correction factor may be used."""
        return "usable" if self.usable else "scrap"


@dataclass(frozen=True)
class Master:
    """Working against master sieve in percent retained; E_n where U of both is known."""

    KIND: ClassVar = CheckKind.MASTER
    pairs: int
    difference: float
    U_difference: float | None
    e_n: float | None

    @property
    def satisfactory(self) -> bool | None:
        """Whether |E_n| ≤ 1; None where it is not known."""
        return None if self.e_n is None else abs(self.e_n) <= 1

    @property
    def outcome(self) -> str:
        """The outcome by E_n."""
        return _BY_E_N[self.satisfactory]


_BY_E_N = {None: "not judged", True: "satisfactory", False: "unsatisfactory"}


def e_n(value: float, expanded: float, reference: float, reference_expanded: float) -> float:
    """E_n of two results with expanded uncertainties, all in one unit (ISO 13528).

    Raises `UsageError` where both uncertainties are zero.
    """
    together = math.hypot(expanded, reference_expanded)
    if not together > 0:
        raise UsageError(message="E_n needs an uncertainty: at least one has to be above zero.")
    return (value - reference) / together


@dataclass(frozen=True)
class BeadsProcedure:
    """What makes the share passing uncertain, beside the certificate.

    `balance_g` is the half-width of a reading. `end_point_percent` is the share of the residue that
    one further minute brought through, at most 1 % by ASTM C136 (from memory), counted from zero
    to twice that. `split_percent` is the standard uncertainty of P from splitting, 0 for an
    entire bottle; 0.3 % is this project's own figure for a riffle.
    """

    balance_g: float = 0.05
    end_point_percent: float = 1.0
    split_percent: float = 0.0

    def u_percent(self, charged_g: float, percent: float) -> float:
        """Standard uncertainty of the percentage passing; rectangles by a/√3 (GUM 4.3.7)."""
        u_mass = self.balance_g / math.sqrt(3)
        weighing = 100 / charged_g * math.hypot(u_mass, percent / 100 * u_mass)
        further = self.end_point_percent / 100 * (100 - percent) / math.sqrt(3)
        return math.hypot(weighing, further, self.split_percent)


_PROCEDURE = BeadsProcedure()


def beads(
    curve: Curve,
    charged_g: float,
    through_g: float,
    certificate_U_um: float | None = None,
    procedure: BeadsProcedure = _PROCEDURE,
) -> Beads:
    """The mean effective aperture of a sieve from a bottle of certified beads.

    U stays unknown where the certificate states none. Raises `UsageError` for impossible masses,
    and where the share passing lies outside the curve.
    """
    if not (charged_g > 0 and 0 <= through_g <= charged_g):
        raise UsageError(
            message=f"{through_g:g} g through of {charged_g:g} g charged is not possible."
        )
    percent = 100 * through_g / charged_g
    size = curve.size_at(percent)
    if size is None:
        raise UsageError(
            message=f"{percent:.2f} % passed, but the certified curve covers only "
            f"{curve.percents[0]:g} to {curve.percents[-1]:g} %: use beads made for this size."
        )
    if certificate_U_um is None:
        return Beads(percent, size, None)
    expanded = 2 * curve.slope_at(percent) * procedure.u_percent(charged_g, percent)
    return Beads(percent, size, math.hypot(certificate_U_um, expanded))


def cement(certified: float, residues: Sequence[float]) -> Cement:
    """The factor C from two runs, or three where two differ too much (their mean counts).

    Raises `UsageError` for fewer than two or more than three runs and impossible percentages.
    """
    if not 2 <= len(residues) <= 3:
        raise UsageError(message=f"Two or three runs are needed, not {len(residues)}.")
    if not all(0 < value < 100 for value in (certified, *residues)):
        raise UsageError(message="Residues have to lie between 0 and 100 percent.")
    runs = tuple(residues)
    # Rounded as a balance reads: a difference of exactly 0.3 needs no third run.
    apart = round(abs(runs[0] - runs[1]), 9)
    if len(runs) == 2 and apart > _THIRD_RUN:
        return Cement(runs, certified, True, None, None, None)
    residue = mean(runs)
    factor = certified / residue
    usable = _FACTOR[0] <= round(factor, 9) <= _FACTOR[1]
    return Cement(runs, certified, False, residue, factor, usable)


def master(
    pairs: Sequence[tuple[float, float]], expanded: tuple[float, float] | None = None
) -> Master:
    """Pairs of percent retained (working, master) on portions of one split sample.

    `expanded` are U of the working and master result, which E_n of ISO 13528 needs. Without them
    the scatter of three pairs or more gives U of the mean difference (95 %, Student's t), which
    says how well the difference is known and not whether it is allowed: E_n stays unknown. Raises
    `UsageError`.
    """
    if not pairs:
        raise UsageError(message="At least one pair of results is needed.")
    if not all(0 <= value <= 100 for pair in pairs for value in pair):
        raise UsageError(message="Retained percentages have to lie between 0 and 100.")
    differences = [working - reference for working, reference in pairs]
    middle, n = mean(differences), len(differences)
    if expanded is not None:
        together = math.hypot(*expanded)
        return Master(n, middle, together, e_n(middle, expanded[0], 0.0, expanded[1]))
    if n < 3:
        return Master(n, middle, None, None)
    from scipy.special import stdtrit

    half = float(stdtrit(n - 1, 0.975)) * stdev(differences) / math.sqrt(n)
    return Master(n, middle, half, None)
