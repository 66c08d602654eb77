"""Pictures embedded in a page, reduced where they are large."""

from __future__ import annotations

import base64
import io
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL import Image

__all__ = ["Embedded", "data_uri", "embed"]

_WIDEST_PX = 1600


@dataclass(frozen=True)
class Embedded:
    """A picture as a data URI, and whether it was reduced for the page."""

    uri: str
    reduced: bool


def embed(png: bytes, most_bytes: int) -> Embedded | None:
    """A picture for the page: at most about `most_bytes` and 1600 px wide.

    A small PNG is kept; a larger one becomes a JPEG, coarser until it fits. None for a picture
    that cannot be read.
    """
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            picture = Image.open(io.BytesIO(png), formats=["PNG"])
            if picture.width <= _WIDEST_PX and len(png) <= most_bytes:
                picture.verify()
                return Embedded(data_uri("png", png), reduced=False)
            picture.load()
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        return None
    best = b""
    for best in _smaller(picture.convert("RGB")):
        if len(best) <= most_bytes:
            break
    return Embedded(data_uri("jpeg", best), reduced=True)


def _smaller(picture: Image.Image) -> Iterator[bytes]:
    from PIL import Image

    for width in (1600, 1200, 900, 600):
        size = (width, max(1, round(picture.height * width / picture.width)))
        fits = picture.width <= width
        scaled = picture if fits else picture.resize(size, Image.Resampling.LANCZOS)
        for quality in (90, 75):
            out = io.BytesIO()
            scaled.save(out, "JPEG", quality=quality)
            yield out.getvalue()


def data_uri(kind: str, data: bytes) -> str:
    """A picture file as the address of an image."""
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"
