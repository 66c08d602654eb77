"""The report as files: an HTML page, a CSV table, JSON, and the accuracy page in Markdown."""

from __future__ import annotations

import csv
import io
import itertools
import json
from collections.abc import Iterable
from dataclasses import dataclass

from sieve_inspect.scale.parts import DEFAULTS, EDGE_BIAS, Cause, Sensor
from sieve_inspect.standard import limits
from sieve_inspect.validation.model import Group, Report, Row
from sieve_inspect.validation.threshold import ROUTE

_TITLES = {
    Group.CLEAN: "Clean scans",
    Group.HARD: "Scans with the faults of real ones",
    Group.COMB: "Difference of odd and even gaps",
    Group.LIGHT: "Light on round wires",
    Group.DAMAGE: "Damage",
    Group.REFUSAL: "What must be refused",
    Group.UNCERTAINTY: "Stated uncertainty",
}


def files_of(report: Report) -> dict[str, str]:
    """Names and texts of the files a report consists of, the page last."""
    return {
        "validation.csv": as_csv(report),
        "validation.json": as_json(report),
        "validation.md": as_markdown(report),
        "validation.html": as_html(report),
    }


def as_json(report: Report) -> str:
    """Schema `sieveward.validation/1`."""
    return json.dumps(report.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def as_csv(report: Report) -> str:
    """One line per row, the figures in columns of their own."""
    names = sorted({name for row in report.rows for name in row.figures})
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    fixed = ("group", "name", "tried", "truth", "result", "limit", "verdict")
    writer.writerow([*fixed, *names, "pixels_sha256"])
    for row in report.rows:
        texts = [getattr(row, name) for name in fixed]
        figures = [_number(row, name) for name in names]
        writer.writerow([*texts, *figures, " ".join(row.pixels_sha256)])
    return out.getvalue()


def _number(row: Row, name: str) -> str:
    value = row.figures.get(name)
    return "" if value is None else f"{value:.6g}"


def as_html(report: Report) -> str:
    """A page for a person and an auditor; needs no other file, prints on A4."""
    groups = [(title, report.of(group)) for group, title in _TITLES.items()]
    return _rendered(
        "validation.html",
        report=report,
        groups=[(title, rows) for title, rows in groups if rows],
        failed=sum(not row.holds for row in report.rows),
        route=ROUTE,
    )


def as_markdown(report: Report) -> str:
    """The accuracy page: every row with limits and measured values, and what was not reached.

    The text around the tables is `templates/accuracy.md`.
    """
    return _rendered(
        "accuracy.md",
        report=report,
        clean=_by_limit(report.of(Group.CLEAN)),
        hard=_by_limit(report.of(Group.HARD)),
        comb=report.of(Group.COMB),
        light=report.of(Group.LIGHT),
        damage=report.of(Group.DAMAGE),
        refused=report.of(Group.REFUSAL),
        uncertainty=report.of(Group.UNCERTAINTY),
        assumed=_assumed(),
        sensors={str(sensor): by_cause for sensor, by_cause in DEFAULTS.items()},
        causes=list(Cause),
    )


@dataclass(frozen=True)
class _Assumed:
    """A default of what a scale does not state: its share of Y, U (k = 2) over Y, at each size."""

    name: str
    u: str
    basis: str
    remedy: str
    shares: tuple[float, ...]


_ASSUMED_AT = ((75.0, 4800), (250.0, 2400), (1000.0, 1200), (4000.0, 600))  # um, dpi


def _assumed() -> list[_Assumed]:
    """Every default with what it costs at some sizes."""
    rows = [("edge bias", f"{EDGE_BIAS.u:.3f} px an edge", EDGE_BIAS, True)]
    flatbed = DEFAULTS[Sensor.LINE_CAMERA]
    rows += [(str(cause), f"{100 * d.u:.3f} %", d, False) for cause, d in flatbed.items()]
    table = []
    for name, u, default, per_edge in rows:
        shares = tuple(
            2 * default.u * (2 * 25_400 / dpi if per_edge else size) / limits(size).y_um
            for size, dpi in _ASSUMED_AT
        )
        table.append(_Assumed(name, u, default.basis, default.remedy, shares))
    return table


@dataclass(frozen=True)
class _Table:
    """Rows with the limit they share."""

    limit: str
    rows: list[Row]


def _by_limit(rows: Iterable[Row]) -> list[_Table]:
    ordered = sorted(rows, key=lambda row: row.limit)  # stable: keeps the order of the matrix
    return [_Table(k, list(part)) for k, part in itertools.groupby(ordered, lambda r: r.limit)]


def _threshold_cell(row: Row) -> str:
    """Bias of the threshold route as a table cell."""
    bias = row.figures.get("otsu_bias_px")
    return "–" if bias is None else f"{bias:+.2f}"


def _markdown_cell(text: str) -> str:
    """Text that stays in its cell of a Markdown table."""
    return " ".join(text.replace("|", "\\|").split())


def _rendered(template: str, **values: object) -> str:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("sieve_inspect.validation"),
        autoescape=jinja2.select_autoescape(("html",), default=False),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters.update(threshold=_threshold_cell, cell=_markdown_cell)
    return environment.get_template(template).render(**values)
