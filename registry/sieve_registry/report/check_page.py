"""The report of a check: from its recorded data to the values the template prints."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from sieve_inspect.outcomes import NOT_JUDGED
from sieve_inspect.units import format_length
from sieve_registry.report.cloth_figures import cloth_map, enlarged, gap_charts
from sieve_registry.report.figures import histograms, intervals, limits_caption, margin_rows
from sieve_registry.report.formatting import (
    MARKS,
    OUTCOME_SENTENCES,
    Lengths,
    digits,
    edition,
    known,
    percent,
    sentence,
    with_micro,
)
from sieve_registry.report.pictures import embed
from sieve_registry.report.rendering import page_mark, render_page
from sieve_registry.report.uncertainty import expanded_of
from sieve_registry.report.view import CheckView
from sieve_registry.report.wear_text import wear_view

__all__ = ["render_check_report"]

_PICTURE_BYTES = 1_600_000  # all overlays together; base64 adds a third


def render_check_report(check: CheckView) -> str:
    """A self-contained HTML page for a check that prints on A4.

    The same view gives the same bytes. Unknown values are shown as a dash or named; every value is
    escaped.
    """
    return render_page("check.html", _context(check))


def _context(check: CheckView) -> dict[str, Any]:
    lengths = Lengths(check.sieve.nominal_um)
    measurement = check.measurement
    verdict = check.verdict or {}
    directions = measurement.get("directions") or {}
    return {
        "check": check,
        "page_mark": page_mark(f"check {check.check_id}, sieve {check.sieve.id}, {check.on_date}"),
        "unit": lengths.unit,
        "nominal": with_micro(format_length(check.sieve.nominal_um)),
        "frame": None if check.sieve.frame_um is None else format_length(check.sieve.frame_um),
        "standard": edition(check.sieve.standard),
        "verdict": _verdict(check),
        "margins": margin_rows(verdict, lengths),
        "limits_caption": limits_caption(verdict, lengths),
        "shares": [_share(row) for row in verdict.get("shares") or ()],
        "torn": _torn(measurement, verdict),
        "z_limit": _z_limit(check.limits, lengths),
        "intervals": intervals(verdict, lengths),
        "directions": _directions(check, lengths),
        "histograms": histograms(check, lengths),
        "gaps": gap_charts(check, lengths),
        "map": cloth_map(check, lengths),
        "enlarged": enlarged(check, lengths),
        "wear": None if check.wear is None else wear_view(check.wear, lengths),
        "apertures": _counts(measurement.get("apertures") or {}),
        "imaging": _imaging(measurement),
        "scale": _scale(measurement.get("scale") or {}),
        "budget": _budget(measurement.get("budget") or (), lengths),
        "combined": _combined(check, lengths),
        "overlays": _overlays(check),
        "scans": _scans(check),
        "limits": None if check.limits is None else _limits(check.limits),
        "too_few": _too_few(check.limits, directions),
        "angle": _figure(measurement.get("angle_deg"), ".2f"),
        "schema": measurement.get("schema"),
        "fields": len(check.scans) or len(measurement.get("images") or ()),
    }


def _figure(value: Any, form: str) -> str | None:
    number = known(value)
    return None if number is None else format(number, form).replace("-", "−")


def _verdict(check: CheckView) -> dict[str, Any]:
    verdict = check.verdict or {}
    outcome = str(verdict.get("outcome") or NOT_JUDGED)
    rule = str(verdict.get("rule") or "")
    imaging = check.measurement.get("imaging") or {}
    if outcome in MARKS and outcome != NOT_JUDGED:
        first = OUTCOME_SENTENCES.get((outcome, rule), "")
        reasons = [sentence(str(reason)) for reason in verdict.get("reasons") or ()]
    else:
        first = "No limits were applied: this check does not judge fitness for use."
        if imaging.get("fit") == "refused":
            first = "The picture quality is too low for a measurement: nothing was judged."
        reasons = [sentence(str(r)) for r in imaging.get("reasons") or ()]
    action, why = check.action or (verdict.get("action"), verdict.get("action_reason"))
    return {
        "outcome": outcome,
        "mark": MARKS.get(outcome, ""),
        "kind": outcome.split(maxsplit=1)[0] if outcome in MARKS else "not",
        "sentence": first,
        "reasons": reasons,
        "action": action,
        "action_reason": sentence(str(why or "").removeprefix("Proposed: ")),
        "rule": rule,
        "standard": edition(str(verdict.get("standard") or "")),
        "grade": verdict.get("grade"),
    }


def _share(row: Mapping[str, Any]) -> dict[str, Any]:
    value, allowed = known(row.get("percent")), known(row.get("limit_percent"))
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


def _torn(measurement: Mapping[str, Any], verdict: Mapping[str, Any]) -> str | None:
    """The number of torn apertures, None without any: they decide the outcome without a margin."""
    torn = known((measurement.get("apertures") or {}).get("torn"))
    return f"{torn:.0f}" if torn and verdict.get("margins") else None


def _counts(apertures: Mapping[str, Any]) -> dict[str, Any]:
    counts = {name: apertures.get(name) for name in ("measured", "blocked", "torn", "excluded")}
    return {**counts, "blocked_share": percent(apertures.get("blocked_share"))}


def _limits(limits: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "edition": edition(str(limits.get("standard") or "")),
        "designation": with_micro(str(limits.get("designation") or "")),
        "computed": bool(limits.get("computed")),
        "source": [with_micro(str(line)) for line in limits.get("source") or ()],
    }


def _z_limit(limits: Mapping[str, Any] | None, lengths: Lengths) -> str | None:
    z = known((limits or {}).get("z_um"))
    nominal = known((limits or {}).get("nominal_um"))
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
    directions = check.measurement.get("directions") or {}
    x, y = (directions.get(direction) or {} for direction in "xy")
    rows = [{"label": "apertures measured", "x": x.get("count"), "y": y.get("count")}]
    for label, key, quantity in _ROWS:
        cells = {direction: _cell(check, direction, key, quantity, lengths) for direction in "xy"}
        rows.append({"label": f"{label}, {lengths.unit}", **cells})
    rows.append({"label": "wires measured", "x": x.get("wire_count"), "y": y.get("wire_count")})
    return rows


def _cell(
    check: CheckView, direction: str, key: str, quantity: str, lengths: Lengths
) -> str | None:
    summary = (check.measurement.get("directions") or {}).get(direction) or {}
    found = expanded_of(check.measurement, check.verdict or {}, direction, quantity)
    value, expanded = lengths.value(summary.get(key), None if found is None else found.U_um)
    return f"{value} ± {expanded}" if key == quantity and value and expanded else value


def _imaging(measurement: Mapping[str, Any]) -> dict[str, Any]:
    imaging = measurement.get("imaging") or {}
    return {
        "fit": imaging.get("fit"),
        "reasons": [sentence(str(r)) for r in imaging.get("reasons") or ()],
        "aperture_px": _figure(imaging.get("aperture_px"), ".1f"),
        "blur_px": _figure(imaging.get("blur_px"), ".2f"),
        "noise": digits(imaging.get("noise_percent")),
        "contrast": _figure(imaging.get("contrast"), ".2f"),
    }


def _scale(scale: Mapping[str, Any]) -> dict[str, Any]:
    result: dict[str, Any] = {
        "source": scale.get("source"),
        "bias": _figure(scale.get("edge_bias_px"), ".3g"),
        "u_bias": digits(scale.get("u_edge_bias_px")) if scale.get("u_edge_bias_px") else None,
        "shear": _figure(scale.get("shear_deg"), ".3f") if scale.get("shear_deg") else None,
    }
    for d in "xy":
        value, u = known(scale.get(f"um_per_px_{d}")), known(scale.get(f"u_rel_{d}"))
        result[d] = None
        if value is not None:
            # digits to a tenth of the uncertainty, or six where there is none
            needed = 6 if not u else max(4, 2 + math.ceil(-math.log10(u)))
            result[d] = f"{value:.{min(needed, 9)}g}"
        result[f"u_{d}"] = None if u is None else digits(100 * u)
    return result


def _budget(lines: Iterable[Mapping[str, Any]], lengths: Lengths) -> list[dict[str, Any]]:
    """One row for each contribution, with u and degrees of freedom in x and in y."""
    rows: dict[Any, dict[str, Any]] = {}
    for line in lines:
        value = known(line.get("value_um"))
        cell = {
            "u": None if value is None else digits(lengths.scaled(value)),
            "dof": _dof(known(line.get("dof"))),
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
        summary = (check.measurement.get("directions") or {}).get(direction) or {}
        u = known(summary.get("u_mean_um"))
        found = expanded_of(check.measurement, check.verdict or {}, direction, "mean_um")
        if u is not None and found is not None:
            combined, expanded = (digits(lengths.scaled(um)) for um in (u, found.U_um))
            texts.append(
                f"mean in {direction}: u = {combined} {lengths.unit}, U = {expanded} "
                f"{lengths.unit} (k = {found.k:.2f}, degrees of freedom {_dof(found.dof)})"
            )
    return texts


def _overlays(check: CheckView) -> list[dict[str, Any]]:
    share = _PICTURE_BYTES // max(1, len(check.overlays))
    return [{"name": o.name, "picture": embed(o.png, share)} for o in check.overlays]


def _scans(check: CheckView) -> list[dict[str, Any]]:
    images = {i.get("sha256"): i for i in check.measurement.get("images") or ()}
    rows = []
    for scan in check.scans:
        image = images.get(scan.sha256) or {}
        width, height = image.get("width_px"), image.get("height_px")
        size = f"{width} × {height}" if width and height else None
        rows.append(
            {
                "scan": scan,
                "size": size,
                "encoding": image.get("encoding"),
                "why": image.get("encoding_reason"),
            }
        )
    return rows


def _too_few(
    limits: Mapping[str, Any] | None, directions: Mapping[str, Any]
) -> dict[str, int] | None:
    """The counts where fewer apertures were measured than the limit on s requires."""
    n = known((limits or {}).get("n"))
    counts = [known((directions.get(d) or {}).get("count")) for d in "xy"]
    fewest = min((c for c in counts if c is not None), default=None)
    if n is None or fewest is None or fewest >= n:
        return None
    return {"required": int(n), "measured": int(fewest)}
