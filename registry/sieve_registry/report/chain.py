"""The chain of a recorded scale in four lines: certificate, artefact, scale, check."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["chain_lines"]


def chain_lines(trace: Mapping[str, Any] | None) -> tuple[tuple[str, str], ...]:
    """Each link's name and its sentence; nothing for a check without a recorded scale."""
    if not trace:
        return ()
    certificate, artefact = trace["certificate"], trace["artefact"]
    scale, check = trace["scale"], trace["check"]
    x, y = (f"{float(one):.6g}" for one in scale["um_per_px"])
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
        (
            "Scale of the device",
            f"{scale['name']}: {scale['device']} at {scale['setting']}, {x} × {y} µm/px, "
            f"calibrated {scale['date']}, valid until {scale['valid_until']}; "
            f"event {scale['event']}",
        ),
        ("This check", _check(check, trace.get("accepted"))),
    )


def _check(check: Mapping[str, Any], accepted: Mapping[str, Any] | None) -> str:
    u_x, u_y = (f"{200 * float(one):.2g}" for one in check["u_rel"])
    said = [f"U of its scale {u_x} % along x, {u_y} % along y (k = 2)"]
    for effect in check["effects"]:
        said.append(f"{effect['name']} {100 * float(effect['u_rel']):.2g} % (k = 1) within")
    if accepted:
        said.append(f"{', '.join(accepted['expired'])}: {accepted['by']}, “{accepted['why']}”")
    return "; ".join(said)
