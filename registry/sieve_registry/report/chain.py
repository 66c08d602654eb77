"""The traceability of a check in four lines: certificate, artefact, scale, check."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["chain_lines"]


_NONE = "not recorded in this registry"


def chain_lines(
    trace: Mapping[str, Any] | None, source: str | None = None
) -> tuple[tuple[str, str], ...]:
    """The name and text of each link; `source` describes a scale that is not recorded."""
    if not trace:
        unrecorded = f"{_NONE}; described as: {source}" if source else f"{_NONE}, no description"
        kept = "measured by that scale; keep its certificate with this page"
        return (
            ("Certificate", _NONE),
            ("Artefact", _NONE),
            ("Scale of the device", unrecorded),
            ("This check", kept if source else "not traceable to a certificate"),
        )
    certificate, artefact = trace["certificate"], trace["artefact"]
    scale, check = trace["scale"], trace["check"]
    pitch, expanded = float(artefact["pitch_um"]), float(artefact["U_pitch_um"])
    return (
        (
            "Certificate",
            f"{certificate['number']} of {certificate['laboratory']}, valid "
            f"{certificate['valid_from']} to {certificate['valid_to']}",
        ),
        (
            "Artefact",
            f"{artefact['id']} ({artefact['kind']}), pitch {pitch:.7g} µm, U {expanded:.3g} µm "
            f"(k = {float(artefact['k']):g}); event {artefact['event']}",
        ),
        ("Scale of the device", _scale(scale) + _line(trace.get("line"))),
        ("This check", _check(check, trace.get("accepted"))),
    )


def _scale(scale: Mapping[str, Any] | None) -> str:
    if scale is None:
        return "not recorded: taken from the artefact in the scan"
    x, y = (f"{float(value):.6g}" for value in scale["um_per_px"])
    return (
        f"{scale['name']}: {scale['device']} at {scale['setting']}, {x} × {y} µm/px, calibrated "
        f"{scale['date']}, valid until {scale['valid_until']}; event {scale['event']}"
    )


def _line(line: Mapping[str, Any] | None) -> str:
    """The certificate behind the edge bias, where a single line gave it."""
    if line is None:
        return ""
    return (
        f"; edge bias from the line {line['id']}, {float(line['width_um']):.6g} µm wide, U "
        f"{float(line['U_width_um']):.2g} µm (k = {float(line['k']):g}), certificate "
        f"{line['certificate']} of {line['laboratory']}, valid {line['valid_from']} to "
        f"{line['valid_to']}; event {line['event']}"
    )


def _check(check: Mapping[str, Any], accepted: Mapping[str, Any] | None) -> str:
    u_x, u_y = (f"{200 * float(value):.2g}" for value in check["u_rel"])
    parts = [f"U of its scale {u_x} % along x, {u_y} % along y (k = 2)"]
    for scan in check.get("in_scan", ()):
        x, y = (f"{float(value):.6g}" for value in scan["um_per_px"])
        parts.append(f"by the artefact in {scan['file']} ({scan['marks']} marks) {x} × {y} µm/px")
    for effect in check["effects"]:
        parts.append(f"{effect['name']} {100 * float(effect['u_rel']):.2g} % (k = 1) included")
    if accepted:
        parts.append(f"{', '.join(accepted['expired'])}: {accepted['by']}, “{accepted['why']}”")
    return "; ".join(parts)
