"""What a check records of a measurement: its exact figures, and the evidence as files."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from sieve_inspect.outcomes import NOT_JUDGED
from sieve_registry.errors import EvidenceError
from sieve_registry.ledger.canonical import plain_name
from sieve_registry.ledger.codec import plain_value
from sieve_registry.store.evidence import EvidenceKeeper, Staged

if TYPE_CHECKING:
    from sieve_inspect.identity.cloth_map import ClothMap
    from sieve_inspect.scale.model import Scale
    from sieve_inspect.standard.model import Limits

StagedFile = tuple[Staged, str, str]  # the content, its role and its name


class MeasurementLike(Protocol):
    """What the record of a check needs of a measurement."""

    @property
    def limits(self) -> Limits | None:
        """The limits it was judged by."""

    def to_dict(self) -> dict[str, Any]:
        """The `sieveward.measurement/1` dictionary."""

    def apertures_csv(self) -> str:
        """The table of all apertures as CSV."""

    def overlay_png(self, index: int) -> bytes:
        """Scan `index` with the apertures drawn over it."""

    def cloth_maps(self) -> tuple[ClothMap, ...]:
        """The map of each scan by which its cloth is recognised again."""


def stage(
    store: EvidenceKeeper,
    images: Sequence[Path],
    measurement: MeasurementLike,
    scale: Scale,
    standard: str,
) -> Iterator[StagedFile]:
    """Stage the evidence files of a check in turn.

    Raises as `EvidenceStore.stage`; the caller discards the files yielded before.
    """

    from sieve_inspect.identity.codec import to_bytes

    def staged(content: bytes | Path, role: str, name: str) -> StagedFile:
        return store.stage(content, Path(name).suffix), role, plain_name(name)

    for image in images:
        yield staged(image, "scan", image.name)
    for index, image in enumerate(images):
        yield staged(measurement.overlay_png(index), "overlay", f"{image.stem}-overlay.png")
    yield staged(_json_bytes(measurement.to_dict()), "measurement", "measurement.json")
    yield staged(measurement.apertures_csv().encode(), "apertures", "apertures.csv")
    for image, cloth in zip(images, measurement.cloth_maps(), strict=False):
        yield staged(to_bytes(cloth), "cloth", f"{image.stem}.cloth")
    yield staged(_json_bytes(scale.to_dict()), "scale", "scale.json")
    # The row that was applied: a table may be corrected later, a check not.
    if measurement.limits is not None:
        yield staged(_json_bytes(measurement.limits.to_dict()), "limits", "limits.json")
    own_table = Path(standard)
    if own_table.is_file():
        yield staged(own_table, "table", own_table.name)


def _json_bytes(payload: dict[str, Any]) -> bytes:
    text = json.dumps(payload, indent=1, ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8", "backslashreplace")  # file names may hold halves of letters


def refuse_changed_scans(staged: Sequence[StagedFile], measurement: dict[str, Any]) -> None:
    """Raise `EvidenceError` where a scan to be kept differs from the scan that was measured."""
    scans = [(item, name) for item, role, name in staged if role == "scan"]
    for (item, name), image in zip(scans, measurement["images"], strict=True):
        if item.sha256 != image["sha256"]:
            raise EvidenceError(name=name, reason="it changed while it was being measured")


_FIGURES = ("mean_um", "sd_um", "max_um", "u_mean_um", "u_sd_um", "u_max_um", "wire_mean_um")


def check_figures(measurement: Mapping[str, Any]) -> dict[str, Any]:
    """The part of a check's payload that comes from a `sieveward.measurement/1` dictionary.

    Lengths become decimal texts in um. Raises `KeyError` when the dictionary lacks something.
    """
    verdict = measurement.get("verdict") or {}
    return {
        "rule": str(verdict.get("rule", "")),
        "outcome": str(verdict.get("outcome", NOT_JUDGED)),
        "action": str(verdict.get("action", "")),
        "action_reason": str(verdict.get("action_reason", "")),
        "reasons": [str(reason) for reason in verdict.get("reasons", ())],
        "fit": str(measurement["imaging"]["fit"]),
        "x": _direction(measurement["directions"]["x"]),
        "y": _direction(measurement["directions"]["y"]),
        "margins": [_margin(row) for row in verdict.get("margins", ())],
        "images": [_image(image) for image in measurement["images"]],
        "shares": plain_value(verdict.get("shares", [])),
        "scale": plain_value(measurement["scale"]),
        **({"light": plain_value(measurement["light"])} if "light" in measurement else {}),
    }


def _image(image: Mapping[str, Any]) -> dict[str, str]:
    """Which scan, and how its encoding was chosen, which affects every width."""
    names = ("file", "sha256", "encoding", "encoding_reason")
    return {name: plain_name(str(image[name])) for name in names if name in image}


def _direction(values: Mapping[str, Any]) -> dict[str, Any]:
    return {"count": int(values["count"]), **{name: _decimal(values[name]) for name in _FIGURES}}


def _margin(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": str(row["name"]),
        "direction": str(row["direction"]),
        "value_um": _decimal(row["value_um"]),
        "expanded_um": _decimal(row.get("U_um")),
        **{name: _decimal(row.get(name)) for name in ("limit_low_um", "limit_high_um")},
        "outcome": str(row["outcome"]),
        **{name: _decimal(row[name]) for name in ("k", "dof") if row.get(name) is not None},
    }


def _decimal(value: float | None) -> object:
    return None if value is None else plain_value(float(value))
