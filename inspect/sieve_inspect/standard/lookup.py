"""From a nominal aperture and an edition to its limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import ROUND_DOWN, Decimal
from pathlib import Path

from sieve_inspect.errors import (
    BadTableError,
    NominalOutsideError,
    UnknownStandardError,
    UsageError,
)
from sieve_inspect.standard.designations import resolve_nominal
from sieve_inspect.standard.editions import (
    DEFAULT_STANDARD,
    EDITIONS,
    Edition,
    compute_row,
    list_standards,
    tabulated,
)
from sieve_inspect.standard.formula import GRADES, k_factor, round_half_up, s_divisor
from sieve_inspect.standard.model import Limits, Row
from sieve_inspect.standard.tablefile import LARGEST_UM, SMALLEST_UM, read_table
from sieve_inspect.units import format_length

_NO_S_LIMIT = "no limit on s in this table for this size"


class NotTabulatedError(NominalOutsideError):
    """A size that is not in a table from which others cannot be computed."""

    template = "{standard} has no row for {nominal}; its nearest sizes are {nearest}."


def limits(
    nominal_um: float | str,
    standard: str = DEFAULT_STANDARD,
    *,
    grade: str = "compliance",
    n: int | None = None,
) -> Limits:
    """What `standard` allows for a nominal aperture, a number of um or a text like "No. 200".

    `standard` is an id of `list_standards` or the path of your own CSV table. `grade` and
    `n`, the apertures measured per direction, matter where the limit on s depends on them;
    without `n` the edition's own count for the grade is taken. Sizes an edition does not
    tabulate are computed from its formula and marked.

    Raises `NominalOutsideError` outside 20 um to 125 mm, `NotTabulatedError` where a table has
    no formula behind it, `UnknownStandardError`, `BadTableError`, and `UsageError` for an
    unknown grade or a count below 1.

    >>> limits(75, "iso3310-1:2016").y_um
    3.7
    """
    if isinstance(nominal_um, str):
        nominal_um = resolve_nominal(nominal_um)
    if grade not in GRADES:
        raise UsageError(message=f"Unknown grade '{grade}'. Use {', '.join(GRADES)}.")
    if n is not None and n < 1:
        raise UsageError(message=f"{n} apertures cannot be judged: `n` must be 1 or more.")
    edition, table, name = _find(standard)
    w = _in_range(nominal_um)
    row = table.get(w)
    computed = row is None
    if row is None:
        if edition is None or edition.factor is None:
            raise NotTabulatedError(
                standard=name, nominal=format_length(float(w)), nearest=_nearest(table, w)
            )
        row = compute_row(edition, w)
    s, note = _s_limit(edition, row, grade, n)
    return Limits(
        nominal_um=float(w),
        designation=row.designation or format_length(float(w)),
        standard=name,
        grade=grade,
        y_um=float(row.y),
        x_um=float(row.x),
        max_um=float(w + row.x),
        z_um=_float(row.z),
        z_share_percent=_float(row.z_share_percent),
        s_limit_um=_float(s),
        n=n if n is not None else row.n.get(grade),
        wire_um=_float(row.wire),
        wire_min_um=_float(row.wire_min),
        wire_max_um=_float(row.wire_max),
        source=tuple(text for text in (row.source or f"table {name}", note) if text),
        computed=computed,
        rounding=edition.rounding if edition else "as the table gives it",
    )


def is_listed(nominal_um: float) -> bool:
    """Whether any edition's table lists a nominal aperture (um). Raises `NominalOutsideError`."""
    w = _in_range(nominal_um)
    return any(w in tabulated(name) for name in EDITIONS)


def size_of(means_um: Sequence[float], standard: str) -> tuple[float, float] | None:
    """The tabulated size (nominal and y, um) whose limits all these means are within, or None.

    Of several the nearest. Raises `UnknownStandardError` and `BadTableError`.
    """
    middle = sum(means_um) / len(means_um)
    rows = sorted(_find(standard)[1].items(), key=lambda item: abs(float(item[0]) - middle))
    for nominal, y in ((float(nominal), float(row.y)) for nominal, row in rows[:2]):
        if all(abs(mean - nominal) <= y for mean in means_um):
            return nominal, y
    return None


def _find(standard: str) -> tuple[Edition | None, dict[Decimal, Row], str]:
    """The edition (None for an own table), its rows, and the name to report."""
    key = standard.strip().lower()
    if key in EDITIONS:
        return EDITIONS[key], tabulated(key), key
    is_path = "/" in standard or "\\" in standard or key.endswith(".csv")
    try:
        if standard.strip() and (is_path or Path(standard).exists()):
            return None, read_table(Path(standard)), standard
    except (OSError, ValueError) as error:  # a name too long, a NUL in it
        reason = "a file cannot have this name"
        raise BadTableError(file=repr(standard[:80]), reason=reason) from error
    raise UnknownStandardError(standard=standard[:80], known=", ".join(list_standards()))


def _in_range(nominal_um: float) -> Decimal:
    """The nominal in exact decimals, to a picometre, within the range of the standards."""
    if not math.isfinite(nominal_um):
        raise NominalOutsideError(nominal=f"{nominal_um} um")
    w = Decimal(repr(round(float(nominal_um), 6))).normalize()
    if not SMALLEST_UM <= w <= LARGEST_UM:
        raise NominalOutsideError(nominal=format_length(nominal_um))
    return w


def _nearest(table: dict[Decimal, Row], w: Decimal) -> str:
    near = sorted(sorted(table, key=lambda size: abs(size - w))[:2])
    return " and ".join(format_length(float(size)) for size in near)


def _s_limit(
    edition: Edition | None, row: Row, grade: str, n: int | None
) -> tuple[Decimal | None, str]:
    """The limit on the sample's s in um, and a sentence on where it comes from."""
    if n == 1:
        return None, "no limit on s: one aperture has no standard deviation"
    if edition is not None and edition.k_rule:
        return _k_s_limit(row, n)
    if edition is not None and edition.sampled and grade != "compliance":
        return _sampled_s_limit(row, grade, n)
    s = row.s.get(grade, row.s.get("compliance") if edition else None)
    if s is None and row.z is not None:
        return None, "no limit on s: the share of apertures above nominal + z counts instead"
    if s is None:
        return None, _NO_S_LIMIT
    same_for_all = edition is not None and grade != "compliance"
    return s, f"s limit for {grade}: the source has the same for every grade" * same_for_all


def _sampled_s_limit(row: Row, grade: str, n: int | None) -> tuple[Decimal | None, str]:
    """The published limit for the published count, else σ0 over the divisor for n."""
    sigma0, published = row.s.get("compliance"), row.s.get(grade)
    if published is not None and n in (None, row.n.get(grade)):
        return published, ""
    if sigma0 is None:
        return None, _NO_S_LIMIT
    if n is None:
        return None, f"no limit on s without a count: the table has none for {grade}, give n"
    s = round_half_up(sigma0 / Decimal(s_divisor(grade, n)), Decimal("0.01"))
    k = {"inspection": "2.58", "calibration": "3"}[grade]
    return s, f"s limit for n = {n}: {sigma0} um / (1 + {k}/√(2(n−1))) [decoded formula]"


def _k_s_limit(row: Row, n: int | None) -> tuple[Decimal | None, str]:
    """σ0 / K(n): the s that just meets K s ≤ σ0 (2000 edition)."""
    sigma0 = row.s.get("compliance")
    if sigma0 is None:
        return None, "no limit on s: σ0 of this size is not known for this edition"
    if n is None:
        return None, f"no limit on s without a count: K s may not exceed {sigma0} um, give n"
    k = k_factor(n)
    # Down, so that K times the limit never exceeds σ0.
    limit = (sigma0 / k).quantize(Decimal("0.01"), ROUND_DOWN)
    return limit, (
        f"s limit for n = {n}: {sigma0} um / K, K = {k} for 99 % [decoded; K(25) = 1.55 is the "
        "only value seen, in GB/T 6003.1 Annex A]"
    )


def _float(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
