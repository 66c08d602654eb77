"""The figures of the cloth in a report: map, enlarged apertures, odd and even gaps."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sieve_registry.report.formatting import Lengths, clean, known
from sieve_registry.report.gaps import gaps_svg, halves_of
from sieve_registry.report.maps import ClothMap, cloth_map_svg, map_of
from sieve_registry.report.pictures import data_uri
from sieve_registry.report.uncertainty import expanded_of
from sieve_registry.report.view import CheckView, Enlarged

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["cloth_map", "enlarged", "gap_charts"]

_FIELDS = 3  # in one figure, which has to fit on a page


def cloth_map(check: CheckView, lengths: Lengths) -> dict[str, Any] | None:
    """The map with its caption; None without the places of the apertures."""
    from markupsafe import Markup

    names = [str(clean(scan.name)) for scan in check.scans]
    highest = known((check.limits or {}).get("max_um"))
    numbered = [(shown.number, shown.index, shown.direction) for shown in check.enlarged]
    mapped = map_of(check.apertures, names, highest, numbered, lengths.unit)
    if mapped is None:
        return None
    marks = _marks(mapped, highest is not None)
    label = (
        f"Map of the cloth: local means of x and y over {len(mapped.fields)} "
        f"field{'s' if len(mapped.fields) != 1 else ''}, deviating at most {mapped.reach:.2g} "
        f"{mapped.unit} from the direction’s mean. {marks}"
    )
    parts = [mapped.fields[i : i + _FIELDS] for i in range(0, len(mapped.fields), _FIELDS)]
    return {
        "svgs": [
            Markup(cloth_map_svg(replace(mapped, fields=part), label, f"map-{n}"))
            for n, part in enumerate(parts, start=1)
        ],
        "marks": marks,
        "thinned": mapped.thinned,
        "numbered": bool(numbered),
    }


def _marks(mapped: ClothMap, judged: bool) -> str:
    blocked, torn, over = mapped.counts
    counts = [f"{blocked} blocked (cross)", f"{torn} torn (diamond)"]
    if judged:
        counts.append(f"{over} over the limit of a single aperture (triangle)")
    return f"Marks: {', '.join(counts)}."


def enlarged(check: CheckView, lengths: Lengths) -> list[dict[str, Any]]:
    """The enlarged apertures with their captions, in order."""
    return [
        {
            "number": shown.number,
            "caption": _caption(check, shown, lengths),
            "scan": shown.scan,
            "uri": None if shown.jpeg is None else data_uri("jpeg", shown.jpeg),
        }
        for shown in check.enlarged
    ]


def _caption(check: CheckView, shown: Enlarged, lengths: Lengths) -> str:
    if shown.state == "torn":
        return "torn: a wire is missing or broken"
    of_single = expanded_of(check.measurement, check.verdict or {}, "x", "max_um")
    width, _ = lengths.value(shown.width_um, None if of_single is None else of_single.U_um)
    return f"{width} {lengths.unit} in {shown.direction}" if width else "not measured"


def gap_charts(check: CheckView, lengths: Lengths) -> list[dict[str, Markup | str]]:
    """A chart for each direction whose odd and even gaps differ."""
    from markupsafe import Markup

    charts: list[dict[str, Markup | str]] = []
    for direction in "xy":
        halves = halves_of(check.apertures, direction)
        if halves is None:
            continue
        of_mean = expanded_of(check.measurement, check.verdict or {}, direction, "mean_um")
        apart, _ = lengths.value(halves.difference_um, None if of_mean is None else of_mean.U_um)
        caption = (
            f"The means of odd and even gaps differ in {direction} by {apart} {lengths.unit} "
            f"({len(halves.wider)} and {len(halves.narrower)} apertures)."
        )
        svg = Markup(gaps_svg(halves, lengths.unit, f"Histogram of both kinds of gaps. {caption}"))
        charts.append({"svg": svg, "caption": caption})
    return charts
