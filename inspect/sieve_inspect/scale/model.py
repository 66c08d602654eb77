"""The scale of a picture: micrometres per pixel along x and y, and how far to trust them."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from pathlib import Path

from sieve_inspect.errors import BadScaleFileError, UsageError

__all__ = ["SCHEMA", "Scale", "load_scale", "scale_from_text"]

SCHEMA = "sieveward.scale/1"

# A scale typed in by hand has no certificate. Flatbed scanners are wrong by 100 to 240 um over
# the plate (Boron, ISPRS 1996); 240 um over the 297 mm of A4 is 0.08 %, taken up to 0.1 %.
U_REL_BY_HAND = 0.001


@dataclass(frozen=True)
class Scale:
    """Micrometres per pixel (um/px), relative standard uncertainties, and the edge bias (px).

    `edge_bias_px` is b: every opening appears 2b wider than it is and every wire 2b thinner.
    """

    um_per_px_x: float
    um_per_px_y: float
    u_rel_x: float
    u_rel_y: float
    edge_bias_px: float = 0.0
    source: str = ""

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
    return Scale(x, y, U_REL_BY_HAND, U_REL_BY_HAND, 0.0, "given by hand, not certified")


def load_scale(path: Path) -> Scale:
    """Read a scale file (JSON, schema `sieveward.scale/1`). Raises `BadScaleFileError`."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(data, dict) or data.get("schema") != SCHEMA:
            raise BadScaleFileError(file=path, reason=f"it does not say schema {SCHEMA}")
        return Scale(
            float(data["um_per_px_x"]),
            float(data["um_per_px_y"]),
            float(data["u_rel_x"]),
            float(data["u_rel_y"]),
            float(data.get("edge_bias_px", 0.0)),
            str(data.get("source") or path.name),
        )
    except OSError as error:
        raise BadScaleFileError(file=path, reason=error.strerror or "no access") from error
    except KeyError as error:
        raise BadScaleFileError(file=path, reason=f"it lacks {error.args[0]}") from error
    except (ValueError, TypeError, UsageError) as error:
        raise BadScaleFileError(file=path, reason=str(error)) from error


def scale_to_dict(scale: Scale) -> dict[str, object]:
    """The scale as a JSON-ready dictionary, the way `load_scale` reads it."""
    return {"schema": SCHEMA, **asdict(scale)}
