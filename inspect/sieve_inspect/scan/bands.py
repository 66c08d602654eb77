"""Large scans, read in bands of rows: memory does not grow with the scan.

An uncompressed TIFF is read where it lies. Anything else is unpacked once, piece by piece, into
memory where it fits there and into a file of the temporary folder where not. A strip or tile that
cannot be read costs that piece and no more: its pixels are zero and `lost` says so.
"""

from __future__ import annotations

import hashlib
import mmap
import os
import tempfile
import warnings
import weakref
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from threading import Lock
from typing import Any, BinaryIO, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.errors import (
    EmptyFileError,
    NotAnImageError,
    TruncatedImageError,
    UnreadableImageError,
)
from sieve_inspect.scan.source import (
    MAX_MEGAPIXELS,
    Scan,
    Tags,
    checked_size,
    load_scan,
    picture_tags,
    pillow,
    tiff_tags,
)

__all__ = ["Box", "Raw", "ScanSource", "open_source", "size_of"]

Raw = NDArray[Any]  # grey (..., ) or colour (..., 3), unsigned 8 or 16 bit

MAX_PLAIN_MEGAPIXELS = 2000.0  # of files that are as large as what they hold
_IN_MEMORY = 400_000_000  # bytes unpacked
_MOST_LOST = 0.2  # share of the picture
_BAND = 256  # rows unpacked at a time
_FEW = 4096  # pixels; after a look at more of them mapped pages are given back, …
_FRUGAL = 250_000_000  # … and in files of more bytes after every …
_STRETCHES = 32  # … pieces of …
_STRETCH = 1 << 21  # … so many bytes: systems map that much at the first touch of any of it


Finish = Callable[[NDArray[Any]], Raw]  # stored samples (..., s) to grey or RGB


def _plain(array: NDArray[Any]) -> Raw:
    return array[..., :3] if array.shape[-1] >= 3 else array[..., 0]


class _Pixels(Protocol):
    def rows(self, top: int, bottom: int) -> Raw: ...

    def at(self, number: NDArray[np.integer]) -> Raw: ...


class _InMemory:
    """Stored samples (h, w, s)."""

    def __init__(self, samples: NDArray[Any], finish: Finish) -> None:
        self.samples, self._finish = samples, finish
        self._flat = samples.reshape(-1, samples.shape[-1])

    def rows(self, top: int, bottom: int) -> Raw:
        return np.ascontiguousarray(self._finish(self.samples[top:bottom]))

    def at(self, number: NDArray[np.integer]) -> Raw:
        if self._flat.shape[1] == 1:
            return self._finish(self._flat[:, 0].take(number)[..., None])
        return self._finish(self._flat[number])


class _OnDisk:
    """Stored samples (h, w, s) in a file, from a byte on; rows that are not there are zero.

    Rows are read, single pixels looked up in a map whose pages are given back at once: neither
    lets the process grow with the file.
    """

    def __init__(
        self, file: BinaryIO, start: int, shape: tuple[int, int, int], stored: str, finish: Finish
    ) -> None:
        self._start, self._shape, self._finish = start, shape, finish
        self._file = os.dup(file.fileno())
        weakref.finalize(self, os.close, self._file)
        self._stored = np.dtype(stored)
        self._line = shape[1] * shape[2] * self._stored.itemsize
        size = os.fstat(file.fileno()).st_size
        self.there = max(0, min(shape[0], (size - start) // self._line))
        self._map = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) if self.there else None
        self._lock = Lock()

    def rows(self, top: int, bottom: int) -> Raw:
        samples = np.zeros((bottom - top, *self._shape[1:]), self._stored)
        if top < self.there:
            part = samples[: min(bottom, self.there) - top].reshape(-1).view(np.uint8)
            with self._lock, open(self._file, "rb", closefd=False) as file:
                file.seek(self._start + top * self._line)
                file.readinto(part.data)
        return np.ascontiguousarray(self._finish(self._native(samples)))

    def at(self, number: NDArray[np.integer]) -> Raw:
        _, width, count = self._shape
        out = np.zeros((number.size, count), self._stored)
        if self._map is not None:
            flat = number.ravel()
            length = self.there * width * count
            pixels = np.frombuffer(self._map, self._stored, length, self._start).reshape(-1, count)
            frugal = length > _FRUGAL
            for some in self._handfuls(flat) if frugal else [slice(None)]:
                there = flat[some] < len(pixels)
                out[some][there] = pixels[flat[some][there]]
                if (frugal or len(flat) > _FEW) and hasattr(mmap, "MADV_DONTNEED"):
                    self._map.madvise(mmap.MADV_DONTNEED)
        return self._finish(self._native(out).reshape(*number.shape, count))

    def _handfuls(self, number: NDArray[np.integer]) -> list[slice]:
        """Runs of pixels, by number (n,), that touch but so many stretches of the file."""
        stretch = number // max(1, _STRETCH * self._shape[1] // self._line)
        cuts = (np.flatnonzero(stretch[1:] != stretch[:-1]) + 1)[_STRETCHES - 1 :: _STRETCHES]
        return [slice(*ends) for ends in pairwise([0, *cuts.tolist(), len(number)])]

    def _native(self, samples: NDArray[Any]) -> NDArray[Any]:
        return samples.astype(self._stored.newbyteorder("="), copy=False)


class Box(NamedTuple):
    """A rectangle of pixels, ends excluded."""

    top: int
    bottom: int
    left: int
    right: int


@dataclass(frozen=True, eq=False)
class ScanSource:
    """A scan of `shape` (height, width) whose rows are read when they are asked for.

    Tags as in `Scan`; `lost` are the parts that could not be read.
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
    pixels: _Pixels
    lost: tuple[Box, ...] = ()
    in_place: bool = False  # read where it lies, so that it costs nothing to open it again

    def rows(self, top: int, bottom: int) -> Raw:
        """The rows from `top` to before `bottom`, (rows, w) or (rows, w, 3), 8 or 16 bit."""
        return self.pixels.rows(max(0, top), min(self.shape[0], bottom))

    def at(self, number: NDArray[np.integer]) -> Raw:
        """Single pixels by their number (any shape) in reading order; a last axis for colours."""
        return self.pixels.at(number)

    @property
    def sha256(self) -> str:
        """Of the file, in hexadecimal digits."""
        return self.digest()

    def __reduce__(self) -> tuple[Any, ...]:
        """Sent to another process, the scan is opened there anew."""
        return _reopened, (self.path, self.sha256)

    @classmethod
    def of(cls, scan: Scan) -> ScanSource:
        """A scan that has been read whole."""
        raw = scan.raw if scan.raw.ndim == 3 else scan.raw[..., None]
        tags = Tags(scan.kind, scan.gamma, scan.srgb_tag, scan.linear_tag, scan.dpi)
        pixels = _InMemory(raw, _plain)
        return cls(scan.path, lambda: scan.sha256, scan.shape, scan.bits, *tags, pixels)


def size_of(path: Path) -> int | None:
    """Number of pixels the header of a picture file claims; None where there is none to read."""
    try:
        if _is_tiff(path):
            import tifffile

            with tifffile.TiffFile(path) as file:
                page: Any = file.pages[0]
                return int(page.imagelength * page.imagewidth)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with pillow().open(path) as header:
                return int(header.size[0] * header.size[1])
    except Exception:  # whoever reads the file next says what is wrong with it
        return None


def open_source(
    path: Path, max_megapixels: float | None = None, *, hashed: bool = True
) -> ScanSource:
    """Open a scan for reading in bands; `max_megapixels` lifts or lowers the limits.

    Unless `hashed` its SHA-256 is left empty.

    Raises what `load_scan` raises; `TruncatedImageError` only where a fifth is unreadable.
    """
    try:
        if not path.stat().st_size:
            raise EmptyFileError(file=path)
        if _is_tiff(path):
            return _open_tiff(path, max_megapixels, hashed)
        count = size_of(path)
        # There is no decoder in bands for a BMP; it is as long as what it holds.
        if count is None or count * 3 < _IN_MEMORY or _begins(path, b"BM"):
            return ScanSource.of(load_scan(path, max_megapixels or MAX_MEGAPIXELS))
        return _unpacked_top_down(path, max_megapixels or MAX_MEGAPIXELS)
    except OSError as error:
        reason = (error.strerror or "no access").lower()
        raise UnreadableImageError(file=path, reason=reason) from error


def _reopened(path: Path, sha256: str) -> ScanSource:
    return replace(open_source(path, float("inf"), hashed=False), digest=lambda: sha256)


def _is_tiff(path: Path) -> bool:
    return _begins(path, b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def _begins(path: Path, *marks: bytes) -> bool:
    with path.open("rb") as file:
        return file.read(4).startswith(marks)


def _digest(path: Path, hashed: bool = True) -> Callable[[], str]:
    """The SHA-256 of a file, worked out while the scan is being looked at."""
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
    import tifffile

    try:
        file = tifffile.TiffFile(path)
        page: Any = file.pages[0]
        shape = (int(page.imagelength), int(page.imagewidth))
        plain = page.compression == 1 and page.is_contiguous and page.planarconfig == 1
    except Exception as error:  # tifffile raises whatever a broken header leads it into
        raise TruncatedImageError(file=path, reason=str(error)[:80]) from error
    with file:
        limit = MAX_PLAIN_MEGAPIXELS if plain else MAX_MEGAPIXELS
        checked_size(path, shape[0] * shape[1], max_megapixels or limit)
        tags = tiff_tags(path, page)
        if page.bitspersample not in (8, 16) or page.sampleformat not in (None, 1):
            raise NotAnImageError(file=path, hint=f" of 8 or 16 bit (it holds {page.dtype})")
        finish = _finisher(path, page)
        if plain:
            stored = f"{file.byteorder}u{page.bitspersample // 8}"
            whole = (*shape, int(page.samplesperpixel))
            with path.open("rb") as plain_file:
                on_disk = _OnDisk(plain_file, int(page.dataoffsets[0]), whole, stored, finish)
            missing = Box(on_disk.there, shape[0], 0, shape[1])
            lost = [missing] if on_disk.there < shape[0] else []
            pixels: _Pixels = on_disk
        else:
            pixels, lost = _unpacked_pieces(file, page, finish)
        away = sum((b.bottom - b.top) * (b.right - b.left) for b in lost)
        if away > _MOST_LOST * shape[0] * shape[1]:
            raise TruncatedImageError(file=path, reason=f"{away / shape[0] / shape[1]:.0%} missing")
        bits = 16 if page.photometric == 3 else int(page.bitspersample)
        digest = _digest(path, hashed)
        return ScanSource(path, digest, shape, bits, *tags, pixels, tuple(lost), plain)


def _finisher(path: Path, page: Any) -> Finish:
    """What turns the stored samples of this page into grey or RGB pixels."""
    import tifffile

    kind = tifffile.PHOTOMETRIC
    if page.photometric == kind.SEPARATED:
        raise NotAnImageError(file=path, hint=" in grey or RGB (it holds printers' colours)")

    inverted = page.photometric == kind.MINISWHITE

    def finish(array: NDArray[Any]) -> Raw:
        if page.photometric == kind.PALETTE:
            return np.moveaxis(page.colormap[:, array[..., 0]], 0, -1)
        array = _plain(array)
        return np.asarray(np.iinfo(array.dtype).max - array if inverted else array)

    return finish


def _unpacked_pieces(file: Any, page: Any, finish: Finish) -> tuple[_Pixels, list[Box]]:
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
        except Exception:  # decoders raise whatever a broken stream leads them into
            return None, index

    def place(index: int) -> tuple[int, Box]:
        plane, index = divmod(index, per_plane)
        top, left = index // columns * length, index % columns * across
        return plane, Box(top, min(top + length, height), left, min(left + across, width))

    with ThreadPoolExecutor(2) as pool:
        for part in _few(_pieces(file, page, planes * per_plane), 16):
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
    """The stored bytes of every strip or tile; None where the file does not hold them."""
    end = file.filehandle.size
    offsets, sizes = page.dataoffsets, page.databytecounts
    for index in range(count):
        known = index < len(offsets) and index < len(sizes)
        if not known or not sizes[index] or offsets[index] + sizes[index] > end:
            yield None, index
            continue
        file.filehandle.seek(offsets[index])
        yield file.filehandle.read(sizes[index]), index


def _few(items: Iterator[Any], count: int) -> Iterator[list[Any]]:
    part: list[Any] = []
    for item in items:
        part.append(item)
        if len(part) == count:
            yield part
            part = []
    yield part


class _Store:
    """Unpacked samples (height, width, s), in memory or in a nameless temporary file."""

    def __init__(self, height: int, line: tuple[int, int], stored: np.dtype[Any]) -> None:
        self._shape, self._stored = (height, *line), stored
        self._row = line[0] * line[1] * stored.itemsize
        self._file: BinaryIO | None = None
        if height * self._row <= _IN_MEMORY:
            self._pixels = np.zeros(self._shape, stored)
        else:
            self._file = tempfile.TemporaryFile()  # noqa: SIM115 - goes with what reads it
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

    def pixels(self, finish: Finish) -> _Pixels:
        if self._file is None:
            return _InMemory(self._pixels, finish)
        with self._file as file:  # its pixels stay until the last who reads them is gone
            file.flush()
            return _OnDisk(file, 0, self._shape, self._stored.str, finish)


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
        reason = " ".join(str(error).split())[:80]
        raise TruncatedImageError(file=path, reason=reason) from error

    bits = 8 * stored.itemsize
    unpacked = store.pixels(_plain)
    return ScanSource(path, _digest(path), (height, width), bits, *tags, unpacked)
