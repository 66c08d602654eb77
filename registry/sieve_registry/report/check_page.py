"""The report of a check: from its recorded data to the values the template prints."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from sieve_inspect.outcomes import NOT_JUDGED
from sieve_registry.checks.positions import least_distance_mm
from sieve_registry.report.enlarged import caption_of
from sieve_registry.report.fields_map import fields_svg
from sieve_registry.report.figures import (
    histograms,
    intervals,
    limits_caption,
    margin_rows,
    verdict_view,
)
from sieve_registry.report.formatting import MARKS, Lengths, digits, finite, percent
from sieve_registry.report.gaps import gap_charts
from sieve_registry.report.maps import cloth_map
from sieve_registry.report.pages import embed, page_mark, render_page
from sieve_registry.report.view import CheckView
from sieve_registry.report.wear import wear_view
from sieve_registry.settings import Letterhead

if TYPE_CHECKING:
    from sieve_registry.report.issuing import IssueBlock

_PICTURE_BYTES = 1_600_000  # all overlays together; base64 adds a third


def render_check_report(
    check: CheckView, letterhead: Letterhead | None = None, issue: IssueBlock | None = None
) -> str:
    """A self-contained HTML page for a check that prints on A4.

    `issue` are the particulars of a report issued under a number. The same view gives the same
    bytes. Unknown values are shown as a dash or named; every value is escaped.
    """
    context = {**_context(check), "letterhead": letterhead, "issue": issue}
    if issue is not None:
        context["page_mark"] = page_mark(f"report {issue.number}, {context['page_mark']}")
    return render_page("check.html", context)


def _context(check: CheckView) -> dict[str, Any]:
    lengths = Lengths(check.sieve.nominal_um)
    measurement, verdict = _Known(check.measurement), check.verdict or {}
    return {
        "check": check,
        "measurement": measurement,
        "page_mark": page_mark(f"check {check.check_id}, sieve {check.sieve.id}, {check.on_date}"),
        "unit": lengths.unit,
        "verdict": verdict_view(measurement, verdict, check.action),
        "margins": margin_rows(verdict, lengths),
        "limits_caption": limits_caption(verdict, lengths),
        "shares": [_share(row) for row in verdict.get("shares") or ()],
        "z_limit": _z_limit(check.limits, lengths),
        "intervals": intervals(verdict, lengths),
        "directions": _directions(check, lengths),
        "histograms": histograms(check, lengths),
        "gaps": gap_charts(check, lengths),
        "map": cloth_map(check, lengths),
        "enlarged": [(shown, caption_of(check, shown, lengths)) for shown in check.enlarged],
        "wear": None if check.wear is None else wear_view(check.wear, lengths),
        "apertures": _Known(measurement["apertures"] or {}),
        "turned_by_cloth": any(i.get("turned_by_cloth") for i in measurement["images"] or ()),
        "imaging": _Known(measurement["imaging"] or {}),
        "light": _light(measurement["light"] or {}, lengths),
        "scale": _Known(_scale(measurement["scale"] or {})),
        "budget": _budget(measurement["budget"] or (), lengths),
        "combined": _combined(check, lengths),
        "overlays": _overlays(check),
        "scans": _scans(check),
        "limits": None if check.limits is None else _Known(check.limits),
        "too_few": _too_few(check),
        "placed": check.placed,
        "placed_svg": fields_svg(check.placed, _frame_nm(check)),
        "least_distance": least_distance_mm(check.placed),
        "fields": len(check.scans) or len(measurement["images"] or ()),
    }


def _frame_nm(check: CheckView) -> int | None:
    frame_um = check.sieve.frame_um
    return None if frame_um is None else round(1000 * frame_um)


class _Known(dict[str, Any]):
    """A part of a JSON document for a template: what it lacks is unknown (None)."""

    def __missing__(self, key: str) -> None:
        return None


def _share(row: Mapping[str, Any]) -> dict[str, Any]:
    value, allowed = finite(row.get("percent")), finite(row.get("limit_percent"))
    outcome = NOT_JUDGED if value is None else str(row.get("outcome"))
    decimals = 1
    if value is not None and allowed is not None:  # 6.04 % is not 6.0 % where 6 % is allowed
        while decimals < 4 and (round(value, decimals) > allowed) != (value > allowed):
            decimals += 1
    return {
        "direction": row.get("direction"),
        "value": percent(None if value is None else value / 100, decimals),
        "allowed": "no limit" if allowed is None else f"at most {allowed:g} %",
        "outcome": outcome,
        "mark": MARKS.get(outcome, ""),
    }


def _z_limit(limits: Mapping[str, Any] | None, lengths: Lengths) -> str | None:
    z = finite((limits or {}).get("z_um"))
    nominal = finite((limits or {}).get("nominal_um"))
    return None if z is None or nominal is None else lengths.exact(round(nominal + z, 9))


_ROWS = (
    # label, key, and the quantity whose U rounds it
    ("mean", "mean_um", "mean_um"),
    ("standard deviation", "sd_um", "sd_um"),
    ("largest aperture", "max_um", "max_um"),
    ("smallest aperture", "min_um", "max_um"),
    ("median", "median_um", "mean_um"),
    ("difference of odd and even gaps", "odd_even_um", "mean_um"),
    ("pitch", "pitch_um", "mean_um"),
    ("wire, mean", "wire_mean_um", "mean_um"),
)


def _directions(check: CheckView, lengths: Lengths) -> list[dict[str, Any]]:
    x, y = (check.summary(direction) for direction in "xy")
    rows = [{"label": "apertures measured", "x": x.get("count"), "y": y.get("count")}]
    for label, key, quantity in _ROWS:
        cells = {direction: _cell(check, direction, key, quantity, lengths) for direction in "xy"}
        rows.append({"label": f"{label}, {lengths.unit}", **cells})
    rows.append({"label": "wires measured", "x": x.get("wire_count"), "y": y.get("wire_count")})
    return rows


def _cell(
    check: CheckView, direction: str, key: str, quantity: str, lengths: Lengths
) -> str | None:
    known_u = check.expanded(direction, quantity).U_um
    value, expanded = lengths.value(check.summary(direction).get(key), known_u)
    return f"{value} ± {expanded}" if key == quantity and value and expanded else value


def _scale(scale: Mapping[str, Any]) -> dict[str, Any]:
    """The scale with its figures along x and y as texts."""
    result = dict(scale)
    for d in "xy":
        value, u = finite(scale.get(f"um_per_px_{d}")), finite(scale.get(f"u_rel_{d}"))
        result[d] = None
        if value is not None:
            # digits to a tenth of the uncertainty, or six where there is none
            needed = 6 if not u else max(4, 2 + math.ceil(-math.log10(u)))
            result[d] = f"{value:.{min(needed, 9)}g}"
        result[f"u_{d}"] = None if u is None else digits(100 * u)
    return result


def _light(light: Mapping[str, Any], lengths: Lengths) -> dict[str, Any] | None:
    """What was corrected for lamp and view, as texts; None for a check that knew neither."""
    if not light:
        return None
    expanded = 2 * (finite(light.get("u_glow_um")) or 0.0)
    rows = []
    for name, meaning in (("glow", "too wide by the lamp"), ("view", "too narrow by the view")):
        x, y = (finite(light.get(f"{name}_{direction}_um")) or 0.0 for direction in "xy")
        if x or y:
            wide, left = lengths.value(x, expanded)[0], lengths.value(y, expanded)[0]
            unit = lengths.unit
            text = f"{meaning}, {wide} {unit} in x and {left} {unit} in y: corrected"
            rows.append(text)
    u = lengths.value(expanded, expanded)[0]
    return {"source": light.get("source"), "rows": rows, "left": f"±{u} {lengths.unit} (k = 2)"}


def _budget(lines: Iterable[Mapping[str, Any]], lengths: Lengths) -> list[dict[str, Any]]:
    """One row for each contribution, with u and degrees of freedom in x and in y."""
    rows: dict[Any, dict[str, Any]] = {}
    for line in lines:
        value = finite(line.get("value_um"))
        cell = {
            "u": None if value is None else digits(lengths.scaled(value)),
            "dof": _dof(finite(line.get("dof"))),
        }
        row = rows.setdefault(line.get("name"), {"name": line.get("name"), "x": {}, "y": {}})
        # A line without a direction counts in both.
        for direction in "xy" if line.get("direction") not in ("x", "y") else line["direction"]:
            row[direction] = cell
    return list(rows.values())


def _dof(dof: float | None) -> str:
    return "∞" if dof is None or dof > 1e6 else f"{dof:.0f}"


def _combined(check: CheckView, lengths: Lengths) -> list[str]:
    """The combined and the expanded uncertainty of each mean."""
    texts = []
    for direction in "xy":
        u = finite(check.summary(direction).get("u_mean_um"))
        U_um, k, dof = check.expanded(direction, "mean_um")
        if u is not None and U_um is not None:
            combined, expanded = (digits(lengths.scaled(um)) for um in (u, U_um))
            texts.append(
                f"mean in {direction}: u = {combined} {lengths.unit}, U = {expanded} "
                f"{lengths.unit} (k = {k:.2f}, degrees of freedom {_dof(dof)})"
            )
    return texts


def _overlays(check: CheckView) -> list[dict[str, Any]]:
    share = _PICTURE_BYTES // max(1, len(check.overlays))
    return [{"name": o.name, "picture": embed(o.png, share)} for o in check.overlays]


def _scans(check: CheckView) -> list[dict[str, Any]]:
    images = {i.get("sha256"): i for i in check.measurement.get("images") or ()}
    return [{"scan": s, "image": _Known(images.get(s.sha256) or {})} for s in check.scans]


def _too_few(check: CheckView) -> dict[str, int] | None:
    """The counts where fewer apertures were measured than the limit on s requires."""
    n = finite((check.limits or {}).get("n"))
    counts = [finite(check.summary(direction).get("count")) for direction in "xy"]
    fewest = min((c for c in counts if c is not None), default=None)
    if n is None or fewest is None or fewest >= n:
        return None
    return {"required": int(n), "measured": int(fewest)}
