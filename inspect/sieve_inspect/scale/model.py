"""The scale of a picture: micrometres per pixel along x and y, with their uncertainty."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from sieve_inspect.arrays import Bool, Float
from sieve_inspect.errors import BadScaleFileError, UsageError
from sieve_inspect.files import MOST_JSON_BYTES, read_json
from sieve_inspect.scale.parts import DEFAULTS, U_EDGE_BIAS_PX, Cause, Default, ScalePart, Sensor
from sieve_inspect.scale.pixel_map import PixelMap

SCHEMA = "sieveward.scale/1"

# A scale typed in by hand has no certificate. Flatbed scanners are wrong by 100 to 240 um over
# the plate (Boron, ISPRS 1996); 240 um over the 297 mm of A4 is 0.08 %, taken up to 0.1 %.
U_REL_BY_HAND = 0.001
_NEEDED = ("um_per_px_x", "um_per_px_y", "u_rel_x", "u_rel_y")
_OPTIONAL = ("edge_bias_px", "shear_deg", "u_shear_deg")
# In this order.
_WRITTEN = (
    *_NEEDED, "edge_bias_px", "source", "certified", *_OPTIONAL[1:], "u_edge_bias_px",
)  # fmt: skip
_APART = 1.1  # x and y of a device differ less than this; a decimal comma read as a separator more


@dataclass(frozen=True, repr=False)
class Scale:
    """Micrometres per pixel (um/px), relative standard uncertainties, and the edge bias (px).

    `edge_bias_px` is b: every opening appears 2b wider than it is and every wire 2b thinner.
    `shear_deg` leans the picture's y axis towards its x axis: one px down is the step
    um_per_px_y · (sin shear, cos shear) in um. `rest` is the smooth map on top of that, None
    for a straight scale; x and y scale are then those at the picture's middle, and a width is
    the difference of two points moved by `to_um`. All `u_…` are standard uncertainties (k = 1),
    `u_edge_bias_px` None where no line of known width gave it. `parts` are the causes that u_rel
    contains and states; those it does not state get the default of the device's `sensor` in every
    budget (see `parts`).
    `certified` is whether the scale rests on a certified artefact; `source` names it.

    Raises `UsageError` for a value outside its plausible range.
    """

    um_per_px_x: float
    um_per_px_y: float
    u_rel_x: float
    u_rel_y: float
    edge_bias_px: float = 0.0
    source: str = ""
    shear_deg: float = 0.0
    u_shear_deg: float = 0.0
    u_edge_bias_px: float | None = None
    rest: PixelMap | None = None
    certified: bool = field(default=False, kw_only=True)
    parts: tuple[ScalePart, ...] = field(default=(), kw_only=True)
    sensor: Sensor = field(default=Sensor.LINE_CAMERA, kw_only=True)

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
            value = getattr(self, name) or 0.0
            if not (math.isfinite(value) and value >= 0):
                raise UsageError(
                    message=f"The scale's {name} = {value:g} must be zero or a positive number."
                )

    def __repr__(self) -> str:
        figures = f"{self.um_per_px_x:.6g} x {self.um_per_px_y:.6g} um/px"
        u = f"u_rel {self.u_rel_x:.2g}, {self.u_rel_y:.2g}"
        bias = f", edge bias {self.edge_bias_px:.3g} px" if self.edge_bias_px else ""
        source = self.source if len(self.source) <= 60 else f"{self.source[:59]}…"
        chain = "certified" if self.certified else "not certified"
        mapped = ", with map" if self.rest is not None else ""
        return f"Scale({figures}, {u}{bias}{mapped}, {chain}, {source!r})"

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Scale:
        """Read what `to_dict` wrote; other keys are ignored.

        Raises `KeyError`, `TypeError`, `ValueError` or `UsageError` for a missing or wrong value.
        """
        rest, source = data.get("rest"), str(data.get("source") or "")
        certified = data.get("certified", certified_by_source(source))
        if not isinstance(certified, bool):
            raise TypeError("certified must be true or false")
        return cls(
            **{name: float(data[name]) for name in _NEEDED},
            **{name: float(data.get(name, 0.0)) for name in _OPTIONAL},
            # Files wrote 0 where it was not known.
            u_edge_bias_px=float(data.get("u_edge_bias_px") or 0.0) or None,
            source=source,
            rest=None if rest is None else PixelMap.from_dict(rest),
            certified=certified,
            parts=tuple(_parts(data)),
            sensor=Sensor(data.get("sensor", Sensor.LINE_CAMERA)),
        )

    def to_dict(self) -> dict[str, object]:
        """The scale as a JSON-ready dictionary, the way `load_scale` reads it.

        A flatbed with a lens, or a device of unknown sensor, has no sensor in it.
        """
        flatbed = self.sensor == Sensor.LINE_CAMERA
        return {
            "schema": SCHEMA,
            **{name: getattr(self, name) for name in _WRITTEN},
            "parts": [part.to_dict() for part in self.parts],
            **({} if flatbed else {"sensor": str(self.sensor)}),
            "rest": None if self.rest is None else self.rest.to_dict(),
        }

    def to_um(self, points: Float) -> Float:
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

    def stretched(self, factor: float) -> Scale:
        """The scale with every length times a factor."""
        return replace(
            self,
            um_per_px_x=factor * self.um_per_px_x,
            um_per_px_y=factor * self.um_per_px_y,
            rest=None if self.rest is None else self.rest.stretched(factor, factor),
        )

    def with_part(self, cause: Cause, u_rel_x: float, u_rel_y: float) -> Scale:
        """The scale with a further stated cause of its uncertainty; 0 where it adds nothing."""
        part = ScalePart(cause, u_rel_x, u_rel_y)
        wider = math.hypot(self.u_rel_x, u_rel_x), math.hypot(self.u_rel_y, u_rel_y)
        return replace(self, u_rel_x=wider[0], u_rel_y=wider[1], parts=(*self.parts, part))

    def u_rel_by_cause(self, axis: int) -> dict[Cause | None, float]:
        """Relative standard uncertainty by cause in x (0) or y (1); None is the artefact's."""
        total = (self.u_rel_x, self.u_rel_y)[axis]
        own: dict[Cause | None, float] = dict.fromkeys(self.stated, 0.0)
        for part in self.parts:
            own[part.cause] = math.hypot(own[part.cause], (part.u_rel_x, part.u_rel_y)[axis])
        rest = math.sqrt(max(0.0, total**2 - sum(u**2 for u in own.values())))
        return {None: rest, **own}

    @property
    def stated(self) -> tuple[Cause, ...]:
        """The causes of uncertainty whose size this scale states."""
        return tuple(dict.fromkeys(part.cause for part in self.parts))

    @property
    def assumed(self) -> dict[Cause, Default]:
        """The defaults of the causes it does not state."""
        known = DEFAULTS[self.sensor].items()
        return {cause: default for cause, default in known if cause not in self.stated}

    def u_rel_in_use(self, axis: int) -> float:
        """Relative standard uncertainty in x (0) or y (1) with the defaults of unknown causes."""
        unknown = [default.u for default in self.assumed.values()]
        return math.hypot((self.u_rel_x, self.u_rel_y)[axis], *unknown)

    @property
    def u_edge_bias_in_use_px(self) -> float:
        """Standard uncertainty (px) of the edge bias, by a default where it is not known."""
        return U_EDGE_BIAS_PX if self.u_edge_bias_px is None else self.u_edge_bias_px

    def covers(self, points: Float) -> Bool:
        """Which picture points (n, 2) in px lie where the artefact was seen.

        A scale without a map covers the whole picture.
        """
        if self.rest is None:
            return np.ones(len(points), np.bool_)
        return self.rest.covers(np.asarray(points, dtype=float))


def _parts(data: Mapping[str, Any]) -> Iterator[ScalePart]:
    """The stated causes in a scale file; files without them have a budget that may name one."""
    if "parts" in data:
        yield from map(ScalePart.from_dict, data["parts"])
        return
    for row in data.get("budget") or ():
        if row["name"] == Cause.PICTURES and row.get("dof"):
            yield ScalePart(Cause.PICTURES, float(row["u_rel_x"]), float(row["u_rel_y"]))


def exact_scale(um_per_px_x: float, um_per_px_y: float, edge_bias_px: float = 0.0) -> Scale:
    """The scale of a drawn picture: known exactly, so that nothing of it is a default."""
    parts = tuple(ScalePart(cause, 0.0, 0.0) for cause in Cause)
    return Scale(
        um_per_px_x, um_per_px_y, 0.0, 0.0, edge_bias_px, "exact", u_edge_bias_px=0.0, parts=parts
    )


def certified_by_source(source: str) -> bool:
    """Whether a scale rests on a certified artefact, by its source text alone.

    Only for records written before scales had the field `certified`: there the text carries a
    mark where no certificate stands behind the scale. A scale without a source is not certified.
    """
    return bool(source) and "not certified" not in source and not source.startswith("given by hand")


def scale_from_text(text: str) -> Scale:
    """Read `--um-per-px X[,Y]`; the uncertainty is that of an uncertified flatbed scanner."""
    parts = text.split(",")
    try:
        x, y = (float(parts[0]), float(parts[-1])) if len(parts) <= 2 else (math.nan, math.nan)
    except ValueError:
        x = y = math.nan
    if not (math.isfinite(x) and math.isfinite(y)):
        raise UsageError(
            message=f"Scale '{text}' not readable: write um per pixel as X or X,Y, for instance "
            "10.58,10.57."
        )
    if len(parts) == 2 and x > 0 < y and max(x, y) > _APART * min(x, y):
        raise UsageError(
            message=f"'{text}' reads as {x:g} um per pixel along x and {y:g} along y, too far "
            f"apart for any device: write one scale with a point, {parts[0]}.{parts[1]}, or two "
            "as X,Y within 10 % of each other."
        )
    if len(parts) == 2 and all(part.strip().isdigit() for part in parts):
        raise UsageError(
            message=f"'{text}' may be {parts[0]}.{parts[1]} or {x:g} by {y:g} um per pixel: write "
            f"one scale with a point, {parts[0]}.{parts[1]}, or two as {x:.1f},{y:.1f}."
        )
    return Scale(x, y, U_REL_BY_HAND, U_REL_BY_HAND, 0.0, "given by hand, not certified")


def scale_from_dpi(dpi: float) -> Scale:
    """The scale of a scanner's resolution on trust: 25,400 um an inch, the same in x and y."""
    if not (math.isfinite(dpi) and dpi > 0):
        raise UsageError(message=f"{dpi:g} dpi is no resolution: give a number above 0.")
    um_per_px = 25_400 / dpi
    source = f"{dpi:g} dpi on trust, not certified"
    return Scale(um_per_px, um_per_px, U_REL_BY_HAND, U_REL_BY_HAND, 0.0, source)


def load_scale(path: str | Path) -> Scale:
    """Read a scale file (JSON, schema `sieveward.scale/1`). Raises `BadScaleFileError`."""
    path = Path(path)
    try:
        data = read_json(path, MOST_JSON_BYTES)
        if not isinstance(data, dict) or data.get("schema") != SCHEMA:
            raise BadScaleFileError(file=path, reason=f"its schema is not {SCHEMA}")
        scale = Scale.from_dict(data)
        return scale if scale.source else replace(scale, source=path.name)
    except OSError as error:
        raise BadScaleFileError(file=path, reason=error.strerror or "no access") from error
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        reason = "it is not JSON text as `sieveward scale` writes it"
        raise BadScaleFileError(file=path, reason=reason) from error
    except KeyError as error:
        raise BadScaleFileError(file=path, reason=f"{error.args[0]} is missing") from error
    except (ValueError, TypeError, AttributeError, UsageError) as error:
        raise BadScaleFileError(file=path, reason=str(error)) from error
