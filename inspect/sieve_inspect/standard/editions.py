"""The editions built in, each with its rounding and what it limits besides the mean."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from importlib.resources import files

from sieve_inspect.standard import formula
from sieve_inspect.standard.model import Row
from sieve_inspect.standard.tablefile import parse_table

DEFAULT_STANDARD = "iso3310-1:2016"
_TENTH, _ONE, _TEN = Decimal("0.1"), Decimal(1), Decimal(10)


@dataclass(frozen=True)
class Edition:
    """One edition: the file of its table, and how its other sizes follow from the formula."""

    id: str
    table: str
    rounding: str
    factor: Decimal | None = None  # of the formula; None: only tabulated sizes are known
    step_y: Callable[[Decimal], Decimal] = lambda _w: _ONE
    z_share_percent: Decimal | None = None
    sigma_up_to: Decimal | None = None  # the 5 % rule for σ0 holds up to this nominal
    sampled: bool = False  # the limit on s depends on grade and n
    k_rule: bool = False  # K(n) s may not exceed σ0
    computed_note: str = "computed from the formula, not a tabulated size [decoded formula]"


def _x_step(w: Decimal) -> Decimal:
    return _ONE if w < 1000 else _TEN


def _y_step_e11(w: Decimal) -> Decimal:
    if w < 1000:
        return _TENTH
    return _ONE if w < 37_500 else _TEN


def _y_step_iso(w: Decimal) -> Decimal:
    if w < 280:
        return _TENTH
    return _ONE if w < 1000 else _TEN


_ISO_STEPS = (
    "x to 1 um below 1 mm, 10 um from 1 mm; "
    "y to 0.1 um below 280 um, 1 um below 1 mm, 10 um from 1 mm; half up"
)

EDITIONS: dict[str, Edition] = {
    edition.id: edition
    for edition in (
        Edition(
            id="iso3310-1:2016",
            table="iso3310-1-2016.csv",
            rounding=f"0.9 of the formula, {_ISO_STEPS}",
            factor=Decimal("0.9"),
            step_y=_y_step_iso,
            sigma_up_to=Decimal(4000),
        ),
        Edition(
            id="astm-e11:2009",
            table="astm-e11-2009.csv",
            rounding=(
                "the formula, x to 1 um below 1 mm, 10 um from 1 mm; y to 0.1 um below 1 mm, "
                "1 um below 37.5 mm, 10 um from 37.5 mm; half up"
            ),
            factor=_ONE,
            step_y=_y_step_e11,
            sigma_up_to=Decimal(40_000),
            sampled=True,
        ),
        Edition(
            id="iso3310-1:1990",
            table="iso3310-1-1990.csv",
            # Seen only from 2 mm up; below 1 mm the steps of 2016 are carried back.
            rounding=f"the formula, {_ISO_STEPS}; z as x (below 1 mm the steps are assumed)",
            factor=_ONE,
            step_y=_y_step_iso,
            z_share_percent=Decimal(6),
            computed_note="computed from the formula, not a tabulated size seen [decoded formula]",
        ),
        Edition(
            id="iso3310-1:2000",
            table="iso3310-1-2000.csv",
            # Neither X nor Y of this edition was seen. The editions before (1990) and beside it
            # (ASTM E11-09) both follow the full formula, so it is taken here too.
            rounding=f"the formula, {_ISO_STEPS} (rounding assumed as in 1990)",
            factor=_ONE,
            step_y=_y_step_iso,
            k_rule=True,
            computed_note=(
                "computed from the formula of the 1990 edition, assumed for 2000; σ0 of this "
                "size is not known: no rule gives the single value seen (2 mm, 105 um) "
                "[decoded formula, assumed edition]"
            ),
        ),
        Edition(
            id="astm-e11:1995",
            table="astm-e11-1995.csv",
            rounding="as tabulated; no formula is known for this edition",
        ),
    )
}


def list_standards() -> tuple[str, ...]:
    """The ids `limits` answers for, the default first."""
    return tuple(EDITIONS)


@cache
def tabulated(standard: str) -> dict[Decimal, Row]:
    """The table of an edition by nominal aperture in um, ascending."""
    name = EDITIONS[standard].table
    data = (files("sieve_inspect.standard") / "tables" / name).read_bytes()
    return parse_table(data, name)


def compute_row(edition: Edition, w: Decimal) -> Row:
    """A size the table lacks, from the formula with this edition's rounding.

    The edition must have a formula (`factor`). σ0 is given where the 5 % rule reproduces the
    edition's table, and left open elsewhere.
    """
    factor = edition.factor
    assert factor is not None
    x_raw, y_raw = factor * formula.x_um(w), factor * formula.y_um(w)
    x = formula.round_half_up(x_raw, _x_step(w))
    y = formula.round_half_up(y_raw, edition.step_y(w))
    z_raw = (x_raw + y_raw) / 2
    s = None
    if edition.sigma_up_to is not None and w <= edition.sigma_up_to:
        # ISO takes σ0 from the unrounded bounds, E11 from the rounded ones.
        bounds = ((x + y) / 2, x) if edition.sampled else (z_raw, x_raw)
        s = formula.sigma_5_percent(float(bounds[0]), float(bounds[1]))
    return Row(
        nominal=w,
        designation="",
        x=x,
        y=y,
        z=None if edition.z_share_percent is None else formula.round_half_up(z_raw, _x_step(w)),
        z_share_percent=edition.z_share_percent,
        s={} if s is None else {"compliance": _round_sigma(edition, w, s)},
        source=edition.computed_note,
    )


def _round_sigma(edition: Edition, w: Decimal, sigma: float) -> Decimal:
    below_1_mm = Decimal("0.01") if edition.sampled else _TENTH
    return formula.round_half_up(Decimal(repr(sigma)), _ONE if w >= 1000 else below_1_mm)
