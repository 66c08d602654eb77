"""Reading scan files: damage is reported and never filled in."""

from __future__ import annotations

import hashlib
import io
import logging
import warnings
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import (
    EmptyFileError,
    ImageTooLargeError,
    NotAnImageError,
    RefusedImageError,
    SievewardError,
    TruncatedImageError,
    UnreadableImageError,
)
from sieve_inspect.files import open_regular
from sieve_inspect.image import opencv
from sieve_inspect.image.samples import Finish, Raw, plain

MAX_MEGAPIXELS = 400.0  # decoded 16 bit colour of this size is 2.4 GB
_HEAD_BYTES = 64_000_000  # of a file that is not known to be a picture
_NO_UNIT = 1  # TIFF: of a resolution
_SEPARATE = 2  # TIFF: each colour in a plane of its own
TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_MOST_SAMPLES = 8  # per pixel: colours and transparency
_MOST_PADDING = 4  # times the picture, which a tile may be larger
for _name in ("PIL", "tifffile"):  # what they remark becomes an error or finding of this package
    logging.getLogger(_name).setLevel(logging.CRITICAL)
KINDS = {"PNG", "JPEG", "BMP"}  # besides TIFF, which Pillow is not asked for


class Tags(NamedTuple):
    """The header of a file without its size; fields as in `Scan`."""

    kind: str
    gamma: float | None
    srgb_tag: bool
    linear_tag: bool
    dpi: tuple[float, float] | None


@dataclass(frozen=True, eq=False)
class Scan:
    """One picture as stored: pixels (h, w) or (h, w, 3), unsigned 8 or 16 bit.

    `gamma` is the PNG's gAMA entry; `srgb_tag` stands for a PNG sRGB chunk, EXIF colour space 1 or
    an ICC profile of sRGB, `linear_tag` for an ICC profile of linear light; `dpi` is (x, y).
    """

    path: Path
    sha256: str
    raw: NDArray[np.uint8] | NDArray[np.uint16]
    kind: str
    gamma: float | None
    srgb_tag: bool
    linear_tag: bool
    dpi: tuple[float, float] | None

    @property
    def bits(self) -> int:
        """Bits per channel."""
        return 8 * self.raw.dtype.itemsize

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in px."""
        return self.raw.shape[0], self.raw.shape[1]


def load_scan(path: Path, max_megapixels: float = MAX_MEGAPIXELS) -> Scan:
    """Read a PNG, JPEG, TIFF or BMP; its orientation tag is ignored.

    Raises `UnreadableImageError`, `EmptyFileError`, `TruncatedImageError`, `NotAnImageError`,
    `ImageTooLargeError`, and `RefusedImageError` for two-tone pictures.
    """
    try:
        with open_regular(path) as stream:
            data = stream.read(_HEAD_BYTES)
            if len(data) == _HEAD_BYTES:  # of a large file that is no picture the start is enough
                with suppress(TruncatedImageError):
                    _open(path, data, max_megapixels)
                data += stream.read()
    except OSError as error:
        reason = (error.strerror or "no access").lower()
        raise UnreadableImageError(file=path, reason=reason) from error
    if not data:
        raise EmptyFileError(file=path)
    with header_errors(path):
        picture, tags = _open(path, data, max_megapixels)
    raw = _decoded(path, picture)
    return Scan(path, hashlib.sha256(data).hexdigest(), raw, *tags)


@contextmanager
def header_errors(path: Path) -> Iterator[None]:
    """Turn whatever a library raises on a broken header into `TruncatedImageError`."""
    try:
        yield
    except (SievewardError, OSError, MemoryError):
        raise
    except Exception as error:
        raise TruncatedImageError(file=path, reason=short_reason(error)) from error


def pillow() -> Any:
    """Pillow without its own limit on size; `checked_size` applies that of this project."""
    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None
    return Image


def _open(
    path: Path, data: bytes, max_megapixels: float
) -> tuple[Callable[[], NDArray[Any]], Tags]:
    """A function that decodes the pixels, and the header's tags."""
    if data[:4] in TIFF_STARTS:
        return _open_tiff(path, data, max_megapixels)
    from PIL import UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a broken header is reported below
            header = pillow().open(io.BytesIO(data), formats=sorted(KINDS))
    except UnidentifiedImageError as error:
        hint = " (a PDF: export the page as PNG or TIFF)" if data[:5] == b"%PDF-" else ""
        raise NotAnImageError(file=path, hint=hint) from error
    except (OSError, SyntaxError, ValueError) as error:
        raise TruncatedImageError(file=path, reason=short_reason(error)) from error
    checked_size(path, header.size[0] * header.size[1], max_megapixels)
    if header.mode == "1":
        raise _two_tone(path)

    def decode() -> NDArray[Any]:
        deep_colour = header.format == "PNG" and _png_depth(data) == 16 and header.mode != "I;16"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            header.load()  # Pillow is strict; OpenCV fills missing pixels with grey
        if deep_colour:  # Pillow would drop 8 of the 16 bits
            deep = opencv.decode(data)
            if deep is not None:
                return deep
        if header.mode in {"L", "I;16", "RGB"}:
            return np.asarray(header)
        return np.asarray(header.convert("L" if header.mode in {"LA", "La"} else "RGB"))

    return decode, picture_tags(header)


def picture_tags(header: Any) -> Tags:
    """Tags of a PNG, JPEG or BMP, from a header that Pillow has read."""
    info: dict[Any, Any] = header.info
    return Tags(
        str(header.format),
        _positive(info.get("gamma")),
        "srgb" in info or _exif_srgb(header) or _icc_names(info, b"srgb"),
        _icc_names(info, b"linear"),
        _dpi(info.get("dpi")),
    )


def tiff_tags(path: Path, page: Any) -> Tags:
    """Tags of a TIFF page that tifffile has read. Raises `RefusedImageError` for two-tone pages."""
    if page.bitspersample == 1:
        raise _two_tone(path)
    profile = page.tags.get(34675)  # ICC profile (TIFF 6 extension)
    info: dict[Any, Any] = {"icc_profile": bytes(profile.value) if profile else b""}
    names = _icc_names(info, b"srgb"), _icc_names(info, b"linear")
    return Tags("TIFF", None, *names, _tiff_dpi(page))


def dpi_of(path: Path) -> tuple[float, float] | None:
    """The dpi a picture file states for x and y; None without a plausible tag."""
    try:
        with open_regular(path) as stream, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if stream.read(4) in TIFF_STARTS:
                with tiff_page(path, path)[0].parent as file:
                    return _tiff_dpi(file.pages[0])
            with pillow().open(stream) as picture:
                dpi = _dpi(picture.info.get("dpi"))
    except (OSError, ValueError, TypeError, SyntaxError, SievewardError):
        return None  # the measuring judges the file
    return dpi if dpi is not None and min(dpi) > 1 else None


def _tiff_dpi(page: Any) -> tuple[float, float] | None:
    """The dpi of a TIFF page; None where its resolution has no unit."""
    if page.resolutionunit == _NO_UNIT:
        return None
    dpi = _dpi(page.get_resolution("inch"))
    return dpi if dpi is not None and min(dpi) > 1 else None


def _open_tiff(
    path: Path, data: bytes, max_megapixels: float
) -> tuple[Callable[[], NDArray[Any]], Tags]:
    page, (height, width) = tiff_page(path, io.BytesIO(data))
    checked_size(path, height * width, max_megapixels)
    tags, finish = tiff_tags(path, page), tiff_finish(path, page)

    def decode() -> NDArray[Any]:
        array: NDArray[Any] = page.asarray()
        if page.planarconfig == _SEPARATE and array.ndim == 3:
            array = np.moveaxis(array, 0, -1)
        return finish(array if array.ndim == 3 else array[..., None])

    return decode, tags


def tiff_page(path: Path, source: Path | io.BytesIO) -> tuple[Any, tuple[int, int]]:
    """The first page of a TIFF as tifffile reads it, and its height and width in px.

    Raises `TruncatedImageError` for a broken header.
    """
    import tifffile

    try:
        with ExitStack() as unless_read:
            file = unless_read.enter_context(tifffile.TiffFile(source))
            page: Any = file.pages[0]
            layout = _checked_layout(page)
            unless_read.pop_all()
        return page, layout
    except Exception as error:  # tifffile raises anything on a broken header
        raise TruncatedImageError(file=path, reason=short_reason(error)) from error


def _checked_layout(page: Any) -> tuple[int, int]:
    """Height and width in px. Raises `ValueError` for a header that describes no picture."""
    height, width = int(page.imagelength), int(page.imagewidth)
    if height < 1 or width < 1:
        raise ValueError("its header states no size")
    if not 1 <= page.samplesperpixel <= _MOST_SAMPLES:
        raise ValueError(f"its header states {page.samplesperpixel} samples per pixel")
    if page.is_tiled:
        pieces = page.tilelength, page.tilewidth
        most = _MOST_PADDING * max(height * width, 1 << 20)
    else:
        pieces, most = (page.rowsperstrip, 1), 1 << 32
    if min(pieces) < 1 or pieces[0] * pieces[1] > most:
        raise ValueError("its header states impossible strips or tiles")
    return height, width


def tiff_finish(path: Path, page: Any) -> Finish:
    """The function that turns stored samples (..., s) of a page into grey or RGB pixels.

    Raises `NotAnImageError` for the colours of printers.
    """
    from tifffile import PHOTOMETRIC as KIND

    if page.photometric == KIND.SEPARATED:
        raise NotAnImageError(file=path, hint=" in grey or RGB (it holds printers' colours)")
    if page.photometric == KIND.PALETTE and page.colormap is None:
        raise NotAnImageError(file=path, hint=" (its table of colours is missing)")
    inverted = page.photometric == KIND.MINISWHITE

    def finish(array: NDArray[Any]) -> Raw:
        if page.photometric == KIND.PALETTE:
            return np.moveaxis(page.colormap[:, array[..., 0]], 0, -1)
        array = plain(array)
        return np.asarray(np.iinfo(array.dtype).max - array if inverted else array)

    return finish


def _decoded(
    path: Path, decode: Callable[[], NDArray[Any]]
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    try:
        array = decode()
    except (MemoryError, NotAnImageError):
        raise
    except Exception as error:  # decoders raise anything on a broken stream
        raise TruncatedImageError(file=path, reason=short_reason(error)) from error
    if array.ndim == 3:
        array = plain(array)
    if array.ndim not in (2, 3) or array.dtype not in (np.uint8, np.uint16) or not array.size:
        raise NotAnImageError(file=path, hint=f" of 8 or 16 bit (it holds {array.dtype})")
    return np.ascontiguousarray(array)


def _two_tone(path: Path) -> RefusedImageError:
    return RefusedImageError(
        file=path,
        reason="it is pure black and white, so the position of edges between pixels is lost",
        advice="Scan in greyscale, 8 or 16 bit",
    )


def checked_size(path: Path, count: int, limit: float) -> None:
    """Raise `ImageTooLargeError` where `count` pixels exceed `limit` megapixels."""
    if count > limit * 1e6:
        raise ImageTooLargeError(file=path, megapixels=count / 1e6, limit=limit)


def short_reason(error: BaseException) -> str:
    """The message of an error in one line of at most 80 letters."""
    if isinstance(error, TypeError | AttributeError | LookupError | ZeroDivisionError):
        return "its header is damaged"  # the message would speak of the reader, not of the file
    text = " ".join(str(error).split()) or type(error).__name__
    return text[:80].rstrip(".")


def _positive(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and value > 0 else None


def _dpi(value: Any) -> tuple[float, float] | None:
    try:
        x, y = (float(v) for v in value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return (x, y) if x > 0 and y > 0 else None


def _png_depth(data: bytes) -> int:
    return data[24] if len(data) > 24 else 0  # IHDR is always the first chunk (W3C PNG, 5.6)


def _exif_srgb(header: Any) -> bool:
    try:
        exif = header.getexif().get_ifd(0x8769)
    except Exception:  # a broken EXIF block is no reason to refuse the pixels
        return False
    return bool(exif.get(0xA001) == 1)  # ColorSpace = sRGB (Exif 2.3)


def _icc_names(info: dict[Any, Any], word: bytes) -> bool:
    profile = info.get("icc_profile") or b""
    # The description is ASCII in version 2 profiles and UTF-16 in version 4.
    return word in profile.lower().replace(b"\0", b"")
