"""The record of a measurement, and its JSON document."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from sieve_inspect.apertures.flags import State
from sieve_inspect.errors import UsageError
from sieve_inspect.identity.cloth_map import ClothMap
from sieve_inspect.image import opencv
from sieve_inspect.measurement.cloth_maps import labelled_maps
from sieve_inspect.measurement.gates import (
    complete_cloth,
    fields_of,
    light_gates,
    measured_whole,
    repeated_sentences,
    unmet_gates,
)
from sieve_inspect.measurement.label import angle_deg, with_exchanged
from sieve_inspect.measurement.lighting import LightCorrection
from sieve_inspect.measurement.options import Judging
from sieve_inspect.measurement.overlay import draw_overlay
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.measurement.suitability import (
    BEYOND_ARTEFACT,
    WITHIN_ARTEFACT,
    finer,
    fitness,
    picture_doubts,
    refused,
)
from sieve_inspect.measurement.table import aperture_frame, aperture_lines
from sieve_inspect.outcomes import Action
from sieve_inspect.scale import Scale
from sieve_inspect.standard import DEFAULT_STANDARD, Limits, limits
from sieve_inspect.standard.nearest import NearestSize, nearest_sizes
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.summary.uncertainty import Contribution
from sieve_inspect.verdict import ClothState, Fit, Verdict, judge
from sieve_inspect.verdict.rules import read_rule
from sieve_inspect.verdict.sentences import Writer, unseen_sentence
from sieve_inspect.verdict.unseen import Unseen, share_above, unseen

if TYPE_CHECKING:
    import pandas

    from sieve_inspect.measurement.overlaps import RepeatedField

SCHEMA = "sieveward.measurement/1"


@dataclass(frozen=True, eq=False, repr=False)
class Measurement:
    """The results of all scans of a cloth; `to_dict` is its public form.

    `directions` are the summaries of x (nearest to across the label) and y, `budget` the
    uncertainty lines of both, `light` what was corrected for lamp and view. `fit` is how far the
    imaging carries a verdict, by the `limits` applied or, without a verdict, by the default
    standard. `limits` and `verdict` are None where nothing was judged. `doubts` are reasons from
    outside the pictures, such as an expired scale, why an outcome can only be conditional.
    `turned_deg` is how far the sieve's label was turned clockwise: x and y go by the label, and are
    y and x along the picture in scans that are `exchanged`. Scans that are `against_label` have
    their x and y by the cloth as measured before, which lay a quarter turn from where the label
    says. `overlaps` are the apertures of each scan that an earlier one shows too, and that are
    counted there; `shared` says which one shows how many. `device` names the device at a setting,
    "" where not known.
    """

    nominal_um: float
    scale: Scale
    light: LightCorrection
    pictures: tuple[Picture, ...]
    directions: tuple[DirectionSummary, DirectionSummary]
    budget: tuple[Contribution, ...]
    fit: Fit
    fit_reasons: tuple[str, ...]
    doubts: tuple[str, ...] = ()
    limits: Limits | None = None
    verdict: Verdict | None = None
    labelled: bool = True
    turned_deg: float = 0.0
    exchanged: tuple[bool, ...] = ()
    against_label: tuple[bool, ...] = ()
    overlaps: tuple[int, ...] = ()
    shared: tuple[tuple[RepeatedField, ...], ...] = ()
    device: str = ""

    def __repr__(self) -> str:
        x, y = self.directions
        means = f"x {x.mean_um:.5g} ± {x.U_mean_um:.2g}, y {y.mean_um:.5g} ± {y.U_mean_um:.2g} um"
        outcome = "not judged" if self.verdict is None else self.verdict.outcome
        return (
            f"<Measurement of {self.nominal_um:g} um: {means}, {self.count(State.OK)} apertures, "
            f"{len(self.pictures)} scans, fit {self.fit}, {outcome}>"
        )

    @property
    def certified(self) -> bool:
        """Whether the scale comes from a certified artefact."""
        return self.scale.certified

    @property
    def as_scanned(self) -> tuple[Picture, ...]:
        """The pictures with their directions along the picture, whichever way the label lay."""
        return with_exchanged(self.pictures, self.exchanged)

    @property
    def repeated(self) -> list[str]:
        """A sentence for each scan that shows apertures of an earlier scan again."""
        return repeated_sentences(self.pictures, self.overlaps)

    def count(self, *states: str) -> int:
        """Number of apertures in any of these states, over all pictures."""
        return sum(int(np.isin(p.field.state, states).sum()) for p in self.pictures)

    @property
    def blocked_share(self) -> float:
        """Covered share (0..1) of the area of all apertures that are not cut by a border."""
        state = np.concatenate([p.field.state for p in self.pictures])
        filled = np.concatenate([p.field.filled for p in self.pictures])
        return float(np.where(state == State.BLOCKED, filled, 0)[state != State.PARTIAL].mean())

    def judge(
        self,
        standard: str,
        *,
        grade: str = "compliance",
        rule: str = "guard-band",
        n: int | None = None,
        coarser: Sequence[tuple[str, str]] = (),
    ) -> Verdict:
        """Judge by another edition, grade or rule without measuring again.

        `standard` is an id such as "iso3310-1:2016" or the path of a table; the other options are
        those of `Judging`. Raises what `limits` raises, `UsageError` for an unknown rule, and
        `RefusedImageError` where the imaging is too uncertain for these limits.
        """
        if not self.labelled:
            raise UsageError(message="Nominal missing: measure with `nominal` to judge.")
        verdict = self.judged(Judging(standard, grade, rule, n, coarser, self.doubts)).verdict
        assert verdict is not None
        return verdict

    def judged(self, by: Judging) -> Measurement:
        """The same measurement with limits, fit and verdict; raises as `judge`.

        Without a standard only the fit is taken, by the default standard.
        """
        allowed = limits(self.nominal_um, by.standard or DEFAULT_STANDARD, grade=by.grade, n=by.n)
        counts = [summary.count for summary in self.directions]
        count = min(counts) if by.n is None else by.n
        # Some limits on s depend on how many apertures were measured.
        if by.standard and by.n is None and (by.grade != "compliance" or not allowed.s_limit_um):
            allowed = limits(self.nominal_um, by.standard, grade=by.grade, n=count)
        fitted = self._fitted(allowed, tuple(by.doubts))
        if by.standard is None:
            return fitted
        verdict = judge(
            *self.directions,
            allowed,
            fit=fitted.fit,
            fit_reasons=fitted.fit_reasons,
            cloth=self._cloth(allowed),
            rule=by.rule,
            coarser=[limits(self.nominal_um, name, grade=g, n=count) for name, g in by.coarser],
            budget=self.budget,
            fields=fields_of(self.pictures),
        )
        gates = (
            *unmet_gates(self.pictures, self.scale, self.directions, allowed, by.frame_mm),
            *light_gates(self.light, self.directions, allowed, read_rule(by.rule)),
        )
        rest = self._unseen(allowed, by.frame_mm)
        writer = Writer(allowed, read_rule(by.rule))
        said = "" if rest is None else unseen_sentence(rest, writer)
        if fitted.fit_reasons == (BEYOND_ARTEFACT,) and verdict.action == Action.MEASURE_BETTER:
            verdict = replace(verdict, action_reason=f"Proposed: {WITHIN_ARTEFACT}. You decide.")
        verdict = replace(verdict, reasons=(*verdict.reasons, *self.repeated))
        verdict = verdict.with_unseen(rest, said).with_doubts(by.doubts).with_gates(gates)
        return replace(fitted, limits=allowed, verdict=verdict)

    def _fitted(self, allowed: Limits, doubts: tuple[str, ...]) -> Measurement:
        of_pictures = picture_doubts(self.pictures, self.scale)
        fit, reasons = fitness(self.budget, allowed, self.scale, of_pictures)
        if fit == Fit.REFUSED:
            from_above = not all(p.field.lattice.bright for p in self.pictures)
            better = finer(self.nominal_um, self.scale)
            advice = "Light the cloth from behind" if from_above else better
            raise refused(self.pictures[0].scan.path, reasons[0], advice)
        return replace(self, fit=fit, fit_reasons=reasons, doubts=doubts)

    def _unseen(self, allowed: Limits, frame_mm: float | None) -> Unseen | None:
        """What is to be expected of the apertures not measured; None for cloth measured whole."""
        measured = min(summary.count for summary in self.directions)
        counted = [summary.population for summary in self.directions if summary.population]
        if all(map(measured_whole, self.directions)):
            return None
        population = max(counted) if counted else complete_cloth(allowed, frame_mm)
        limit = allowed.max_um
        shares = []
        for axis in (0, 1):
            samples = [p.samples[axis] for p in self.pictures]
            width = np.concatenate([s.width[s.ok] for s in samples])
            # Gaps of different pictures are different gaps.
            gap = np.concatenate(
                [s.gap[s.ok].astype(np.int64) + (i << 32) for i, s in enumerate(samples)]
            )
            shares.append(share_above(width, gap, limit))
        return unseen(shares, limit, measured, max(population, measured), fields_of(self.pictures))

    def _cloth(self, allowed: Limits) -> ClothState:
        """Damage, and the share of apertures above nominal + z where the edition limits it."""
        shares = None
        if allowed.z_um is not None:
            above = allowed.nominal_um + allowed.z_um
            x, y = (
                np.concatenate([p.samples[axis].width[p.samples[axis].ok] for p in self.pictures])
                for axis in (0, 1)
            )
            shares = float((x > above).mean()), float((y > above).mean())
        return ClothState(self.blocked_share, self.count(State.TORN), shares)

    def nearest(self) -> tuple[NearestSize, ...]:
        """The published sizes nearest to the mean of both directions."""
        x, y = self.directions
        return nearest_sizes(0.5 * (x.mean_um + y.mean_um))

    def cloth_maps(self) -> tuple[ClothMap, ...]:
        """The map of each scan by which its cloth is recognised again; directions as here."""
        return labelled_maps(self.as_scanned, self.exchanged, self.scale, self.light, self.device)

    def apertures(self) -> pandas.DataFrame:
        """Every aperture, a row each, with the columns of the CSV (`table.COLUMNS`).

        `image` numbers the scans from 1; `x_px`, `y_px` are centres in px with pixel centres at
        whole numbers; widths are um, NaN where not measured; `flags` are joined by "+".
        """
        return aperture_frame(self.pictures)

    def apertures_csv(self) -> str:
        """The table of all apertures as CSV text."""
        return "".join(self.apertures_lines())

    def apertures_lines(self) -> Iterator[str]:
        """The CSV text in pieces of many lines."""
        return aperture_lines(self.pictures)

    def overlay_png(self, index: int) -> bytes:
        """Picture `index` (from 0) with the apertures marked, as PNG."""
        picture = self.pictures[index]
        return opencv.encode_png(draw_overlay(picture.light, picture.field, picture.reduced))

    def to_dict(self) -> dict[str, Any]:
        """The measurement as JSON-ready data, schema `sieveward.measurement/1`."""
        out: dict[str, Any] = {
            "schema": SCHEMA,
            "nominal_um": self.nominal_um if self.labelled else None,
            "angle_deg": _rounded(angle_deg(self.pictures[0])),
            "turned_deg": self.turned_deg,
            "images": [
                _image_entry(*entry)
                for entry in zip(
                    self.pictures, self.overlaps, self.shared, self.against_label, strict=True
                )
            ],
            "scale": _scale_entry(self.scale),
            "directions": {
                name: cleaned(summary.to_dict())
                for name, summary in zip("xy", self.directions, strict=True)
            },
            "light": self.light.to_dict(),
            "apertures": {
                "measured": self.count(State.OK),
                "blocked": self.count(State.BLOCKED),
                "torn": self.count(State.TORN),
                "excluded": self.count(State.PARTIAL, State.UNCLEAR),
                "blocked_share": _rounded(self.blocked_share),
            },
            "imaging": {
                **_imaging_figures(self.pictures),
                "fit": str(self.fit),
                "reasons": list(self.fit_reasons),
            },
            "budget": [cleaned(line.to_dict()) for line in self.budget],
        }
        if not self.labelled:
            out["nearest"] = [size.to_dict() for size in self.nearest()]
        if self.verdict is not None:
            out["verdict"] = self.verdict.to_dict()
        return out


def _image_entry(
    picture: Picture, overlap: int, shared: Sequence[RepeatedField], against_label: bool
) -> dict[str, Any]:
    """The file of a picture, how it was read and lay, its apertures counted in an earlier one."""
    height, width = picture.scan.shape
    return {
        "file": picture.scan.path.name,
        "sha256": picture.scan.sha256,
        "width_px": width,
        "height_px": height,
        "encoding": picture.encoding,
        "encoding_reason": picture.encoding_reason,
        "overlap": overlap,
        "shared": [part.to_dict() for part in shared],
        "turned_by_cloth": against_label,
        "unread": [list(box) for box in picture.scan.lost],
        "frame": ring.to_dict() if (ring := picture.field.lattice.ring) is not None else None,
    }


def _scale_entry(scale: Scale) -> dict[str, Any]:
    """The figures of a scale, without its map."""
    figures = {k: v for k, v in scale.to_dict().items() if k not in ("schema", "rest", "parts")}
    return {**cleaned(figures), "mapped": scale.rest is not None}


def _imaging_figures(pictures: Sequence[Picture]) -> dict[str, Any]:
    """Blur, noise and contrast of the picture with the largest blur for its apertures."""
    worst = max(pictures, key=lambda p: p.blur_px / p.aperture_px)
    field = worst.field
    amplitude = float(np.mean([np.median(a.fit.amplitude[field.ok]) for a in field.axes]))
    floor = float(np.mean([np.median(a.fit.floor[field.ok]) for a in field.axes]))
    return {
        "blur_px": _rounded(worst.blur_px),
        "noise_percent": _rounded(100 * field.pixel_noise / amplitude),
        "contrast": _rounded(amplitude / max(amplitude + max(floor, 0.0), 1e-9)),
        "aperture_px": _rounded(worst.aperture_px),
    }


def _rounded(value: float) -> float | None:
    """Nine significant digits; null for what is not a finite number."""
    return float(f"{value:.9g}") if math.isfinite(value) else None


def cleaned(values: Mapping[str, Any]) -> dict[str, Any]:
    """The same with every float rounded."""
    return {k: _rounded(v) if isinstance(v, float) else v for k, v in values.items()}
