"""A measurement made to order."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sieve_inspect.identity.cloth_map import ClothMap
from sieve_inspect.measurement.label import against_label
from sieve_inspect.scale.model import Scale
from sieve_inspect.standard import Limits, limits
from sieve_inspect.verdict import Action, Outcome, Verdict
from sieve_registry.store.engine import Registry
from sieve_registry.store.evidence import EvidenceStore

SCALE = Scale(5.29, 5.29, 0.001, 0.001, 0.0, "made for a test", certified=True)


def copy_empty(empty: Path, path: Path) -> None:
    """Put a copy of an empty registry's file where a test opens it, unless there is a registry."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(empty, path)


def evidence_folder(registry: Registry) -> EvidenceStore:
    """The folder a registry keeps its evidence in."""
    assert isinstance(registry.evidence, EvidenceStore)
    return registry.evidence


@dataclass
class MadeMeasurement:
    """What a measurement promises, with figures of our choosing."""

    images: list[dict[str, Any]]
    outcome: str
    mean_um: float
    standard: str | None
    unknown: tuple[str, ...] = ()
    action: str = ""  # as the outcome says
    doubts: Sequence[str] = ()
    between_fields: dict[str, Any] | None = None
    cloths: tuple[ClothMap, ...] = ()
    other_lamp: bool = False

    def to_dict(self) -> dict[str, Any]:
        direction = {
            "count": 400,
            "mean_um": self.mean_um,
            "sd_um": 1.5,
            "min_um": 70.0,
            "max_um": self.mean_um + 5,
            "median_um": self.mean_um,
            "u_mean_um": 0.2,
            "u_sd_um": 0.1,
            "u_max_um": 0.6,
            "wire_mean_um": 50.0,
            "wire_count": 401,
            "pitch_um": 125.0,
            "odd_even_um": 0.1,
            "between_fields": self.between_fields,
            **dict.fromkeys(self.unknown),
        }
        margin = {
            "name": "mean",
            "value_um": self.mean_um,
            "U_um": 0.4,
            "limit_low_um": 71.3,
            "limit_high_um": 78.7,
            "outcome": self.outcome,
        }
        return {
            "schema": "sieveward.measurement/1",
            "nominal_um": 75.0,
            "images": self.images,
            "scale": {"um_per_px_x": 5.29, "um_per_px_y": 5.29, "source": "made for a test"},
            "directions": {"x": direction, "y": direction},
            "imaging": {"fit": "ok", "reasons": []},
            **({"light": self._light()} if self.other_lamp else {}),
            **({} if self.standard is None else {"verdict": self._judged(self.standard, margin)}),
        }

    def _light(self) -> dict[str, Any]:
        return {"source": "made for a test", "u_glow_um": 0.2, "other_lamp": True}

    def _judged(self, standard: str, margin: dict[str, Any]) -> dict[str, Any]:
        return {
            **self._verdict(standard).with_doubts(self.doubts).to_dict(),
            "margins": [{**margin, "direction": axis} for axis in ("x", "y")],
        }

    def _verdict(self, standard: str) -> Verdict:
        return Verdict(
            standard=standard,
            grade="compliance",
            rule="guard-band",
            outcome=Outcome(self.outcome),
            reasons=(f"the mean is {self.mean_um:g} um",),
            action=Action(self.action or ("keep" if self.outcome == "pass" else "retire")),
            action_reason="Proposed: as the outcome says. You decide.",
            margins=(),
        )

    @property
    def limits(self) -> Limits | None:
        return None if self.standard is None else limits(75.0, self.standard)

    def apertures_csv(self) -> str:
        return "image,row,col,x_px,y_px,width_x_um,width_y_um,state,flags\n"

    def cloth_maps(self) -> tuple[ClothMap, ...]:
        return self.cloths

    def overlay_png(self, index: int) -> bytes:
        return f"overlay {index} of {self.images[index]['sha256']}".encode()


@dataclass
class Measuring:
    """Stands for `measure`; counts its calls and answers as set."""

    outcome: str = "pass"
    mean_um: float = 75.12345
    calls: list[dict[str, Any]] = field(default_factory=list)
    unknown: tuple[str, ...] = ()
    during: Callable[[], object] = lambda: None
    action: str = ""
    between_fields: dict[str, Any] | None = None
    cloths: tuple[ClothMap, ...] = ()
    other_lamp: bool = False
    shared: dict[str, Any] | None = None  # what every scan but the first shares with the first

    def __call__(self, images: Sequence[Path], **options: Any) -> MadeMeasurement:
        self.calls.append(options)
        found = [
            {
                "file": image.name,
                "sha256": hashlib.sha256(image.read_bytes()).hexdigest(),
                "encoding": "srgb",
                "encoding_reason": "as told",
                **({"shared": [self.shared]} if number and self.shared else {}),
            }
            for number, image in enumerate(images)
        ]
        self.during()
        turned = against_label(options["prior"].by_cloth(self.cloths), len(self.cloths))
        cloths = tuple(
            cloth.exchanged() if other else cloth
            for cloth, other in zip(self.cloths, turned, strict=True)
        )
        return MadeMeasurement(
            images=found,
            outcome=self.outcome,
            mean_um=self.mean_um,
            standard=options["judging"].standard,
            unknown=self.unknown,
            action=self.action,
            doubts=options["judging"].doubts,
            between_fields=self.between_fields,
            cloths=cloths,
            other_lamp=self.other_lamp,
        )
