"""A single line of known width on the command line: what it is told, and what is shown of it."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from sieve_registry.cli.support.options import opened
from sieve_registry.cli.support.output import print_line, print_table
from sieve_registry.cli.support.scales import NO_BASE, Taking, find_scale, names_a_file

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale
    from sieve_inspect.scale.artefact.line_bias import LineCalibration
    from sieve_inspect.scale.calibration import Calibration
    from sieve_inspect.scale.edge_bias import BiasRow

__all__ = [
    "line_by_hand",
    "print_bias_budget",
    "print_figures",
    "print_lined",
    "print_warnings",
    "with_doubts",
]

_PITCH_DOUBT = (
    "Not certified: without --u-pitch from a certificate 0.1 % is assumed as the standard "
    "uncertainty of the pitch."
)
_WIDTH_DOUBT = (
    "Not certified: without --u-line-width the uncertainty of the line's width counts as none, "
    "so that the edge bias looks surer than it is."
)

Told = tuple[str | None, str | None, str | None, str | None, str | None, str | None]


def line_by_hand(
    context: typer.Context, taking: Taking, base: str | None, told: Told
) -> LineCalibration:
    """The edge bias from what was typed: pattern, pitch, its U, width, its U, source.

    Raises `UsageError` for what a line has not, or lacks.
    """
    from sieve_inspect.errors import UsageError
    from sieve_inspect.scale.artefact.line_bias import KnownLine
    from sieve_inspect.units import parse_length_um

    pattern, pitch, u_pitch, width, u_width, source = told
    if pattern != "line":
        raise UsageError(
            message="--base is for a single line: say --pattern line, or leave it out."
        )
    if base is None:
        raise UsageError(message=NO_BASE)
    if pitch is not None or u_pitch is not None:
        raise UsageError(message="A single line has no pitch: leave --pitch and --u-pitch out.")
    if width is None:
        raise UsageError(message="A single line is known by its width: give --line-width.")
    u = 0.0 if u_width is None else parse_length_um(u_width) / 2
    line = KnownLine(
        parse_length_um(width), u, source or f"line of {width}", certified=u_width is not None
    )
    return taking.calibrate_line(line, *_base(context, base))


def with_doubts(
    found: Calibration | LineCalibration,
    pattern: str | None,
    u_pitch: str | None,
    width: str | None,
    u_width: str | None,
) -> Calibration | LineCalibration:
    """What was found, marked as not certified where no uncertainty of the artefact was typed.

    The mark stands in the scale's source, which every measurement by it tells.
    """
    doubts: list[str] = []
    if pattern != "line" and u_pitch is None:
        doubts.append(_PITCH_DOUBT)
    if width is not None and u_width is None:
        doubts.append(_WIDTH_DOUBT)
    if not doubts:
        return found
    source = f"{found.scale.source}, not certified"
    return replace(
        found,
        scale=replace(found.scale, source=source),
        warnings=(*doubts, *found.warnings),
    )


def _base(context: typer.Context, base: str) -> tuple[Scale, dict[str, Any]]:
    """The scale `--base` names, and what its file says."""
    from sieve_inspect.scale import load_scale
    from sieve_registry.scales.calibrations import KeptScale

    path = Path(base)
    if not names_a_file(base):
        with opened(context) as registry:
            found = find_scale(registry, base, registry.today())
            if isinstance(found, KeptScale):
                return found.scale(registry), found.file(registry)
    return load_scale(path), json.loads(path.read_text(encoding="utf-8"))


def print_lined(found: LineCalibration) -> None:
    """The result for a person: figures with U (k = 2), the budget of the bias, warnings."""
    print_figures(found.scale, with_bias=True)
    print_line()
    print_bias_budget(found.bias_budget)
    count = len(found.looks)
    pictures = "1 picture" if count == 1 else f"{count} pictures"
    per_px = found.residual_rms_um / found.um_per_px
    print_line(f"{found.marks_used} pieces of the line in {pictures},")
    print_line(f"off a straight one by {found.residual_rms_um:.3g} um rms ({per_px:.3f} px)")
    print_warnings(found.warnings)


def print_figures(s: Scale, *, with_bias: bool) -> None:
    """A scale's figures with their U (k = 2)."""
    rows = [
        ("x", f"{s.um_per_px_x:.5f}", f"{2 * s.u_rel_x * s.um_per_px_x:.5f}", "um per px"),
        ("y", f"{s.um_per_px_y:.5f}", f"{2 * s.u_rel_y * s.um_per_px_y:.5f}", "um per px"),
        ("shear", f"{s.shear_deg:.4f}", f"{2 * s.u_shear_deg:.4f}", "degrees"),
    ]
    if with_bias:
        rows.append(
            ("edge bias", f"{s.edge_bias_px:.4f}", f"{2 * s.u_edge_bias_px:.4f}", "px each edge")
        )
    print_table("Scale", ("figure", "value", "U (k = 2)", "unit"), rows, ("value", "U (k = 2)"))


def print_bias_budget(rows: Sequence[BiasRow]) -> None:
    """Where the uncertainty of an edge bias comes from; nothing where there is none."""
    if rows:
        print_table(
            "Budget of the edge bias, standard uncertainty",
            ("source", "px"),
            [(row.name, f"{row.u_px:.4f}") for row in rows],
            ("px",),
        )
        print_line()


def print_warnings(warnings: Sequence[str]) -> None:
    """Warnings within 80 columns."""
    for warning in warnings:
        for line in textwrap.wrap(f"warning: {warning}", 78, subsequent_indent="  "):
            print_line(line)
