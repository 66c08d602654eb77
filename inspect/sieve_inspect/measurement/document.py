"""Parts of the JSON document of a measurement, schema `sieveward.measurement/1`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from sieve_inspect.measurement.picture import Picture
from sieve_inspect.scale import Scale

SCHEMA = "sieveward.measurement/1"


def image_entry(picture: Picture) -> dict[str, Any]:
    """The file of a picture and how it was read."""
    height, width = picture.scan.shape
    return {
        "file": picture.scan.path.name,
        "sha256": picture.scan.sha256,
        "width_px": width,
        "height_px": height,
        "encoding": picture.encoding,
        "encoding_reason": picture.encoding_reason,
        "unread": [list(box) for box in picture.scan.lost],
    }


def scale_entry(scale: Scale) -> dict[str, Any]:
    """The figures of a scale; of its map only whether there is one."""
    figures = {k: v for k, v in scale.to_dict().items() if k not in ("schema", "rest")}
    return {**cleaned(figures), "mapped": scale.rest is not None}


def imaging_figures(pictures: Sequence[Picture]) -> dict[str, Any]:
    """Blur, noise and contrast of the picture with the largest blur for its apertures."""
    worst = max(pictures, key=lambda p: p.blur_px / p.aperture_px)
    field = worst.field
    amplitude = float(np.mean([np.median(a.fit.amplitude[field.ok]) for a in field.axes]))
    floor = float(np.mean([np.median(a.fit.floor[field.ok]) for a in field.axes]))
    return {
        "blur_px": rounded(worst.blur_px),
        "noise_percent": rounded(100 * field.pixel_noise / amplitude),
        "contrast": rounded(amplitude / max(amplitude + max(floor, 0.0), 1e-9)),
        "aperture_px": rounded(worst.aperture_px),
    }


def rounded(value: float) -> float | None:
    """Nine significant digits; null for what is not a finite number."""
    return float(f"{value:.9g}") if math.isfinite(value) else None


def cleaned(values: Mapping[str, Any]) -> dict[str, Any]:
    """The same with every float rounded."""
    return {k: rounded(v) if isinstance(v, float) else v for k, v in values.items()}
