"""The cloth's own figures in a report: map, enlarged apertures, odd and even gaps."""

from __future__ import annotations

import base64
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sieve_registry.report.formatting import Lengths, clean, known
from sieve_registry.report.gaps import gaps_svg, halves_of
from sieve_registry.report.maps import ClothMap, cloth_map_svg, map_of
from sieve_registry.report.view import CheckView

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["cloth_map", "enlarged", "gap_charts"]

_FIELDS = 3  # in one figure, which has to fit on a page


def cloth_map(check: CheckView, lengths: Lengths) -> dict[str, Any] | None:
    """The map with its caption; None where the table does not say where the apertures lie."""
    from markupsafe import Markup

    names = [str(clean(scan.name)) for scan in check.scans]
    highest = known((check.limits or {}).get("max_um"))
    numbered = [(one.number, one.index, one.direction) for one in check.enlarged]
    found = map_of(check.apertures, names, highest, numbered, lengths.unit)
    if found is None:
        return None
    marks = _marks(found, highest is not None)
    label = (
        f"Map of the cloth: local means of x and y over {len(found.fields)} "
        f"field{'s' if len(found.fields) != 1 else ''}, at most {found.reach:.2g} {found.unit} "
        f"off the direction’s mean. {marks}"
    )
    parts = [found.fields[i : i + _FIELDS] for i in range(0, len(found.fields), _FIELDS)]
    return {
        "svgs": [
            Markup(cloth_map_svg(replace(found, fields=part), label, f"map-{n}"))
            for n, part in enumerate(parts, start=1)
        ],
        "marks": marks,
        "thinned": found.thinned,
        "numbered": bool(numbered),
    }


def _marks(found: ClothMap, judged: bool) -> str:
    blocked, torn, over = found.counts
    told = [f"{blocked} blocked (cross)", f"{torn} torn (diamond)"]
    if judged:
        told.append(f"{over} wider than any aperture may be (triangle)")
    return f"Places marked: {', '.join(told)}."


def enlarged(check: CheckView, lengths: Lengths) -> list[dict[str, Any]]:
    """The enlarged apertures with their words, in order."""
    rows = []
    per = (check.measurement.get("directions") or {}).get("x") or {}
    u = known(per.get("u_max_um"))
    for one in check.enlarged:
        width, _ = lengths.value(one.width_um, None if u is None else 2 * u)
        told = f"{width} {lengths.unit} in {one.direction}" if width else "not measured"
        if one.state == "torn":
            told = "torn: a wire is missing or broken"
        uri = None
        if one.jpeg is not None:
            uri = f"data:image/jpeg;base64,{base64.b64encode(one.jpeg).decode('ascii')}"
        rows.append({"number": one.number, "told": told, "scan": one.scan, "uri": uri})
    return rows


def gap_charts(check: CheckView, lengths: Lengths) -> list[dict[str, Markup | str]]:
    """A chart for each direction whose odd and even gaps differ."""
    from markupsafe import Markup

    charts: list[dict[str, Markup | str]] = []
    for direction in "xy":
        found = halves_of(check.apertures, direction)
        if found is None:
            continue
        summary = (check.measurement.get("directions") or {}).get(direction) or {}
        u = known(summary.get("u_mean_um"))
        apart, _ = lengths.value(found.difference_um, None if u is None else 2 * u)
        told = (
            f"Odd and even gaps differ in {direction}: by {apart} {lengths.unit} in the mean "
            f"({len(found.wider)} and {len(found.narrower)} apertures)."
        )
        svg = Markup(gaps_svg(found, lengths.unit, f"Histogram of both kinds of gaps. {told}"))
        charts.append({"svg": svg, "told": told})
    return charts
