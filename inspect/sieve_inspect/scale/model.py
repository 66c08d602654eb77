"""The scale of a picture: micrometres per pixel along x and y, and how far to trust them."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import BadScaleFileError, UsageError
from sieve_inspect.scale.pixel_map import PixelMap

__all__ = ["SCHEMA", "Scale", "load_scale", "scale_from_dict", "scale_from_text", "scale_to_dict"]

SCHEMA = "sieveward.scale/1"

# A scale typed in by hand has no certificate. Flatbed scanners are wrong by 100 to 240 um over
# the plate (Boron, ISPRS 1996); 240 um over the 297 mm of A4 is 0.08 %, taken up to 0.1 %.
U_REL_BY_HAND = 0.001
_APART = 1.1  # no device's x and y differ as much; a decimal comma makes them


@dataclass(frozen=True)
class Scale:
    """Micrometres per pixel (um/px), relative standard uncertainties, and the edge bias (px).

    `edge_bias_px` is b: every opening appears 2b wider than it is and every wire 2b thinner.
    `shear_deg` leans the picture's y axis towards its x axis: one px down is the step
    um_per_px_y · (sin shear, cos shear) in um. `rest` is the smooth map on top of that, None
    for a straight scale; x and y scale are then those at the picture's middle, and a width is
    the difference of two points moved by `to_um`. All `u_…` are standard uncertainties (k = 1).
    """

    um_per_px_x: float
    um_per_px_y: float
    u_rel_x: float
    u_rel_y: float
    edge_bias_px: float = 0.0
    source: str = ""
    shear_deg: float = 0.0
    u_shear_deg: float = 0.0
    u_edge_bias_px: float = 0.0
    rest: PixelMap | None = None

    def __post_init__(self) -> None:
        for name in ("um_per_px_x", "um_per_px_y"):
            value = getattr(self, name)
            if not (math.isfinite(value) and 1e-4 <= value <= 1e4):
                raise UsageError(
                    message=f"A scale of {value:g} um per pixel ({name[-1]}) is not plausible: "
                    "it has to lie between 0.0001 and 10000."
                )
        for name in ("u_rel_x", "u_rel_y"):
            value = getattr(self, name)
            if not (math.isfinite(value) and 0 <= value < 1):
                raise UsageError(message=f"The scale's {name} = {value:g} must lie in 0 to 1.")
        if not (math.isfinite(self.edge_bias_px) and abs(self.edge_bias_px) < 5):
            raise UsageError(message=f"An edge bias of {self.edge_bias_px:g} px is not plausible.")
        if not (math.isfinite(self.shear_deg) and abs(self.shear_deg) < 10):
            raise UsageError(message=f"A shear of {self.shear_deg:g} degrees is not plausible.")
        for name in ("u_shear_deg", "u_edge_bias_px"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise UsageError(message=f"The scale's {name} = {value:g} is no uncertainty.")

    def to_um(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Picture points (n, 2) as (x, y) in px to the plane in um, (n, 2).

        Only differences of points mean anything: the picture's place and turn on the device
        are not part of a scale.
        """
        points = np.asarray(points, dtype=float)
        lean = math.radians(self.shear_deg)
        down = self.um_per_px_y * points[:, 1]
        flat = np.stack(
            [self.um_per_px_x * points[:, 0] + math.sin(lean) * down, math.cos(lean) * down], axis=1
        )
        return flat if self.rest is None else flat + self.rest(points)

    def distance_um(
        self, first: NDArray[np.float64], second: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Distances (n,) in um between picture points (n, 2) and (n, 2) in px."""
        return np.asarray(np.hypot(*(self.to_um(second) - self.to_um(first)).T))

    def covers(self, points: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which picture points (n, 2) in px lie where the artefact was seen.

        A scale without a map claims the whole picture.
        """
        if self.rest is None:
            return np.ones(len(points), np.bool_)
        return self.rest.covers(np.asarray(points, dtype=float))


def scale_from_text(text: str) -> Scale:
    """Read `--um-per-px X[,Y]`; the uncertainty is that of an uncertified flatbed scanner."""
    parts = text.split(",")
    try:
        x, y = (float(parts[0]), float(parts[-1])) if len(parts) <= 2 else (math.nan, math.nan)
    except ValueError:
        x = y = math.nan
    if not (math.isfinite(x) and math.isfinite(y)):
        raise UsageError(
            message=f"'{text}' is no scale: write um per pixel as X or X,Y, like 10.58,10.57."
        )
    if len(parts) == 2 and x > 0 < y and max(x, y) > _APART * min(x, y):
        raise UsageError(
            message=f"'{text}' reads as {x:g} um per pixel along x and {y:g} along y, which no "
            f"device has: for one scale write it with a point, {parts[0]}.{parts[1]}, and two as "
            "X,Y within 10 % of each other."
        )
    return Scale(x, y, U_REL_BY_HAND, U_REL_BY_HAND, 0.0, "given by hand, not certified")


def load_scale(path: Path) -> Scale:
    """Read a scale file (JSON, schema `sieveward.scale/1`). Raises `BadScaleFileError`."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(data, dict) or data.get("schema") != SCHEMA:
            raise BadScaleFileError(file=path, reason=f"it does not say schema {SCHEMA}")
        return scale_from_dict({**data, "source": data.get("source") or path.name})
    except OSError as error:
        raise BadScaleFileError(file=path, reason=error.strerror or "no access") from error
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        reason = "it is no scale file as `sieveward scale` writes it, with text in JSON"
        raise BadScaleFileError(file=path, reason=reason) from error
    except KeyError as error:
        raise BadScaleFileError(file=path, reason=f"it lacks {error.args[0]}") from error
    except (ValueError, TypeError, AttributeError, UsageError) as error:
        raise BadScaleFileError(file=path, reason=str(error)) from error


def scale_from_dict(data: dict[str, Any]) -> Scale:
    """Read what `scale_to_dict` wrote; other keys are left alone.

    Raises `KeyError`, `TypeError`, `ValueError` or `UsageError` for what does not fit.
    """
    rest = data.get("rest")
    return Scale(
        float(data["um_per_px_x"]),
        float(data["um_per_px_y"]),
        float(data["u_rel_x"]),
        float(data["u_rel_y"]),
        float(data.get("edge_bias_px", 0.0)),
        str(data.get("source") or ""),
        float(data.get("shear_deg", 0.0)),
        float(data.get("u_shear_deg", 0.0)),
        float(data.get("u_edge_bias_px", 0.0)),
        None if rest is None else PixelMap.from_dict(rest),
    )


def scale_to_dict(scale: Scale) -> dict[str, object]:
    """The scale as a JSON-ready dictionary, the way `load_scale` reads it."""
    rest = None if scale.rest is None else scale.rest.to_dict()
    return {"schema": SCHEMA, **asdict(scale), "rest": rest}
