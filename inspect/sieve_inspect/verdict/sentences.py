"""The sentences of a verdict, with units and as many digits as U allows."""

from __future__ import annotations

import math
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal, localcontext

from sieve_inspect.outcomes import Outcome
from sieve_inspect.standard import Limits
from sieve_inspect.verdict.model import Margin, Share, Value
from sieve_inspect.verdict.rules import Rule, exact
from sieve_inspect.verdict.unseen import Unseen


def decimals_for(expanded: float) -> int:
    """Decimal places for a value with this U: two digits of U where it begins with 1 or 2.

    Common practice, no source: so the rounding step never exceeds a tenth or so of U.
    """
    if not (math.isfinite(expanded) and expanded > 0):
        return 1
    if expanded < 1e-6:  # finer than any digit written
        return 6
    exponent = math.floor(math.log10(expanded))
    digits = 2 if expanded / 10**exponent < 3 else 1
    return min(max(digits - 1 - exponent, 0), 6)


class Writer:
    """Writes lengths in um for sieves below 1 mm and in mm from there."""

    def __init__(self, limits: Limits, rule: Rule) -> None:
        self.limits = limits
        self.rule = rule
        self._mm = limits.nominal_um >= 1000

    def length(self, um: float, decimals: int) -> str:
        """A length with its unit, `decimals` places counted in um."""
        return f"{self.number(um, decimals)} {self.unit}"

    def number(self, um: float, decimals: int) -> str:
        """A length without its unit, half up."""
        rounded = _rounded(um, decimals)
        return f"{rounded.scaleb(-3) if self._mm else rounded:f}"

    def limit(self, um: float) -> str:
        """A limit as the table has it."""
        return f"{um / 1000 if self._mm else um:g} {self.unit}"

    @property
    def unit(self) -> str:
        """Unit of all lengths of this sieve."""
        return "mm" if self._mm else "um"

    def margin(self, row: Margin) -> str:
        """One value compared with its limit."""
        if not row.judged:
            return self._not_judged(row)
        decimals = self._decimals(row)
        value = f"{row.name} in {row.direction} is {self.length(row.value_um, decimals)}"
        return f"{value}{self._against(row, decimals)}{self._doubt(row, decimals)}."

    def _against(self, row: Margin, decimals: int) -> str:
        if row.name == Value.DEVIATION:
            return f"; allowed is at most {self.limit(row.limit_high_um or 0.0)}"
        off = float(exact(row.value_um) - exact(self.limits.nominal_um))
        where = "over" if off >= 0 else "under"
        largest = row.name == Value.LARGEST
        x, y = self.limit(self.limits.x_um), self.limit(self.limits.y_um)
        allowed = f"at most {x} over" if largest else f"±{y}"
        return f", {self.length(abs(off), decimals)} {where} nominal; allowed is {allowed}"

    def _doubt(self, row: Margin, decimals: int) -> str:
        if row.outcome in (Outcome.PASS, Outcome.FAIL):
            return ""
        side = "inside" if row.outcome == Outcome.CONDITIONAL_PASS else "outside"
        if self.rule.name == "probability" and row.p_conform is not None:
            p = row.p_conform if side == "inside" else 1 - row.p_conform
            return f"; that is {side}, but with a probability of only {100 * p:.0f} %"
        uncertainty = self.length(row.U_um, decimals)
        return f"; that is {side}, but by less than {self._times}the uncertainty of ±{uncertainty}"

    @property
    def _times(self) -> str:
        return f"{self.rule.number:g} times " if self.rule.number != 1 else ""

    def band(self) -> str:
        """How clearly every value is inside when all pass, as the end of a sentence."""
        if self.rule.name == "simple":
            return ""
        if self.rule.name == "probability":
            return f", each with a probability of at least {100 * self.rule.number:g} %"
        return f", each by at least {self._times}its uncertainty"

    def other_size(self, nominal_um: float, y_um: float) -> str:
        """A remark that the apertures fit another size of the same table."""
        return (
            f"the apertures are those of a sieve of {self.limit(nominal_um)}: both means are "
            f"within ±{self.limit(y_um)} of that"
        )

    def _not_judged(self, row: Margin) -> str:
        why = "its value or its uncertainty is not known"
        if row.name == Value.DEVIATION:
            why = "it needs at least 2 apertures and a known uncertainty"
        return f"{row.name} in {row.direction} cannot be judged: {why}."

    def _decimals(self, row: Margin) -> int:
        """As many as U allows, more where the rounded value would fall on the other side."""
        decimals = decimals_for(row.U_um)
        bounds = [b for b in (row.limit_low_um, row.limit_high_um) if b is not None]
        for extra in range(decimals, decimals + 4):
            value = _rounded(row.value_um, extra)
            if all(_side(value, b) == _side(exact(row.value_um), b) for b in bounds):
                return extra
        return decimals + 4

    def needed(self, row: Margin) -> str | None:
        """The U below which this row would be decided; None where measuring better cannot help."""
        distance = self._needed(row)
        if not distance:
            return None
        decimals = max(1 - distance.adjusted(), 0)  # two digits, rounded down
        return self.length(float(_rounded(float(distance), decimals, ROUND_DOWN)), decimals)

    def needed_um(self, row: Margin) -> float:
        """The same as a number, um; 0 where measuring better cannot help."""
        return float(self._needed(row))

    def _needed(self, row: Margin) -> Decimal:
        bounds = [b for b in (row.limit_low_um, row.limit_high_um) if b is not None]
        distance = min(abs(exact(row.value_um) - exact(b)) for b in bounds)
        factor = self.rule.factor_at(row.k, row.dof)
        return distance / exact(factor) if factor > 0 else distance


def _rounded(value: float, decimals: int, rounding: str = ROUND_HALF_UP) -> Decimal:
    with localcontext() as context:
        context.prec = 350  # every float fits
        return exact(value).quantize(Decimal(1).scaleb(-decimals), rounding)


def _side(value: Decimal, bound: float) -> int:
    difference = value - exact(bound)
    return (difference > 0) - (difference < 0)


def unseen_sentence(unseen: Unseen, writer: Writer) -> str:
    """What a partial scan says of the apertures nobody measured."""
    cloth = f"the other apertures of the cloth, about {unseen.population:,} in each direction"
    limit, p = writer.limit(unseen.limit_um), unseen.p_none_above
    if p is None:
        return f"so few apertures say nothing about {cloth}."
    percent = f"{100 * p:.3g}" if p < 0.999 else "over 99.9"
    known = f"with a probability of {percent} % none of {cloth}, is above {limit}"
    if unseen.fields == 0:
        return f"{known}."
    if unseen.fields is None:
        return f"{known}; only the entire cloth in one scan settles it."
    return f"{known}; {unseen.fields:,} more fields like these would settle it."


def share_sentence(share: Share, above: str) -> str:
    """The share of apertures above nominal + z compared with its limit."""
    limit = f"{share.limit_percent:g} %"
    if share.percent is None or not math.isfinite(share.percent):
        return (
            f"share of apertures above {above} in {share.direction} was not given, "
            f"so the limit of {limit} cannot be judged."
        )
    decimals = 1
    while decimals < 4 and (round(share.percent, decimals) > share.limit_percent) != (
        share.percent > share.limit_percent
    ):
        decimals += 1
    percent = f"{share.percent:.{decimals}f} %"
    return (
        f"{percent} of the apertures in {share.direction} are above {above}; "
        f"allowed is at most {limit}."
    )
