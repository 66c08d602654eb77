"""`sieveward measure`: apertures of one or more scans, no registry touched."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sieve_registry.cli.support.output import (
    JsonOption,
    emit_json,
    print_line,
    print_table,
    print_text,
    write_bytes,
)
from sieve_registry.cli.support.output_files import check_outputs
from sieve_registry.cli.support.running import (
    ClusterOption,
    ResumeOption,
    WorkersOption,
    print_remark,
    progress,
    resumable,
)

if TYPE_CHECKING:
    from sieve_inspect.measurement.model import Measurement
    from sieve_inspect.measurement.picture import Picture
    from sieve_inspect.measurement.scan_task import Task
    from sieve_inspect.scale import Scale
    from sieve_inspect.workers.runner import Runner

__all__ = ["chosen_scale", "measure", "print_measurement"]


def chosen_scale(scale: Path | None, um_per_px: str | None) -> Scale:
    """The scale from exactly one of `--scale` and `--um-per-px`."""
    from sieve_inspect.errors import MissingScaleError, UsageError
    from sieve_inspect.scale import load_scale, scale_from_text

    if scale is not None and um_per_px is not None:
        raise UsageError(message="Give --scale or --um-per-px, not both.")
    if scale is not None:
        return load_scale(scale)
    if um_per_px is not None:
        return scale_from_text(um_per_px)
    raise MissingScaleError()


def measure(
    images: Annotated[list[Path], typer.Argument(metavar="IMAGE...", help="Scans of one cloth.")],
    nominal: Annotated[
        str, typer.Option(metavar="L", help="Size on the rim: 75um, 0.075mm, 'No. 200'.")
    ],
    scale: Annotated[Path | None, typer.Option(metavar="FILE", help="Scale file.")] = None,
    um_per_px: Annotated[
        str | None, typer.Option(metavar="X[,Y]", help="Micrometres per pixel, by hand.")
    ] = None,
    encoding: Annotated[
        str, typer.Option(metavar="srgb|linear|auto", help="What the stored numbers mean.")
    ] = "auto",
    standard: Annotated[
        str | None, typer.Option(metavar="S", help="Judge by this edition or table.")
    ] = None,
    grade: Annotated[str, typer.Option(help="compliance, inspection or calibration.")] = (
        "compliance"
    ),
    rule: Annotated[
        str | None,
        typer.Option(
            metavar="RULE", help="guard-band, guard-band:R (R times U), simple, probability:P."
        ),
    ] = None,
    n: Annotated[
        int | None, typer.Option("--n", metavar="N", help="Apertures the limit on s is for.")
    ] = None,
    apertures: Annotated[
        Path | None, typer.Option(metavar="CSV", help="Write every aperture here.")
    ] = None,
    overlay: Annotated[
        Path | None, typer.Option(metavar="PNG", help="Write the marked picture here.")
    ] = None,
    cloth_map: Annotated[
        Path | None,
        typer.Option("--map", metavar="SVG", help="Draw local means and damage over the cloth."),
    ] = None,
    max_megapixels: Annotated[
        float | None,
        typer.Option(metavar="N", min=0, help="Another limit on the size of a scan."),
    ] = None,
    workers: WorkersOption = 1,
    cluster: ClusterOption = None,
    resume: ResumeOption = None,
    json: JsonOption = None,
) -> None:
    """Measure the apertures in one or more scans of a cloth."""
    from sieve_inspect.errors import UsageError
    from sieve_inspect.files import write_pieces
    from sieve_inspect.measurement.options import Judging, Resources
    from sieve_inspect.measurement.pipeline import measure as measured
    from sieve_inspect.standard import resolve_nominal

    if rule is not None and standard is None:
        raise UsageError(message="A --rule judges by limits: name them with --standard.")
    if max_megapixels is not None and not max_megapixels > 0:
        raise UsageError(message=f"--max-megapixels {max_megapixels:g} lets no picture in.")
    overlays = [] if overlay is None else [_numbered(overlay, i) for i in range(len(images))]
    check_outputs(
        [
            ("--apertures", apertures),
            *(("--overlay", path) for path in overlays),
            ("--map", cloth_map),
        ],
        json,
        [("the scale", scale), *(("the scan", path) for path in images)],
    )
    run = _runner(workers, cluster, resume)
    with resumable(resume):
        with progress("Measuring", len(images)) as told:
            result = measured(
                images,
                nominal_um=resolve_nominal(nominal),
                scale=chosen_scale(scale, um_per_px),
                encoding=encoding,
                judging=Judging(standard, grade, rule or "guard-band", n),
                resources=Resources(max_megapixels, told, run),
            )
        if apertures is not None:
            write_pieces(apertures, (lines.encode() for lines in result.apertures_lines()))
        for number, path in enumerate(overlays):
            write_bytes(path, result.overlay_png(number))
        if cloth_map is not None:
            from sieve_registry.report.maps import map_svg

            write_bytes(cloth_map, map_svg(result).encode())
    if not emit_json(json, result.to_dict()):
        print_measurement(result)


def _runner(workers: int, cluster: str | None, resume: Path | None) -> Runner[Task, Picture]:
    from sieve_inspect.measurement.scan_task import mark_of, taken_for
    from sieve_inspect.workers.cache import ResultCache
    from sieve_inspect.workers.cluster import runner

    run: Runner[Task, Picture] = runner(workers, cluster)
    return run if resume is None else ResultCache(resume, mark_of, taken_for, print_remark, run)


def _numbered(path: Path, number: int) -> Path:
    return path if number == 0 else path.with_name(f"{path.stem}-{number + 1}{path.suffix}")


def print_measurement(result: Measurement) -> None:
    """The measurement for a person, in 80 columns; digits follow the uncertainty."""
    from sieve_inspect.units import format_length

    x, y = result.directions
    digits = [_digits(2 * d.u_mean_um) for d in (x, y)]
    rows = [
        ("mean", *(f"{d.mean_um:.{k}f}" for d, k in zip((x, y), digits, strict=True))),
        (
            "U of the mean (k = 2)",
            *(f"{2 * d.u_mean_um:.{k}f}" for d, k in zip((x, y), digits, strict=True)),
        ),
        (
            "standard deviation s",
            *(f"{d.sd_um:.{k}f}" for d, k in zip((x, y), digits, strict=True)),
        ),
        ("smallest", *(f"{d.min_um:.{k}f}" for d, k in zip((x, y), digits, strict=True))),
        ("largest", *(f"{d.max_um:.{k}f}" for d, k in zip((x, y), digits, strict=True))),
        ("wire", *(f"{d.wire_mean_um:.{k}f}" for d, k in zip((x, y), digits, strict=True))),
        ("pitch", *(f"{d.pitch_um:.{k}f}" for d, k in zip((x, y), digits, strict=True))),
        ("apertures", str(x.count), str(y.count)),
    ]
    print_table(
        f"Apertures of nominal {format_length(result.nominal_um)}, in um",
        ("", "x", "y"),
        rows,
        numeric=("x", "y"),
    )
    print_text(
        f"Measured {result.count('ok')}, blocked {result.count('blocked')}, torn "
        f"{result.count('torn')}, left out {result.count('partial', 'unclear')}. "
        f"Scale: {result.scale.source}."
    )
    print_line(f"Imaging: {result.fit}.")
    for reason in result.fit_reasons:
        print_text(reason, "    ", first="  - ")
    if result.verdict is not None:
        verdict = result.verdict
        print_text(
            f"Verdict by {verdict.standard}, {verdict.grade}, decision rule {verdict.rule}: "
            f"{verdict.outcome}"
        )
        for reason in verdict.reasons:
            print_text(reason, "    ", first="  - ")
        print_text(verdict.action_reason)
    elif torn := result.count("torn"):
        holes = "a torn aperture lets" if torn == 1 else "torn apertures let"
        print_line(f"Look at the cloth: {holes} oversize through.")


def _digits(expanded_um: float) -> int:
    """Decimals that show two digits of an expanded uncertainty."""
    import math

    return max(0, 1 - math.floor(math.log10(expanded_um))) if expanded_um > 0 else 3
