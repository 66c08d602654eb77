"""The report as files: one HTML page that needs nothing else, a CSV table, JSON."""

from __future__ import annotations

import csv
import io
import json
from html import escape

from sieve_inspect.validation.model import Report, Row
from sieve_inspect.validation.threshold import ROUTE

__all__ = ["as_csv", "as_html", "as_json", "as_markdown", "files_of"]

_GROUPS = {
    "clean": "Clean scans",
    "hard": "Scans as people make them",
    "comb": "Weaving comb",
    "damage": "Damage",
    "refusal": "What must be refused",
    "honesty": "Stated uncertainty",
}
_STYLE = """
body{font:14px/1.45 system-ui,sans-serif;max-width:72em;margin:2em auto;padding:0 1em;color:#111}
table{border-collapse:collapse;width:100%;margin:.5em 0 2em}
th,td{border:1px solid #bbb;padding:.25em .5em;text-align:left;vertical-align:top}
th{background:#eee}td.n{text-align:right;white-space:nowrap}
tr.no td{background:#f4f4f4;font-weight:bold}code{font-size:85%}
@media print{body{font-size:9pt}@page{size:A4 landscape;margin:12mm}}
"""


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
        told = [getattr(row, name) for name in fixed]
        figures = [_number(row, name) for name in names]
        writer.writerow([*told, *figures, " ".join(row.pixels_sha256)])
    return out.getvalue()


def _number(row: Row, name: str) -> str:
    value = row.figures.get(name)
    return "" if value is None else f"{value:.6g}"


def as_html(report: Report) -> str:
    """A page for a person and an auditor; prints on A4."""
    bad = [row for row in report.rows if not row.holds]
    answer = "Every row holds." if not bad else f"{len(bad)} of {len(report.rows)} do not hold."
    versions = ", ".join(f"{name} {value}" for name, value in report.versions.items())
    parts = [
        "<!doctype html><html lang='en'><head><meta charset='utf-8'>",
        f"<title>Validation of sieveward</title><style>{_STYLE}</style></head><body>",
        f"<h1>Validation of the measuring software</h1><p><strong>{escape(answer)}</strong></p>",
        f"<p>Made {escape(report.made)} (UTC) in {report.seconds:.0f} s"
        f"{', quick part only' if report.quick else ''}, on {escape(report.platform)}; "
        f"{escape(versions)}.</p>",
        "<p>Each picture is drawn from a cloth whose every edge is known, by fixed seeds, on this "
        "machine; then it is saved as a file and measured like any scan. What is drawn has "
        "perfect wires, a known scale and no lens: this proves the software, not a scanner.</p>",
    ]
    for group, title in _GROUPS.items():
        rows = [row for row in report.rows if row.group == group]
        if rows:
            parts.append(f"<h2>{escape(title)}</h2>{_table(rows)}")
    parts.append(_notes(report))
    return "\n".join([*parts, "</body></html>\n"])


def _table(rows: list[Row]) -> str:
    other = any("otsu_bias_px" in row.figures for row in rows)
    heads = ["name", "tried", "truth", "result", "limit", "verdict"]
    if other:
        heads.insert(4, "threshold route, bias")
    lines = ["<table><tr>", *(f"<th>{head}</th>" for head in heads), "</tr>"]
    for row in rows:
        cells = [row.name, row.tried, row.truth, row.result, row.limit, row.verdict]
        if other:
            cells.insert(4, _other(row))
        lines.append(f"<tr{'' if row.holds else ' class=no'}>")
        lines += [f"<td>{escape(cell)}</td>" for cell in cells]
        lines.append("</tr>")
    return "".join([*lines, "</table>"])


def _other(row: Row) -> str:
    bias = row.figures.get("otsu_bias_px")
    return "–" if bias is None else f"{bias:+.2f} px"


def _notes(report: Report) -> str:
    absent = report.versions.get("scikit-image") == "not installed"
    hashes = "".join(
        f"<tr><td>{escape(row.name)}</td><td><code>{digest}</code></td></tr>"
        for row in report.rows
        for digest in row.pixels_sha256
    )
    return (
        "<h2>How to read it</h2><ul>"
        "<li>Bias: mean of measured less true widths; s: standard deviation of their errors, one "
        "aperture each; both in px.</li>"
        "<li>Bound: Cramér and Rao for the width between two edges of known blur and level, "
        "(σ/A)·√(2 / (n ∫L²)), with n the rows in the middle half of the aperture, L the true line "
        "spread with the pixel's width, σ the true noise on the edges and A the contrast.</li>"
        "<li>Coverage: measured share of the whole, sound apertures; false: apertures measured "
        "where no whole one is.</li>"
        f"<li>Threshold route: {escape(ROUTE)}"
        f"{'; scikit-image is not installed here, so it was left out' if absent else ''}.</li>"
        "<li>Limits: bias 0.02 px, but 0.04 px where the blur is not Gaussian or the aperture "
        "under 6 px; clean scans 0.015 px, 0.03 px at 7 px.</li></ul>"
        "<h2>Pictures</h2><p>SHA-256 of the pixels drawn. Another machine may round a pixel the "
        "other way; then hashes differ and results hardly do.</p>"
        f"<table><tr><th>name</th><th>pixels</th></tr>{hashes}</table>"
    )


def as_markdown(report: Report) -> str:
    """The accuracy rows as a short table, for the documents."""
    lines = [
        "| picture | bias x, y (px) | s x, y (px) | × bound | coverage | threshold route (px) |",
        "|---|---|---|---|---|---|",
    ]
    for row in report.rows:
        f = row.figures
        if row.group not in ("clean", "hard"):
            continue
        mark = "" if row.holds else " **(does not hold)**"
        if "bias_x_px" not in f:
            lines.append(f"| {row.name}{mark} | {row.result} | | | | |")
            continue
        lines.append(
            f"| {row.name}{mark} | {f['bias_x_px']:+.4f}, {f['bias_y_px']:+.4f} "
            f"| {f['s_x_px']:.4f}, {f['s_y_px']:.4f} | {f['ratio_x']:.2f}, {f['ratio_y']:.2f} "
            f"| {100 * (f['coverage'] or 0):.1f} % | {_other(row).removesuffix(' px')} |"
        )
    lines += ["", "| picture | truth | result |", "|---|---|---|"]
    for row in report.rows:
        if row.group in ("comb", "damage", "honesty"):
            mark = "" if row.holds else " **(does not hold)**"
            lines.append(f"| {row.name}{mark} | {row.truth} | {row.result} |")
    return "\n".join(lines) + "\n"
