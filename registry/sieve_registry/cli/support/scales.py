"""Scales between the command line and the registry: recorded, and found again for a check."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from sieve_registry.cli.support.options import opened
from sieve_registry.cli.support.output import print_line

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale
    from sieve_inspect.scale.artefact.calibrate import Region
    from sieve_inspect.scale.artefact.line_bias import KnownLine, LineCalibration
    from sieve_inspect.scale.calibration import Artefact, Calibration
    from sieve_registry.records import Correction
    from sieve_registry.scales.calibrations import KeptScale
    from sieve_registry.sieves.recording import RecordTerms
    from sieve_registry.store.engine import Registry

__all__ = [
    "NO_BASE",
    "Taking",
    "calibrate_recorded",
    "file_there",
    "find_scale",
    "names_a_file",
    "numbers",
    "print_corrections",
    "scale_dict",
]

NO_BASE = (
    "A single line has no pitch: name the scale it amends with --base, a scale file or the name "
    "of a recorded scale."
)


@dataclass(frozen=True)
class Taking:
    """Pictures of an artefact and how they are to be read."""

    targets: Sequence[Path]
    encoding: str
    region: Sequence[float] | None
    turns_deg: Sequence[float] | None
    max_residual_um: float | None

    @property
    def box(self) -> Region | None:
        """The region in whole px."""
        if self.region is None:
            return None
        left, top, right, bottom = (int(one) for one in self.region)
        return left, top, right, bottom

    def calibrate(self, artefact: Artefact, encoding: str = "auto") -> Calibration:
        """The calibration; `encoding` is used where the pictures' own was not stated."""
        from sieve_inspect.scale.artefact.calibrate import calibrate_pictures

        return calibrate_pictures(
            self.targets,
            artefact,
            encoding=encoding if self.encoding == "auto" else self.encoding,
            region=self.box,
            turns_deg=self.turns_deg,
            max_residual_um=self.max_residual_um,
        )

    def calibrate_line(
        self, line: KnownLine, base: Scale, base_file: dict[str, Any], encoding: str = "auto"
    ) -> LineCalibration:
        """The base scale with the edge bias a single line gives it."""
        from sieve_inspect.errors import UsageError
        from sieve_inspect.scale.artefact.line_bias import calibrate_line

        if self.turns_deg is not None:
            raise UsageError(message="How a single line is turned is seen: leave --turned out.")
        return calibrate_line(
            self.targets,
            line,
            base,
            base_file,
            encoding=encoding if self.encoding == "auto" else self.encoding,
            region=self.box,
            max_residual_um=self.max_residual_um,
        )


def calibrate_recorded(
    context: typer.Context,
    taking: Taking,
    artefact_id: str,
    device_id: str,
    name: str | None,
    conditions: tuple[int, str | None, float | None, Sequence[float] | None],
    terms: RecordTerms,
    base: str | None = None,
) -> tuple[Calibration | LineCalibration, KeptScale]:
    """Calibrate a known device from a known artefact, and keep the scale.

    A single line amends the recorded scale `base` names.
    """
    from sieve_inspect.errors import UsageError
    from sieve_inspect.scale.artefact.calibrate import MAX_RESIDUAL_PX
    from sieve_inspect.scale.artefact.residual_picture import line_png, residuals_png
    from sieve_registry.cli.commands.device import length_or_zero
    from sieve_registry.scales import calibrations
    from sieve_registry.scales.artefacts import device_named

    months, stand_off, temperature, between = conditions
    assert between is not None
    agreed = calibrations.ScaleConditions(
        interval_months=months,
        stand_off_um=None if stand_off is None else length_or_zero(stand_off),
        temperature_c=temperature,
        range_c=(between[0], between[1]),
    )
    with opened(context) as registry:
        device = device_named(registry, device_id)
        day = terms.on_date or registry.today()
        artefact = calibrations.certificate_for(registry, artefact_id, day)
        if artefact.kind == "line" and base is None:
            raise UsageError(message=NO_BASE)
        below = None if base is None else calibrations.base_scale(registry, base, device, day)
        found: Calibration | LineCalibration
        if below is None:
            plain = taking.calibrate(artefact.to_calibrate(), device.encoding)
            found = calibrations.warmed(plain, artefact, agreed)
            picture = residuals_png(found)
        else:
            found = taking.calibrate_line(
                artefact.to_line(), below.scale(registry), below.file(registry), device.encoding
            )
            picture = line_png(found)
        limit = taking.max_residual_um
        kept = calibrations.record_scale(
            registry,
            name or device.id,
            found,
            artefact,
            device,
            agreed,
            terms,
            max_residual_um=MAX_RESIDUAL_PX * found.um_per_px if limit is None else limit,
            residual_picture=picture,
            base=below,
        )
    return found, kept


def names_a_file(text: str) -> bool:
    """Whether `--scale` can only mean a file: it has a separator or ends in .json."""
    separators = [one for one in (os.sep, os.altsep, "/") if one]
    return text.lower().endswith(".json") or any(one in text for one in separators)


def file_there(text: str) -> Path | None:
    """The file a name may mean, None where there is none."""
    return Path(text) if Path(text).is_file() else None


def find_scale(registry: Registry, text: str, day: date) -> KeptScale | Scale:
    """The scale `--scale` names: a recorded one, else one from a file.

    Of a name that is both, the recorded scale is used, and that is said.
    """
    from sieve_inspect.scale import load_scale
    from sieve_registry.scales.calibrations import kept_scale
    from sieve_registry.scales.errors import UnknownThingError

    there = Path(text).is_file()
    kept = None if names_a_file(text) else kept_scale(registry, text, day)
    if kept is not None:
        if there:
            _say(f"--scale {text} is the recorded scale; the file of that name would be ./{text}")
        return kept
    if not there and not names_a_file(text):
        raise UnknownThingError(
            what="recorded scale and no file",
            name=text,
            advice="`sieveward device show` lists the scales of a device",
        )
    return load_scale(Path(text))


def numbers(text: str | None, option: str, count: int) -> list[float] | None:
    """The numbers of an option that wants `count` of them with commas. Raises `UsageError`."""
    from sieve_inspect.errors import UsageError

    if text is None:
        return None
    parts = text.split(",")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if len(values) != count:
        raise UsageError(message=f"{option} wants {count} numbers with commas, not '{text}'.")
    return values


def _say(sentence: str) -> None:
    sys.stderr.write(f"sieveward: {sentence}.\n")


def print_corrections(made: Sequence[Correction]) -> None:
    """What was said later of records, one paragraph each."""
    from textwrap import fill

    from sieve_registry.cli.support.records import correction_words

    for one in made:
        text = f"Corrected: {correction_words(one)} ({one.person}, {one.on_date}, event {one.seq})."
        print_line(fill(text, 78))


def scale_dict(kept: KeptScale) -> dict[str, Any]:
    """A recorded scale for `--json`; `U_rel_…` are relative and expanded, k = 2."""
    return {
        "name": kept.name,
        "event": kept.event,
        "date": kept.on_date.isoformat(),
        "valid_until": kept.valid_until.isoformat(),
        "by": kept.person,
        "device": kept.device,
        "artefact": kept.artefact,
        "setting": kept.setting,
        "stand_off_um": kept.stand_off_um,
        "temperature_c": kept.temperature_c,
        "temperature_range_c": list(kept.range_c),
        "um_per_px_x": kept.um_per_px[0],
        "um_per_px_y": kept.um_per_px[1],
        "U_rel_x": 2 * kept.u_rel[0],
        "U_rel_y": 2 * kept.u_rel[1],
        "max_residual_um": kept.max_residual_um,
        "residual_rms_um": kept.residual_rms_um,
        "line": None if kept.line is None else dict(kept.line.__dict__),
        "evidence": [dict(file.__dict__) for file in kept.evidence],
    }
