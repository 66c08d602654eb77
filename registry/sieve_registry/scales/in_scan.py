"""The scale of each scan, from a certified artefact that lies beside the cloth in it.

A recorded scale of the device, if named, gives its map and is compared with the circumstances of
the check. Its own certificate and repeatability leave the budget: the scan measures both again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sieve_registry.ledger.codec import plain_object
from sieve_registry.scales.artefacts import CertifiedArtefact, certificates_of
from sieve_registry.scales.calibrations import KeptScale
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.surroundings import Effect, of_artefact, of_cloth, of_stand_off
from sieve_registry.scales.traceability import (
    Circumstances,
    accepted_as,
    artefact_links,
    expiry_of,
    height_of_cloth,
    trace_scale,
)
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.scale.artefact.in_scan import DeviceScale, InScan
    from sieve_inspect.scale.model import Scale

_FROM_BASE = ("accepted", "line", "base")
_MEAN = ("um_per_px_x", "um_per_px_y", "edge_bias_px")
_LARGEST = ("u_rel_x", "u_rel_y", "u_shear_deg")
_SEEN_AGAIN = ("pitch of the artefact", "picture to picture", "temperature of the artefact")


def trace_scale_in_scan(
    registry: Registry,
    artefact_id: str,
    images: Sequence[Path],
    known: KeptScale | Scale | None,
    circumstances: Circumstances,
    *,
    region: tuple[int, int, int, int] | None = None,
    encoding: str = "auto",
) -> CheckScale:
    """Each scan's scale with the chain of all. `known` helps to detect the artefact.

    Raises what `scale_in_scan` and `trace_scale` raise.
    """
    from sieve_inspect.scale.artefact.in_scan import scale_in_scan

    certificates = certificates_of(registry, artefact_id)
    expired = expiry_of(certificates, circumstances)
    used = next(
        (
            certificate
            for certificate in reversed(certificates)
            if certificate.valid_on(circumstances.day)
        ),
        certificates[-1],
    )
    artefact = used.to_calibrate()
    base, device = _device(registry, known, circumstances)
    scans = [
        scale_in_scan(path, artefact, device=device, region=region, encoding=encoding)
        for path in images
    ]
    of_base: Mapping[str, Any] = {} if base is None or base.trace is None else base.trace
    effects = _effects(registry, known, used, circumstances)
    for effect in effects:
        scans = [replace(scan, scale=effect.applied(scan.scale)) for scan in scans]
    mean = _of_all(scans)
    accepted, doubts = accepted_as(expired, circumstances)
    chain = {
        **artefact_links(used),
        "scale": of_base.get("scale"),
        "check": {
            "setting": circumstances.setting,
            "stand_off_um": circumstances.stand_off_um,
            "temperature_c": circumstances.temperature_c,
            "effects": [effect.to_dict() for effect in effects],
            "u_rel": [mean.u_rel_x, mean.u_rel_y],
            "in_scan": [
                _scale_in_scan_dict(path, scan) for path, scan in zip(images, scans, strict=True)
            ],
        },
        **{k: v for k, v in of_base.items() if k in _FROM_BASE},
        **accepted,
    }
    before = () if base is None else base.doubts
    return CheckScale(mean, plain_object(chain), (*before, *doubts), tuple(scans))


def _effects(
    registry: Registry,
    known: KeptScale | Scale | None,
    artefact: CertifiedArtefact,
    circumstances: Circumstances,
) -> list[Effect]:
    """Height by the device's own scale; the temperature of the artefact and of the cloth."""
    effects = []
    if isinstance(known, KeptScale):
        height = height_of_cloth(registry, known, circumstances)
        off, sensor = height - known.stand_off_um, known.scale(registry).sensor
        effects.append(of_stand_off(off, known.path_um, sensor))
    if circumstances.temperature_c is not None:
        effects.append(of_artefact(artefact.expansion_ppm_per_k, circumstances.temperature_c))
        effects.append(of_cloth(circumstances.temperature_c, None))
    return effects


def _device(
    registry: Registry, known: KeptScale | Scale | None, circumstances: Circumstances
) -> tuple[CheckScale | None, DeviceScale | None]:
    """The device's scale; a recorded scale has its chain and the uncertainty of its map."""
    from sieve_inspect.scale.artefact.in_scan import DeviceScale

    if known is None:
        return None, None
    if not isinstance(known, KeptScale):
        return None, DeviceScale(known)
    base = trace_scale(registry, known, circumstances)
    budget = known.file(registry)["budget"]
    rows = [row for row in budget if row["name"] not in _SEEN_AGAIN]
    u_x, u_y = (math.sqrt(sum(row[key] ** 2 for row in rows)) for key in ("u_rel_x", "u_rel_y"))
    return base, DeviceScale(known.scale(registry), (u_x, u_y))


def _of_all(scans: Sequence[InScan]) -> Scale:
    """The mean scale of all scans, with the largest uncertainty."""
    scales = [scan.scale for scan in scans]
    u_bias = [scale.u_edge_bias_px for scale in scales]
    return replace(
        scales[0],
        u_edge_bias_px=None if None in u_bias else max(u for u in u_bias if u is not None),
        **{name: sum(getattr(scale, name) for scale in scales) / len(scales) for name in _MEAN},
        **{name: max(getattr(scale, name) for scale in scales) for name in _LARGEST},
    )


def _scale_in_scan_dict(path: Path, scan: InScan) -> dict[str, Any]:
    s = scan.scale
    return {
        "file": path.name,
        "region": list(scan.region),
        "um_per_px": [s.um_per_px_x, s.um_per_px_y],
        "u_rel": [s.u_rel_x, s.u_rel_y],
        "edge_bias_px": s.edge_bias_px,
        "marks": scan.calibration.marks_used,
        "residual_rms_um": scan.calibration.residual_rms_um,
        "budget": [
            {"name": row.name.value, "u_rel": [row.u_rel_x, row.u_rel_y]} for row in scan.budget
        ],
    }
