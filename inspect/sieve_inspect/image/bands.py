"""Large scans, read in bands of rows: memory does not grow with the scan.

An uncompressed TIFF is read in place. Anything else is unpacked once, piece by piece, into
memory if it fits, else into a file of the temporary folder. An unreadable strip or tile costs
that piece alone: its pixels are zero and it is listed in `lost`.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.arrays import Float32
from sieve_inspect.errors import (
    EmptyFileError,
    NotAnImageError,
    TruncatedImageError,
    UnreadableImageError,
)
from sieve_inspect.files import open_regular
from sieve_inspect.image.reading import (
    KINDS,
    MAX_MEGAPIXELS,
    TIFF_STARTS,
    Scan,
    Tags,
    checked_size,
    header_errors,
    load_scan,
    picture_tags,
    pillow,
    short_reason,
    tiff_finish,
    tiff_page,
    tiff_tags,
)
from sieve_inspect.image.samples import Finish, InMemory, OnDisk, Pixels, Raw, plain

MAX_PLAIN_MEGAPIXELS = 2000.0  # of uncompressed files
_IN_MEMORY = 400_000_000  # bytes, unpacked, up to which a scan is kept in memory
_MOST_LOST = 0.2  # share of the picture above which a file is refused
_BAND = 256  # rows unpacked at a time


class Box(NamedTuple):
    """A rectangle of pixels, ends excluded."""

    top: int
    bottom: int
    left: int
    right: int


@dataclass(frozen=True, eq=False)
class ScanSource:
    """A scan of `shape` (height, width) whose rows are read on demand.

    Tags as in `Scan`; `lost` are the parts that could not be read; a scan read `in_place` costs
    nothing to open again. `held` is the light (h, w) of a small scan by encoding and whether
    openings are bright.
    """

    path: Path
    digest: Callable[[], str]
    shape: tuple[int, int]
    bits: int
    kind: str
    gamma: float | None
    srgb_tag: bool
    linear_tag: bool
    dpi: tuple[float, float] | None
    pixels: Pixels
    lost: tuple[Box, ...] = ()
    in_place: bool = False
    held: dict[tuple[str, bool], Float32] = field(default_factory=dict, init=False)

    def rows(self, top: int, bottom: int) -> Raw:
        """The rows from `top` to before `bottom`, (rows, w) or (rows, w, 3), 8 or 16 bit."""
        return self.pixels.rows(max(0, top), min(self.shape[0], bottom))

    def at(self, number: NDArray[np.integer]) -> Raw:
        """Single pixels by their number (any shape) in reading order; a last axis for colours."""
        return self.pixels.at(number)

    @property
    def sha256(self) -> str:
        """SHA-256 of the file, in hexadecimal digits."""
        return self.digest()

    def __reduce__(self) -> tuple[Any, ...]:
        """In another process the scan is opened again."""
        return _reopened, (self.path, self.sha256)

    @classmethod
    def of(cls, scan: Scan) -> ScanSource:
        """The source of a scan held in memory."""
        raw = scan.raw if scan.raw.ndim == 3 else scan.raw[..., None]
        tags = Tags(scan.kind, scan.gamma, scan.srgb_tag, scan.linear_tag, scan.dpi)
        pixels = InMemory(raw, plain)
        return cls(scan.path, lambda: scan.sha256, scan.shape, scan.bits, *tags, pixels)


def size_of(path: Path) -> int | None:
    """Number of pixels by the header of a picture file; None for an unreadable header."""
    try:
        if _is_tiff(path):
            page, (height, width) = tiff_page(path, path)
            page.parent.close()
            return height * width
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with pillow().open(path, formats=sorted(KINDS)) as header:
                return int(header.size[0] * header.size[1])
    except Exception:  # reading the file raises an error that names the fault
        return None


def open_source(
    path: Path, max_megapixels: float | None = None, *, hashed: bool = True
) -> ScanSource:
    """Open a scan for reading in bands; `max_megapixels` lifts or lowers the limits.

    Unless `hashed` its SHA-256 is left empty.

    Raises what `load_scan` raises; `TruncatedImageError` only where a fifth is unreadable.
    """
    try:
        with open_regular(path) as file:
            if not file.seek(0, os.SEEK_END):
                raise EmptyFileError(file=path)
        if _is_tiff(path):
            with header_errors(path):
                return _open_tiff(path, max_megapixels, hashed)
        count = size_of(path)
        # There is no decoder in bands for BMP, which is uncompressed anyway.
        if count is None or count * 3 < _IN_MEMORY or _begins(path, b"BM"):
            return ScanSource.of(load_scan(path, max_megapixels or MAX_MEGAPIXELS))
        return _unpacked_top_down(path, max_megapixels or MAX_MEGAPIXELS)
    except OSError as error:
        reason = (error.strerror or "no access").lower()
        raise UnreadableImageError(file=path, reason=reason) from error


def _reopened(path: Path, sha256: str) -> ScanSource:
    return replace(open_source(path, float("inf"), hashed=False), digest=lambda: sha256)


def _is_tiff(path: Path) -> bool:
    return _begins(path, *TIFF_STARTS)


def _begins(path: Path, *marks: bytes) -> bool:
    with open_regular(path) as file:
        return file.read(4).startswith(marks)


def _digest(path: Path, hashed: bool = True) -> Callable[[], str]:
    """A function that returns the SHA-256 of a file, which is computed in the background."""
    if not hashed:
        return lambda: ""

    def digest() -> str:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    pool = ThreadPoolExecutor(1)
    future = pool.submit(digest)
    pool.shutdown(wait=False)
    return future.result


def _open_tiff(path: Path, max_megapixels: float | None, hashed: bool) -> ScanSource:
    page, shape = tiff_page(path, path)
    with page.parent as file:
        plain = page.compression == 1 and page.is_contiguous and page.planarconfig == 1
        limit = MAX_PLAIN_MEGAPIXELS if plain else MAX_MEGAPIXELS
        checked_size(path, shape[0] * shape[1], max_megapixels or limit)
        tags = tiff_tags(path, page)
        if page.bitspersample not in (8, 16) or page.sampleformat not in (None, 1):
            raise NotAnImageError(file=path, hint=f" of 8 or 16 bit (it holds {page.dtype})")
        finish = tiff_finish(path, page)
        if plain:
            stored = f"{file.byteorder}u{page.bitspersample // 8}"
            stored_shape = (*shape, int(page.samplesperpixel))
            with path.open("rb") as plain_file:
                on_disk = OnDisk(plain_file, int(page.dataoffsets[0]), stored_shape, stored, finish)
            missing = Box(on_disk.present, shape[0], 0, shape[1])
            lost = [missing] if on_disk.present < shape[0] else []
            pixels: Pixels = on_disk
        else:
            pixels, lost = _unpacked_pieces(file, page, finish)
        away = sum((b.bottom - b.top) * (b.right - b.left) for b in lost)
        if away > _MOST_LOST * shape[0] * shape[1]:
            raise TruncatedImageError(file=path, reason=f"{away / shape[0] / shape[1]:.0%} missing")
        bits = 16 if page.photometric == 3 else int(page.bitspersample)
        digest = _digest(path, hashed)
        return ScanSource(path, digest, shape, bits, *tags, pixels, tuple(lost), plain)


def _unpacked_pieces(file: Any, page: Any, finish: Finish) -> tuple[Pixels, list[Box]]:
    """Decode every strip or tile once, two at a time."""
    height, width, samples = page.imagelength, page.imagewidth, page.samplesperpixel
    store = _Store(height, (width, samples), np.dtype(f"u{page.bitspersample // 8}"))
    tables = {"jpegtables": page.jpegtables, "jpegheader": page.jpegheader}
    length = page.tilelength if page.is_tiled else min(page.rowsperstrip, height)
    across = page.tilewidth if page.is_tiled else width
    columns = -(-width // across)
    per_plane = columns * -(-height // length)
    planes = samples if page.planarconfig == 2 else 1
    lost: list[Box] = []

    def decode(piece: tuple[bytes | None, int]) -> tuple[NDArray[Any] | None, int]:
        data, index = piece
        try:
            return (None if data is None else page.decode(data, index, **tables)[0]), index
        except Exception:  # decoders raise anything on a broken stream
            return None, index

    def place(index: int) -> tuple[int, Box]:
        plane, index = divmod(index, per_plane)
        top, left = index // columns * length, index % columns * across
        return plane, Box(top, min(top + length, height), left, min(left + across, width))

    with ThreadPoolExecutor(2) as pool:
        pieces = _pieces(file, page, planes * per_plane)
        while part := list(islice(pieces, 16)):
            for pixels, index in pool.map(decode, part):
                plane, box = place(index)
                if pixels is None:
                    lost.append(box)
                    continue
                piece = pixels.reshape(-1, *pixels.shape[-2:])
                piece = piece[: box.bottom - box.top, : box.right - box.left]
                store.put(box, piece, slice(plane, plane + 1) if planes > 1 else slice(None))
    return store.pixels(finish), sorted(set(lost))


def _pieces(file: Any, page: Any, count: int) -> Iterator[tuple[bytes | None, int]]:
    """The stored bytes of every strip or tile, and its number; None where they are missing."""
    end = file.filehandle.size
    offsets, sizes = page.dataoffsets, page.databytecounts
    for index in range(count):
        known = index < len(offsets) and index < len(sizes)
        if not known or not sizes[index] or offsets[index] + sizes[index] > end:
            yield None, index
            continue
        file.filehandle.seek(offsets[index])
        yield file.filehandle.read(sizes[index]), index


class _Store:
    """Unpacked samples (height, width, s), in memory or in a nameless temporary file."""

    def __init__(self, height: int, line: tuple[int, int], stored: np.dtype[Any]) -> None:
        self._shape, self._stored = (height, *line), stored
        self._row = line[0] * line[1] * stored.itemsize
        self._file: BinaryIO | None = None
        if height * self._row <= _IN_MEMORY:
            self._pixels = np.zeros(self._shape, stored)
        else:
            self._file = tempfile.TemporaryFile()  # noqa: SIM115 - closed by its readers
            self._file.truncate(height * self._row)

    def put(self, box: Box, pixels: NDArray[Any], samples: slice) -> None:
        if self._file is None:
            self._pixels[box.top : box.bottom, box.left : box.right, samples] = pixels
            return
        self._file.seek(box.top * self._row)
        data = self._file.read((box.bottom - box.top) * self._row)
        rows = np.frombuffer(bytearray(data), self._stored).reshape(-1, *self._shape[1:])
        rows[:, box.left : box.right, samples] = pixels
        self._file.seek(box.top * self._row)
        self._file.write(rows.tobytes())

    def pixels(self, finish: Finish) -> Pixels:
        if self._file is None:
            return InMemory(self._pixels, finish)
        with self._file as file:  # its pixels remain until the last reader is gone
            file.flush()
            return OnDisk(file, 0, self._shape, self._stored.str, finish)


def _unpacked_top_down(path: Path, max_megapixels: float) -> ScanSource:
    """A large PNG or JPEG, decoded from top to bottom in bands."""
    import pyvips

    with pillow().open(path) as header:
        tags = picture_tags(header)
    picture = pyvips.Image.new_from_file(str(path), access="sequential", fail_on="truncated")
    width, height = picture.width, picture.height
    checked_size(path, width * height, max_megapixels)
    stored = np.dtype(np.uint16 if picture.format == "ushort" else np.uint8)
    if picture.format not in ("uchar", "ushort"):
        raise NotAnImageError(file=path, hint=f" of 8 or 16 bit (it holds {picture.format})")
    samples = 3 if picture.bands >= 3 else 1
    picture = picture[:samples] if picture.bands != samples else picture
    store = _Store(height, (width, samples), stored)
    try:
        for top in range(0, height, _BAND):
            count = min(_BAND, height - top)
            band = picture.crop(0, top, width, count).write_to_memory()
            pixels = np.frombuffer(band, stored).reshape(count, width, samples)
            store.put(Box(top, top + count, 0, width), pixels, slice(None))
    except pyvips.Error as error:
        raise TruncatedImageError(file=path, reason=short_reason(error)) from error

    bits = 8 * stored.itemsize
    unpacked = store.pixels(plain)
    return ScanSource(path, _digest(path), (height, width), bits, *tags, unpacked)
