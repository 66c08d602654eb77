"""Writes a rendered picture as the kind of file its name asks for."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import UnwritableOutputError, UsageError
from sieve_inspect.synthetic.rendering import Render
from sieve_inspect.synthetic.sensor import jpeg_bytes

_SIGNATURE_AND_IHDR = 8 + 25


def save(
    render: Render, path: Path, *, srgb_chunk: bool = False, gamma: float | None = None
) -> None:
    """Write PNG, TIFF, JPEG or BMP by the name's ending.

    A PNG carries an sRGB chunk or a gAMA chunk (file gamma, 1.0 for linear light, 0.45455 for
    a display's) only when asked. A JPEG needs 8 bits; a picture made with a JPEG quality is
    written as the very file it was decoded from. Raises `UsageError` for another ending or an
    impossible pair, `UnwritableOutputError` when the file cannot be written.
    """
    kind = path.suffix.lower()
    if kind == ".png":
        data = _png(render.image, srgb_chunk, gamma)
    elif kind in (".tif", ".tiff"):
        data = _tiff(render.image)
    elif kind in (".jpg", ".jpeg"):
        data = render.jpeg if render.jpeg is not None else jpeg_bytes(_eight_bit(render.image), 92)
    elif kind == ".bmp":
        data = _bmp(_eight_bit(render.image))
    else:
        raise UsageError(message=f"{path.name}: write .png, .tif, .jpg or .bmp.")
    try:
        path.write_bytes(data)
    except OSError as error:
        raise UnwritableOutputError(file=path, reason=error.strerror or "no access") from error


def _eight_bit(image: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.uint8]:
    if image.dtype != np.uint8:
        raise UsageError(message="JPEG and BMP files hold 8 bits: write .png or .tif.")
    return image.astype(np.uint8)


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def _png(
    image: NDArray[np.uint8] | NDArray[np.uint16], srgb_chunk: bool, gamma: float | None
) -> bytes:
    import imagecodecs

    data = bytes(imagecodecs.png_encode(image))
    extra = _chunk(b"sRGB", b"\0") if srgb_chunk else b""
    if gamma is not None:
        extra += _chunk(b"gAMA", struct.pack(">I", round(gamma * 100_000)))
    return data[:_SIGNATURE_AND_IHDR] + extra + data[_SIGNATURE_AND_IHDR:]


def _tiff(image: NDArray[np.uint8] | NDArray[np.uint16]) -> bytes:
    import io

    import tifffile

    out = io.BytesIO()
    photometric = "rgb" if image.ndim == 3 else "minisblack"
    tifffile.imwrite(
        out, image, photometric=photometric, compression="deflate", metadata=None, software=""
    )
    return out.getvalue()


def _bmp(image: NDArray[np.uint8]) -> bytes:
    import io

    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(image).save(out, "BMP")
    return out.getvalue()
