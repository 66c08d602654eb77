"""Parameter names in error messages, shown as the options a person types.

The rooms raise errors that name their parameters, so that they read well in Python. At the command
line the same sentence names the option: `` `um_per_px` `` becomes --um-per-px. A name with an
underscore is recognised without backticks too, since no English word has an underscore.
"""

from __future__ import annotations

import re

# Parameters whose option has another spelling than their own with hyphens.
_OTHER_NAMES = {
    "accept_cloth": "--accept-cloth REASON",
    "accept_expired": "--accept-expired REASON",
    "accept_scan": "--accept-scan REASON",
    "artefact_id": "--artefact",
    "device_id": "--device",
    "late_reason": "--why-late",
    "lamp_angle_deg": "--lamp-angle",
    "line_width_um": "--line-width",
    "max_residual_um": "--max-residual",
    "nominal_um": "--nominal",
    "on_date": "--date",
    "pitch_um": "--pitch",
    "scale": "--scale FILE",
    "scale_after": "--scale-after",
    "um_per_px_after": "--um-per-px-after",
    "stand_off_um": "--stand-off",
    "temperature_c": "--temperature",
    "turned_deg": "--turned",
    "turns_deg": "--turned",
    "u_line_width_um": "--u-line-width",
    "u_pitch_um": "--u-pitch",
    "u_lamp_deg": "--u-lamp-angle",
    "u_view_deg": "--u-view-angle",
    "view_angle_deg": "--view-angle",
    "why_late": "--why-late",
}
_SAME_NAMES = (
    "base", "cluster", "coarser", "encoding", "grade", "kind", "line_width", "max_megapixels",
    "max_residual", "mean_x", "mean_y", "n", "name", "nominal", "pattern", "pitch", "reason",
    "reference", "region", "registry", "replace", "resume", "rule", "same_device", "sensor",
    "setting", "stand_off", "standard", "target_in_scan",
    "target_region", "temperature", "temperature_range", "turned", "u_line_width", "u_pitch",
    "um_per_px", "wire", "workers",
)  # fmt: skip

OPTIONS = {name: f"--{name.replace('_', '-')}" for name in _SAME_NAMES} | _OTHER_NAMES

_NAMED = re.compile(r"`([a-z_]+)`|(?<![\w./-])([a-z]+(?:_[a-z]+)+)(?![\w./=-])")


def with_options(message: str) -> str:
    """The message with each known parameter name replaced by its option."""

    def option(match: re.Match[str]) -> str:
        return OPTIONS.get(match[1] or match[2], match[0])

    return _NAMED.sub(option, message)
