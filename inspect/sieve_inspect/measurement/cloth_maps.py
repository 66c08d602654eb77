"""The map of a picture by which its cloth is recognised."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from sieve_inspect.identity.cloth_map import ClothMap, Known
from sieve_inspect.illumination.model import LightKnown
from sieve_inspect.measurement.lighting import LightCorrection
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.scale import Scale
from sieve_inspect.summary.statistics import whole_cloth

# px of a mean width for a blur of 1 px (Gaussian sigma), growing with its square: what the shape of
# a blur leaves beside the edge response, fitted to the coverage of drawn pairs
# (tests/benchmarks/change_table.py); a disc of 3 px leaves 0.009 px on the accuracy page.
_SHAPE_PX = 0.0003


def cloth_maps(
    pictures: Sequence[Picture], scale: Scale, light: LightCorrection, device: str = ""
) -> tuple[ClothMap, ...]:
    """A map of each picture of a measurement, widths corrected for lamp and view.

    `device` names the device at a setting, "" where that is not known.
    """
    return tuple(cloth_map(picture, scale, light, device) for picture in pictures)


def labelled_maps(
    pictures: Sequence[Picture],
    exchanged: Sequence[bool],
    scale: Scale,
    light: LightCorrection,
    device: str,
) -> tuple[ClothMap, ...]:
    """The maps of pictures along themselves, x and y exchanged in some of them."""
    maps = cloth_maps(pictures, scale, light, device)
    return tuple(
        each.exchanged() if swapped else each for each, swapped in zip(maps, exchanged, strict=True)
    )


def cloth_map(picture: Picture, scale: Scale, light: LightCorrection, device: str) -> ClothMap:
    """The map of one picture of a measurement."""
    field, (x, y) = picture.field, picture.samples
    um_per_px = float(np.median(x.um_per_px)), float(np.median(y.um_per_px))
    shape = [
        _SHAPE_PX * axis.response.sigma**2 * unit
        for axis, unit in zip(field.axes, um_per_px, strict=True)
    ]
    lit = light.illumination
    by_lamp = lit.known is LightKnown.LAMP  # the glow is half of what the wires may show, ± all
    surface = [glow / math.sqrt(3) if by_lamp else 0.0 for glow in light.glow_um]
    lamp = [lit.lamp_deg, lit.glow, lit.view_deg, lit.line_um, lit.device]
    known = Known(
        edge=(math.hypot(x.u_response, shape[0]), math.hypot(y.u_response, shape[1])),
        bias=(
            2 * scale.u_edge_bias_in_use_px * um_per_px[0],
            2 * scale.u_edge_bias_in_use_px * um_per_px[1],
        ),
        light=light.u_um,
        u_rel=(scale.u_rel_in_use(0), scale.u_rel_in_use(1)),
        um_per_px=um_per_px,
        scale=_digest([scale.to_dict(), *lamp]),
        surface=(surface[0], surface[1]),
        bias_taken=(2 * scale.edge_bias_px * um_per_px[0], 2 * scale.edge_bias_px * um_per_px[1]),
        glow_taken=light.glow_um,
        device=device,
        lamp=_digest(lamp),
        by_cloth=lit.known is LightKnown.REFERENCE,
    )
    return ClothMap.of_table(
        field.row,
        field.column,
        scale.to_um(field.centre),
        (x.width, y.width),
        (x.noise, y.noise),
        field.state,
        known,
        whole_cloth([field], scale) is not None,
    )


def _digest(figures: list[Any]) -> str:
    """A name that is the same for the same figures."""
    return hashlib.sha256(json.dumps(figures).encode()).hexdigest()[:16]
