"""`sieveward compare`: the same cloth or not, and what changed; no registry is touched."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from sieve_inspect.errors import UsageError
from sieve_registry.cli.commands.measure import DpiOption, ScaleOption, read_scale
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.option_names import with_options
from sieve_registry.cli.support.options import argument, flag, option
from sieve_registry.cli.support.running import busy

if TYPE_CHECKING:
    from sieve_inspect.identity.comparison import Comparison
    from sieve_inspect.scale import Scale

SameDeviceOption = Annotated[
    bool, flag("--same-device", "One device made both scans, whatever their scales.")
]
ReferenceOption = Annotated[
    tuple[Path, Path] | None,
    option("Scans of another, unworn cloth, made as BEFORE and as AFTER.", "BEFORE AFTER"),
]
_SHOWN = 12  # changed apertures in the text; JSON has all


def compare(
    before: Annotated[Path, argument("The earlier scan.", "BEFORE")],
    after: Annotated[Path, argument("The later scan.", "AFTER")],
    nominal: Annotated[str, option("Size on the rim: 75um, 0.075mm, 'No. 200'.", "L")],
    scale: ScaleOption = None,
    um_per_px: options.UmPerPx = None,
    dpi: DpiOption = None,
    scale_after: Annotated[
        Path | None, option("Scale file of AFTER, if different.", "FILE")
    ] = None,
    um_per_px_after: Annotated[
        str | None, option("Micrometres per pixel of AFTER, if different.", "X[,Y]")
    ] = None,
    dpi_after: Annotated[float | None, option("Resolution of AFTER, if different.", "N")] = None,
    lamp_angle: options.LampAngle = None,
    view_angle: options.ViewAngle = None,
    illumination: options.IlluminationFile = None,
    illumination_after: Annotated[
        Path | None, option("Illumination file of AFTER, if different.", "FILE")
    ] = None,
    same_device: SameDeviceOption = False,
    reference: ReferenceOption = None,
    encoding: options.Encoding = "auto",
    json: options.Json = None,
) -> None:
    """Say whether two scans show the same cloth, and what changed on it."""
    from sieve_inspect.illumination.model import load_illumination
    from sieve_inspect.measurement.comparing import compare_measurements
    from sieve_inspect.measurement.pipeline import measure
    from sieve_inspect.standard import resolve_nominal

    scans = [(before, after), *([reference] if reference else [])]
    inputs = [("the scan", path) for pair in scans for path in pair]
    output.check_outputs([], json, [*inputs, ("the scale", scale), ("the scale", scale_after)])
    first = read_scale(scale, um_per_px, dpi)
    light = options.stated_light(lamp_angle, view_angle, illumination)
    scales = first, _scale_after(scale_after, um_per_px_after, dpi_after) or first
    lights = light, light if illumination_after is None else load_illumination(illumination_after)
    size = resolve_nominal(nominal)
    with busy("Comparing"):
        pairs = [
            [
                measure(path, nominal_um=size, scale=s, encoding=encoding, illumination=lit)
                for path, s, lit in zip(pair, scales, lights, strict=True)
            ]
            for pair in scans
        ]
        comparison = compare_measurements(
            *pairs[0],
            same_device=same_device,
            reference=(pairs[1][0], pairs[1][1]) if reference else None,
        )
    if not output.emit(json, comparison.to_dict()):
        print_comparison(comparison)


def _remedy() -> str:
    from sieve_inspect.identity.common_errors import REMEDY

    return with_options(REMEDY)


def _scale_after(file: Path | None, um_per_px: str | None, dpi: float | None) -> Scale | None:
    given = [value for value in (file, um_per_px, dpi) if value is not None]
    if len(given) > 1:
        raise UsageError(
            message="Give one of --scale-after, --um-per-px-after and --dpi-after, not several."
        )
    return read_scale(file, um_per_px, dpi) if given else None


def print_comparison(comparison: Comparison) -> None:
    """The comparison for a person, in 80 columns."""
    match, aligned, changes = comparison.match, comparison.aligned, comparison.changes
    output.text(f"{match.reason}.")
    if aligned is None or changes is None:
        return
    x, y = aligned.shift_um
    over = ", seen from the other side" if aligned.overlap.place.turn.mirrored else ""
    output.text(
        f"Two other cloths agree so with a probability below {max(match.p_false, 1e-99):.0e}. "
        f"The cloth is turned by {aligned.turned_deg:+.2f}° and moved by {x:+.0f}, {y:+.0f} um"
        f"{over}."
    )
    rows = [
        (
            name,
            f"{change.mean_um:+.3f}",
            f"{change.U_um:.3f}",
            "yes" if change.significant else "no",
            f"{100 * change.stretch:+.3f}",
            f"{100 * change.U_stretch:.3f}",
        )
        for name, change in zip("xy", changes.directions, strict=True)
    ]
    columns = {
        "": "",
        "mean change": ">",
        "U": ">",
        "significant": ">",
        "pitch, %": ">",
        "U, %": ">",
    }
    output.table("Change at equal pitch, after less before, in um", columns, rows)
    if any(change.remedy for change in changes.directions):
        output.text(
            "Most of U is the edge bias and the light of two scans that do not share them. For a "
            f"smaller U {_remedy()}."
        )
    if changes.kinds:
        output.text(f"What happened: {', '.join(changes.kinds)}.")
    entries = [
        f"row {e.row}, column {e.column} of AFTER: {e.kind}"
        + ("" if e.change_um is None else f" in {e.direction} by {e.change_um:+.2f} um")
        for e in comparison.changed
    ]
    more = len(entries) - _SHOWN
    output.listed(entries[:_SHOWN] + ([f"and {more} more (--json lists all)"] if more > 0 else []))
