"""`sieveward measure`: apertures of one or more scans, without a registry."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from sieve_inspect.errors import MissingScaleError, UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, option
from sieve_registry.cli.support.running import (
    ClusterOption,
    ResumeOption,
    WorkersOption,
    progress,
    resumable,
    runner_of,
)

if TYPE_CHECKING:
    from sieve_inspect.measurement.lighting import LightCorrection
    from sieve_inspect.measurement.model import Measurement
    from sieve_inspect.measurement.picture import Picture
    from sieve_inspect.measurement.scan_task import Task
    from sieve_inspect.scale import Scale
    from sieve_inspect.summary.direction import DirectionSummary
    from sieve_inspect.workers.runner import Runner

ImagesArgument = Annotated[list[Path], argument("Scans of one cloth.", "IMAGE...")]
NominalOption = Annotated[str, option("Size on the rim: 75um, 0.075mm, 'No. 200'.", "L")]
LabelOption = Annotated[
    str | None, option("Size on the rim: 75um, 0.075mm, 'No. 200'; else names the nearest.", "L")
]
DpiOption = Annotated[float | None, option("Resolution as the scale, on trust.", "N")]
ScaleOption = Annotated[Path | None, option("Scale file.", "FILE")]
StandardOption = Annotated[str | None, option("Judge by this edition or table.", "S")]
GradeOption = Annotated[str, option("compliance, inspection or calibration.")]
RuleOption = Annotated[
    str | None, option("guard-band, guard-band:R (R times U), simple, probability:P.", "RULE")
]
CountOption = Annotated[
    int | None, option("Number of apertures for the limit on s.", "N", name="--n")
]
AperturesOption = Annotated[Path | None, option("Write a table of all apertures.", "CSV")]
OverlayOption = Annotated[Path | None, option("Write the scan with the apertures marked.", "PNG")]
MapOption = Annotated[
    Path | None, option("Draw local means and damage over the cloth.", "SVG", name="--map")
]
SizeOption = Annotated[float | None, option("Largest size of a scan, megapixels.", "N", min=0)]


def measure(
    images: ImagesArgument,
    nominal: LabelOption = None,
    scale: ScaleOption = None,
    um_per_px: options.UmPerPx = None,
    dpi: DpiOption = None,
    sensor: options.SensorOption = "",
    lamp_angle: options.LampAngle = None,
    view_angle: options.ViewAngle = None,
    illumination: options.IlluminationFile = None,
    encoding: options.Encoding = "auto",
    standard: StandardOption = None,
    grade: GradeOption = "compliance",
    rule: RuleOption = None,
    n: CountOption = None,
    apertures: AperturesOption = None,
    overlay: OverlayOption = None,
    cloth_map: MapOption = None,
    max_megapixels: SizeOption = None,
    workers: WorkersOption = 1,
    cluster: ClusterOption = None,
    resume: ResumeOption = None,
    json: options.Json = None,
) -> None:
    """Measure the apertures in one or more scans of a cloth."""
    from sieve_inspect.measurement.options import Judging, Resources
    from sieve_inspect.measurement.pipeline import measure as measure_scans
    from sieve_inspect.measurement.scan_task import cache_key, cached_picture
    from sieve_inspect.standard import resolve_nominal

    if rule is not None and standard is None:
        raise UsageError(message="Standard missing: with --rule give --standard too.")
    if max_megapixels is not None and not max_megapixels > 0:
        raise UsageError(message=f"Give --max-megapixels above 0, not {max_megapixels:g}.")
    overlays = [] if overlay is None else [_numbered(overlay, i) for i in range(len(images))]
    outputs = [("--apertures", apertures), ("--map", cloth_map)]
    outputs[1:1] = [("--overlay", path) for path in overlays]
    inputs = [("the scale", scale), ("the illumination", illumination)]
    inputs += [("the scan", path) for path in images]
    output.check_outputs(outputs, json, inputs)
    run: Runner[Task, Picture] = runner_of(workers, cluster, resume, cache_key, cached_picture)
    with resumable(resume):
        with progress("Measuring", len(images)) as update:
            measurement = measure_scans(
                images,
                nominal_um=None if nominal is None else resolve_nominal(nominal),
                scale=options.seen_by(read_scale(scale, um_per_px, dpi), sensor),
                encoding=encoding,
                illumination=options.stated_light(lamp_angle, view_angle, illumination),
                judging=Judging(standard, grade, rule or "guard-band", n),
                resources=Resources(max_megapixels, update, run),
            )
        _write(measurement, apertures, overlays, cloth_map)
    _remark_on_scale(measurement.scale, images)
    if not output.emit(json, measurement.to_dict()):
        print_measurement(measurement)


def _remark_on_scale(scale: Scale, images: list[Path]) -> None:
    """A remark on each scan whose dpi tag contradicts the scale; a check would be refused."""
    from sieve_registry.cli.support.running import print_remark
    from sieve_registry.scales.plausibility import contradictions_of_tags, dpi_of_file

    for words in contradictions_of_tags(scale, [(path.name, dpi_of_file(path)) for path in images]):
        print_remark(f"the scale is not plausible: {words}")


def read_scale(file: Path | None, um_per_px: str | None, dpi: float | None = None) -> Scale:
    """The scale from exactly one of `--scale`, `--um-per-px` and, where it is taken, `--dpi`."""
    from sieve_inspect.scale import load_scale, scale_from_dpi, scale_from_text

    if file is not None and um_per_px is not None:
        raise UsageError(message="Give --scale or --um-per-px, not both.")
    if dpi is not None:
        if file is not None or um_per_px is not None:
            raise UsageError(message="Give --dpi or another scale, not both.")
        return scale_from_dpi(dpi)
    if file is not None:
        return load_scale(file)
    if um_per_px is not None:
        return scale_from_text(um_per_px)
    raise MissingScaleError()


def _write(
    measurement: Measurement, apertures: Path | None, overlays: list[Path], cloth_map: Path | None
) -> None:
    from sieve_inspect.files import write_pieces

    if apertures is not None:
        write_pieces(apertures, (lines.encode() for lines in measurement.apertures_lines()))
    for number, path in enumerate(overlays):
        output.write_bytes(path, measurement.overlay_png(number))
    if cloth_map is not None:
        from sieve_registry.report.maps import map_svg

        output.write_bytes(cloth_map, map_svg(measurement).encode())


def _numbered(path: Path, number: int) -> Path:
    return path if number == 0 else path.with_name(f"{path.stem}-{number + 1}{path.suffix}")


def print_measurement(measurement: Measurement) -> None:
    """The measurement for a person, in 80 columns."""
    _print_directions(measurement)
    if not measurement.labelled:
        output.text(_nearest(measurement))
    output.text(
        f"Measured {measurement.count('ok')}, blocked {measurement.count('blocked')}, torn "
        f"{measurement.count('torn')}, left out {measurement.count('partial', 'unclear')}. "
        f"Scale: {measurement.scale.source}."
    )
    output.text(light_sentence(measurement.light))
    output.line(f"Imaging: {measurement.fit}.")
    output.listed(measurement.fit_reasons)
    verdict = measurement.verdict
    if verdict is not None:
        output.text(
            f"Verdict by {verdict.standard}, {verdict.grade}, decision rule {verdict.rule}: "
            f"{verdict.outcome}"
        )
        output.listed(verdict.reasons)
        output.text(verdict.action_reason)
        return
    output.listed(measurement.repeated)
    if torn := measurement.count("torn"):
        holes = "a torn aperture lets" if torn == 1 else "torn apertures let"
        output.line(f"Inspect the cloth: {holes} oversize through.")


def light_sentence(light: LightCorrection) -> str:
    """What was corrected for lamp and view, and how far it is known."""
    glow, view = max(light.glow_um), max(light.view_um, key=abs)
    parts = []
    if glow:
        parts.append(f"apertures looked up to {glow:.2g} um too wide")
    if view:
        parts.append(f"the view up to {abs(view):.2g} um too narrow")
    done = f"{', '.join(parts)}: corrected" if parts else "nothing corrected"
    return f"Light: {light.source}; {done}, ±{2 * max(light.u_um):.2g} um left (k = 2)."


def _nearest(measurement: Measurement) -> str:
    """A sentence on the nearest published sizes."""
    from sieve_inspect.units import format_length

    sizes = [
        f"{format_length(size.nominal_um)} ({size.series}"
        + (f", {size.astm}" if size.astm else "")
        + f", {size.off_percent:+.1f} %)"
        for size in measurement.nearest()
    ]
    return f"Nearest published sizes: {'; '.join(sizes)}. Not judged: give --nominal."


def _print_directions(measurement: Measurement) -> None:
    """Figures in x and y; digits follow the uncertainty of the mean."""
    from sieve_inspect.units import format_length

    both = measurement.directions

    def row(name: str, figure: Callable[[DirectionSummary], float]) -> tuple[str, str, str]:
        x, y = (f"{figure(d):.{_decimals(d.U_mean_um)}f}" for d in both)
        return name, x, y

    rows = [
        row("mean", lambda d: d.mean_um),
        row("U of the mean", lambda d: d.U_mean_um),
        ("  coverage factor k", *(f"{d.k_mean:.2f}" for d in both)),
        row("standard deviation s", lambda d: d.sd_um),
        row("smallest", lambda d: d.min_um),
        row("largest", lambda d: d.max_um),
        row("wire", lambda d: d.wire_mean_um),
        row("pitch", lambda d: d.pitch_um),
        ("apertures", *(str(d.count) for d in both)),
    ]
    nominal = f"of nominal {format_length(measurement.nominal_um)}"
    title = f"Apertures {nominal if measurement.labelled else 'without a nominal'}, in um"
    output.table(title, {"": "", "x": ">", "y": ">"}, rows)


def _decimals(expanded_um: float) -> int:
    """Decimals that show two digits of an expanded uncertainty."""
    import math

    return max(0, 1 - math.floor(math.log10(expanded_um))) if expanded_um > 0 else 3
