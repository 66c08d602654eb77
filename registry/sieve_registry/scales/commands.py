"""Calibrating a device from pictures of an artefact: with a record of both, or by figures typed.

With records the scale is kept under a name, its certificate chain and its evidence with it. With
figures typed by hand nothing is recorded, and a scale without a stated uncertainty of the artefact
says that it is not certified.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sieve_inspect.errors import UsageError
from sieve_registry.scales.artefacts import Device, device_named
from sieve_registry.scales.calibrations import (
    KeptScale,
    ScaleConditions,
    base_scale,
    certificate_for,
    history_of_device,
    record_scale,
    warmed,
)
from sieve_registry.scales.equipment_use import cautions
from sieve_registry.scales.plausibility import (
    accepted,
    contradictions_of_device,
    contradictions_of_tags,
    meant_dpi,
)
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale
    from sieve_inspect.scale.artefact.calibrate import Region
    from sieve_inspect.scale.artefact.line_bias import KnownLine, LineCalibration
    from sieve_inspect.scale.calibration import Artefact, Calibration

_NO_BASE = (
    "A single line has no pitch: name the scale it corrects with `base`, a scale file or the name "
    "of a recorded scale."
)
_PITCH_DOUBT = (
    "Not certified: no uncertainty of the pitch is given, so a standard uncertainty of 0.1 % "
    "is assumed."
)
_WIDTH_DOUBT = (
    "Not certified: no uncertainty of the line width is given, so it counts as zero and the "
    "uncertainty of the edge bias is too small."
)


@dataclass(frozen=True)
class ArtefactPictures:
    """Pictures of one artefact and how to read them.

    `region` is where the artefact lies (left, top, right, bottom in px), `turned_deg` by how much
    it was turned in each picture, `max_residual_um` the rms above which the fit is refused.
    `accept_scale` is a reason to use a scale that the pictures' dpi tags, the device's setting or
    its last scale contradict. `progress` is called with the share of the work done, 0..1.
    """

    files: Sequence[Path]
    encoding: str = "auto"
    region: Region | None = None
    turned_deg: Sequence[float] | None = None
    max_residual_um: float | None = None
    accept_scale: str = ""
    progress: Callable[[float], None] = lambda _: None

    def plausible(
        self, calibration: Calibration, of_device: Iterable[str] = (), by: str | None = None
    ) -> Calibration:
        """The calibration, with a warning for each contradiction that was accepted.

        Raises `ImplausibleScaleError` for a contradiction without a reason.
        """
        tags = [(record["file"], meant_dpi(record["dpi"])) for record in calibration.pictures]
        found = (*contradictions_of_tags(calibration.scale, tags), *of_device)
        warnings = (*calibration.warnings, *accepted(found, self.accept_scale, by))
        return replace(calibration, warnings=warnings)

    def calibrate(self, artefact: Artefact, encoding: str = "auto") -> Calibration:
        """The calibration; `encoding` is the device's, for pictures without one of their own."""
        from sieve_inspect.scale.artefact.calibrate import calibrate_pictures

        return calibrate_pictures(
            self.files,
            artefact,
            encoding=encoding if self.encoding == "auto" else self.encoding,
            region=self.region,
            turns_deg=self.turned_deg,
            max_residual_um=self.max_residual_um,
            progress=self.progress,
        )

    def calibrate_line(
        self, line: KnownLine, base: Scale, base_file: dict[str, Any], encoding: str = "auto"
    ) -> LineCalibration:
        """The base scale with the edge bias that a single line gives it.

        Raises `UsageError` where a rotation is given: it is detected for a single line.
        """
        from sieve_inspect.scale.artefact.line_bias import calibrate_line

        if self.turned_deg is not None:
            raise UsageError(
                message="The rotation of a single line is detected: leave `turned` out."
            )
        return calibrate_line(
            self.files,
            line,
            base,
            base_file,
            encoding=encoding if self.encoding == "auto" else self.encoding,
            region=self.region,
            max_residual_um=self.max_residual_um,
        )


@dataclass(frozen=True)
class ArtefactFigures:
    """An artefact described by hand: lengths in um, U with k = 2; None where not given."""

    pattern: str | None = None
    pitch_um: float | None = None
    expanded_pitch_um: float | None = None
    line_width_um: float | None = None
    expanded_line_width_um: float | None = None
    source: str = ""

    @property
    def doubts(self) -> tuple[str, ...]:
        """Why a scale from these figures is not certified; empty where every U is given."""
        doubts = []
        if self.pattern != "line" and self.expanded_pitch_um is None:
            doubts.append(_PITCH_DOUBT)
        if self.line_width_um is not None and self.expanded_line_width_um is None:
            doubts.append(_WIDTH_DOUBT)
        return tuple(doubts)

    def artefact(self) -> Artefact:
        """As an artefact with marks. Raises `UsageError` without a pattern and a pitch."""
        from sieve_inspect.scale.calibration import Artefact
        from sieve_inspect.scale.model import U_REL_BY_HAND

        if self.pattern is None or self.pitch_um is None:
            raise UsageError(
                message="Give `pattern` and `pitch` of the artefact, or `artefact_id` and "
                "`device_id`."
            )
        u_pitch = U_REL_BY_HAND * self.pitch_um  # as for a scale typed by hand
        if self.expanded_pitch_um is not None:
            u_pitch = self.expanded_pitch_um / 2
        return Artefact(
            pattern=self.pattern,
            pitch_um=self.pitch_um,
            u_pitch_um=u_pitch,
            line_width_um=self.line_width_um,
            u_line_width_um=(self.expanded_line_width_um or 0.0) / 2,
            source=self.source,
            certified=not self.doubts,
        )

    def line(self) -> KnownLine:
        """As a single line. Raises `UsageError` for figures a line does not have, or lacks."""
        from sieve_inspect.scale.artefact.line_bias import KnownLine

        if self.pattern != "line":
            raise UsageError(
                message="`base` is for a single line: give `pattern` line, or leave it out."
            )
        if self.pitch_um is not None or self.expanded_pitch_um is not None:
            raise UsageError(message="A single line has no pitch: leave `pitch` and `u_pitch` out.")
        if self.line_width_um is None:
            raise UsageError(message="A single line needs its width: give `line_width`.")
        u_width = (self.expanded_line_width_um or 0.0) / 2
        return KnownLine(self.line_width_um, u_width, self.source, certified=not self.doubts)


def calibrate_by_hand(
    pictures: ArtefactPictures,
    figures: ArtefactFigures,
    base: tuple[Scale, dict[str, Any]] | None = None,
) -> Calibration | LineCalibration:
    """A scale from an artefact described by hand; nothing is recorded.

    A single line corrects the edge bias of `base`, a scale with the content of its file. Raises
    `UsageError` for figures that contradict each other, and what the calibration refuses.
    """
    calibration: Calibration | LineCalibration
    if base is not None:
        calibration = pictures.calibrate_line(figures.line(), *base)
    elif figures.pattern == "line":
        raise UsageError(message=_NO_BASE)
    else:
        calibration = _compared(pictures.plausible(pictures.calibrate(figures.artefact())))
    if not figures.doubts:
        return calibration
    scale = replace(calibration.scale, source=f"{calibration.scale.source}, not certified")
    return replace(calibration, scale=scale, warnings=(*figures.doubts, *calibration.warnings))


def _compared(calibration: Calibration) -> Calibration:
    """The calibration, with a warning where its pictures state no dpi to show a wrong pitch."""
    if any(meant_dpi(record["dpi"]) for record in calibration.pictures):
        return calibration
    um_per_px = calibration.um_per_px
    warning = (
        f"The pictures state no dpi to compare with: {um_per_px:.4g} um per px is "
        f"{25_400 / um_per_px:,.0f} dpi. Check pitch and setting by that."
    )
    return replace(calibration, warnings=(*calibration.warnings, warning))


def _of_device(registry: Registry, device: Device, scale: Scale) -> Iterator[str]:
    """What contradicts a new scale in the device's record."""
    history = history_of_device(registry, device.id)
    last = None
    if history:
        last = f"{history[-1].name} of {history[-1].on_date}", history[-1].um_per_px
    yield from contradictions_of_device(scale, device.setting, last)


def calibrate_device(
    registry: Registry,
    pictures: ArtefactPictures,
    artefact_id: str,
    device_id: str,
    conditions: ScaleConditions,
    terms: RecordTerms,
    *,
    name: str | None = None,
    base: str | None = None,
) -> tuple[Calibration | LineCalibration, KeptScale]:
    """Calibrate a recorded device from a recorded artefact, and keep the scale under `name`.

    The name defaults to the device's. A single line corrects the edge bias of the recorded scale
    that `base` names. Raises `UnknownThingError`, `ArtefactExpiredError`, `ScaleExpiredError`,
    `ImplausibleScaleError`, `EquipmentRefusedError`, `UsageError`, `DateRefusedError`, and what
    the calibration refuses.
    """
    from sieve_inspect.scale.artefact.calibrate import MAX_RESIDUAL_PX
    from sieve_inspect.scale.artefact.residual_picture import line_png, residuals_png

    device = device_named(registry, device_id)
    day = terms.on_date or registry.today()
    artefact = certificate_for(registry, artefact_id, day)
    to_note = tuple(cautions(registry, (artefact.id, device.id), day))
    if artefact.kind == "line" and base is None:
        raise UsageError(message=_NO_BASE)
    below = None if base is None else base_scale(registry, base, device, day)
    calibration: Calibration | LineCalibration
    if below is None:
        plain = pictures.calibrate(artefact.to_calibrate(), device.encoding)
        against = _of_device(registry, device, plain.scale)
        plausible = pictures.plausible(plain, against, terms.by)
        warm = warmed(plausible, artefact, conditions)
        seen = replace(warm.scale, sensor=device.sees_by)
        calibration = replace(warm, scale=seen, warnings=(*warm.warnings, *to_note))
        picture = residuals_png(calibration)
    else:
        line = pictures.calibrate_line(
            artefact.to_line(), below.scale(registry), below.file(registry), device.encoding
        )
        calibration = replace(line, warnings=(*line.warnings, *to_note))
        picture = line_png(calibration)
    limit = pictures.max_residual_um
    kept = record_scale(
        registry,
        name or device.id,
        calibration,
        artefact,
        device,
        conditions,
        terms,
        max_residual_um=MAX_RESIDUAL_PX * calibration.um_per_px if limit is None else limit,
        residual_picture=picture,
        base=below,
    )
    return calibration, kept
