"""A registry in an empty folder and checks with figures made to order."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import scipy.stats

from clock import Clock
from sieve_inspect.identity.cloth_map import ClothMap
from sieve_inspect.scale.model import Scale
from sieve_inspect.standard import Limits, limits
from sieve_inspect.summary.direction import DirectionSummary
from sieve_inspect.verdict import ClothState, judge
from sieve_registry.checks import commands as check_commands
from sieve_registry.ledger.records import NewSieve
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry
from sound_direction import SOUND

FIRST = date(2024, 1, 8)


@dataclass
class Figures:
    """What the next check finds: means in um and the uncertainties of all checks."""

    x: float = 75.5
    y: float = 75.2
    u: float = 0.15
    dof: float = math.inf  # of the mean
    sd: float = 4.0
    largest: float = 90.0
    scale: str = "artefact A-7"
    u_rel: float = 0.001
    blocked: float = 0.0
    images: int = 1
    count: int = 400


@dataclass
class Made:
    """What `sieve_inspect.measurement.pipeline.Measurement` promises, judged by the real rules."""

    figures: Figures
    files: list[dict[str, str]]
    options: dict[str, Any]

    def _direction(self, mean: float) -> DirectionSummary:
        f = self.figures
        return replace(
            SOUND,
            count=f.count,
            mean_um=mean,
            sd_um=f.sd,
            max_um=f.largest,
            median_um=mean,
            u_mean_um=f.u,
            k_mean=2.0 if math.isinf(f.dof) else float(scipy.stats.t.ppf(0.97725, f.dof)),
            dof_mean=f.dof,
            u_sd_um=0.2,
            u_max_um=0.5,
            wire_count=40,
            pitch_um=125.0,
        )

    @property
    def limits(self) -> Limits:
        by = self.options["judging"]
        nominal = self.options["nominal_um"]
        return limits(nominal, by.standard, grade=by.grade, n=self.figures.count)

    def to_dict(self) -> dict[str, Any]:
        f, by = self.figures, self.options["judging"]
        x, y = self._direction(f.x), self._direction(f.y)
        nominal = self.options["nominal_um"]
        verdict = judge(
            x,
            y,
            self.limits,
            fit="ok",
            cloth=ClothState(f.blocked),
            rule=by.rule,
            coarser=[limits(nominal, s, grade=g) for s, g in by.coarser],
        )
        return {
            "schema": "sieveward.measurement/1",
            "nominal_um": nominal,
            "images": self.files,
            "scale": {
                "um_per_px_x": 5.29,
                "um_per_px_y": 5.29,
                "u_rel_x": f.u_rel,
                "u_rel_y": f.u_rel,
                "source": f.scale,
            },
            "directions": {"x": _known(x), "y": _known(y)},
            "apertures": {"measured": f.count, "blocked": 0, "torn": 0, "blocked_share": f.blocked},
            "imaging": {"fit": "ok", "reasons": []},
            "verdict": verdict.to_dict(),
        }

    def apertures_csv(self) -> str:
        lines = ["image,row,col,x_px,y_px,width_x_um,width_y_um,state,flags"]
        f = self.figures
        for i in range(21):
            off = f.sd * (i - 10) / 6.055  # sample standard deviation sd
            lines.append(f"1,{i},0,0,0,{f.x + off:.4f},{f.y + off:.4f},ok,")
        return "\n".join(lines) + "\n"

    def cloth_maps(self) -> tuple[ClothMap, ...]:
        return ()

    def overlay_png(self, index: int) -> bytes:
        return f"overlay {index}".encode()


def _known(summary: DirectionSummary) -> dict[str, Any]:
    """Its figures as JSON takes them: unknown and infinite values are null."""
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in summary.to_dict().items()
    }


@dataclass
class Lab:
    """One 75 um sieve after another, told in days since the first."""

    registry: Registry
    clock: Clock
    scan: Path
    figures: Figures = field(default_factory=Figures)

    def day(self, number: int) -> date:
        return FIRST + timedelta(days=number)

    def add(self, sieve_id: str = "S-1", nominal: float = 75.0, **options: Any) -> None:
        new = NewSieve(sieve_id, nominal, in_service=FIRST, **options)
        sieve_commands.add_sieve(self.registry, new, by="Ada Moss")

    def check(
        self, day: int, sieve_id: str = "S-1", *, chain: CheckScale | None = None, **figures: Any
    ) -> Any:
        for name, value in figures.items():
            setattr(self.figures, name, value)
        self.clock.day = max(self.clock.day, self.day(day))
        scans = []
        for number in range(self.figures.images):
            image = self.scan.with_name(f"field-{number}.tif")
            image.write_bytes(f"cloth of {sieve_id}, day {day}, field {number}".encode())
            scans.append(image)
        return check_commands.check(
            self.registry,
            sieve_id,
            scans,
            scale=chain
            or Scale(
                5.29, 5.29, self.figures.u_rel, self.figures.u_rel, 0.0, "made", certified=True
            ),
            terms=RecordTerms(on_date=self.day(day), by="Ada Moss"),
            visual="ok",
            accept_scan="drawn",
            measure=self._measure,
        )

    def _measure(self, images: Sequence[Path], **options: Any) -> Made:
        files = [
            {"file": image.name, "sha256": hashlib.sha256(image.read_bytes()).hexdigest()}
            for image in images
        ]
        return Made(self.figures, files, options)

    def use(
        self, day: int, count: int, sieve_id: str = "S-1", method: str = "", **more: Any
    ) -> None:
        from sieve_registry.ledger.records import UseDetails

        self.clock.day = max(self.clock.day, self.day(day))
        sieve_commands.log_use(
            self.registry,
            sieve_id,
            count,
            on_date=self.day(day),
            by="Ben Ray",
            details=UseDetails(method=method, **more),
        )
