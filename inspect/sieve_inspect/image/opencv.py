"""All calls of OpenCV: array shapes and constants changed in version 5, so they stand together.

Arrays are (height, width) or (height, width, 3); colours are given and returned as RGB.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Bool, Float, Float32, Index

UInt8 = NDArray[np.uint8]

if hasattr(cv2, "setLogLevel"):  # what it remarks becomes an error of this package
    cv2.setLogLevel(0)
_MANY = 0.05  # share of the pixels


def decode(data: bytes) -> NDArray[np.uint8] | NDArray[np.uint16] | None:
    """Decode picture bytes unchanged in depth; (h, w) or (h, w, 3) RGB, None if it cannot."""
    flags = cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION
    array: Any = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if array is None:
        return None
    if array.ndim == 3:
        array = array[:, :, :3][:, :, ::-1] if array.shape[2] >= 3 else array[:, :, 0]
    return np.ascontiguousarray(array)


def box_mean(image: Float32, side: int) -> Float32:
    """Mean over a square of `side` px around every pixel, the border mirrored."""
    return np.asarray(cv2.blur(image, (side, side), borderType=cv2.BORDER_REFLECT_101))


def gaussian_blur(image: Float32, sigma: float) -> Float32:
    """Blur by a Gaussian of `sigma` px, the border mirrored."""
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REFLECT_101))


def shrink(image: Float32 | UInt8 | NDArray[np.uint16], factor: int) -> Float32:
    """Average factor x factor blocks; a remainder at the right and lower border is cut off."""
    height, width = (n // factor * factor for n in image.shape[:2])
    size = (width // factor, height // factor)
    return np.asarray(
        cv2.resize(image[:height, :width], size, interpolation=cv2.INTER_AREA), np.float32
    )


def resize(image: UInt8, factor: float) -> UInt8:
    """Scale a picture for display, never for measuring."""
    method = cv2.INTER_AREA if factor < 1 else cv2.INTER_NEAREST
    return np.asarray(cv2.resize(image, None, fx=factor, fy=factor, interpolation=method), np.uint8)


def local_maxima(image: Float32, radius: float) -> tuple[Index, Index]:
    """Rows and columns of pixels that nothing within `radius` px exceeds."""
    size = 2 * max(1, round(radius)) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    # Few pixels are the highest of nine, and only these are compared with all of the disc.
    near = np.asarray(cv2.dilate(image, np.ones((3, 3), np.uint8)))
    rows, columns = np.divmod(np.flatnonzero(image >= near), image.shape[1])
    if len(rows) > _MANY * image.size:
        rows, columns = np.nonzero(image >= np.asarray(cv2.dilate(image, disc)))
        return rows, columns
    height = image[rows, columns]
    for down, right in np.argwhere(disc) - size // 2:
        other = image.take(
            np.clip(rows + down, 0, image.shape[0] - 1) * image.shape[1]
            + np.clip(columns + right, 0, image.shape[1] - 1)
        )
        high = height >= other
        rows, columns, height = rows[high], columns[high], height[high]
    return rows, columns


def amplitudes(image: Float32) -> Float32:
    """Amplitudes (h, w // 2 + 1) of the Fourier transform of a picture (h, w)."""
    height, width = image.shape
    packed = np.asarray(cv2.dft(image))
    square = packed * packed
    out = np.empty((height, width // 2 + 1), np.float32)
    inner = (width - 1) // 2
    np.add(
        square[:, 1 : 2 * inner : 2], square[:, 2 : 2 * inner + 1 : 2], out=out[:, 1 : inner + 1]
    )
    for at in (0, -1)[: 2 - width % 2]:  # the columns that are real transforms, packed alike
        ends, half = square[:, at], (height - 1) // 2
        pairs = ends[1 : 2 * half : 2] + ends[2 : 2 * half + 1 : 2]
        out[0, at], out[1 : half + 1, at], out[height - half :, at] = ends[0], pairs, pairs[::-1]
        if height % 2 == 0:
            out[height // 2, at] = ends[-1]
    return np.sqrt(out, out=out)


def within(mask: Bool, reach: int) -> Bool:
    """Where the mask is true over all of a square of `reach` px to every side."""
    square = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    padded = np.pad(mask.astype(np.uint8), reach)
    eroded = np.asarray(cv2.erode(padded, square))
    return np.asarray(eroded[reach : reach + mask.shape[0], reach : reach + mask.shape[1]] > 0)


def enclosed(mask: Bool) -> Bool:
    """Where the mask is false and no steps up, down or sideways along false pixels lead outside."""
    beyond = np.pad(~mask, 1, constant_values=True).astype(np.uint8)
    label = np.asarray(cv2.connectedComponents(beyond, connectivity=4)[1])[1:-1, 1:-1]
    return np.asarray(~mask & (label != 1))  # the corner, counted first, lies outside


def look_up(table: Float32, stored: NDArray[Any]) -> Float32:
    """The table's value (256 or 65536) for every stored number, 8 or 16 bit, any shape."""
    if stored.dtype == np.uint8 and stored.size:
        flat: NDArray[Any] = stored
        if stored.ndim != 2:
            flat = np.ascontiguousarray(stored).reshape(1, -1)
        return np.asarray(cv2.LUT(flat, table.reshape(1, -1)), np.float32).reshape(stored.shape)
    return table.take(stored, mode="clip")


def draw_lines(image: UInt8, segments: Float, colour: Sequence[int], thickness: int = 1) -> None:
    """Draw segments (n, 2, 2) of (x, y) in px into an RGB picture, anti-aliased, in place."""
    fixed = np.ascontiguousarray(np.round(segments * 16), np.int32).reshape(-1, 2, 1, 2)
    cv2.polylines(
        image, list(fixed), False, tuple(int(c) for c in colour), thickness, cv2.LINE_AA, 4
    )


def draw_text(image: UInt8, text: str, at: tuple[int, int]) -> None:
    """Write plain ASCII text in black with its lower left corner at `at` (x, y), in place."""
    cv2.putText(image, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.55, (0, 0, 0), 1, cv2.LINE_AA)


def encode_png(image: UInt8) -> bytes:
    """RGB or grey picture as PNG bytes."""
    flipped = image[:, :, ::-1] if image.ndim == 3 else image
    done, data = cv2.imencode(".png", np.ascontiguousarray(flipped))
    if not done:  # pragma: no cover - only on memory exhaustion
        raise MemoryError("PNG encoding failed")
    return bytes(np.asarray(data).tobytes())
