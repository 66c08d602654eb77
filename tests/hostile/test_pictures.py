"""Headers that describe no picture end in a sentence of their own, and nothing else is printed."""

from __future__ import annotations

import struct
from contextlib import suppress
from pathlib import Path

import pytest

from sieve_inspect.errors import NotAnImageError, SievewardError, TruncatedImageError
from sieve_inspect.image.bands import open_source
from sieve_inspect.image.reading import load_scan

Entry = tuple[int, int, "int | bytes"]  # field type, count, value (TIFF 6.0, section 2)
SHORT, LONG, FLOAT, SLONG, TEXT = 3, 4, 11, 9, 2
TILED: dict[int, Entry | None] = {
    322: (SHORT, 1, 16), 323: (SHORT, 1, 16), 324: (LONG, 1, 500), 325: (LONG, 1, 4096),
    273: None, 278: None, 279: None,
}  # fmt: skip
PLAIN: dict[int, Entry | None] = {
    256: (SHORT, 1, 64), 257: (SHORT, 1, 64), 258: (SHORT, 1, 8), 259: (SHORT, 1, 1),
    262: (SHORT, 1, 1), 273: (LONG, 1, 500), 277: (SHORT, 1, 1), 278: (SHORT, 1, 64),
    279: (LONG, 1, 4096),
}  # fmt: skip


def tiff(path: Path, changed: dict[int, Entry | None]) -> Path:
    """A grey TIFF of 64 x 64 px with some tags changed, or left out."""
    entries = {tag: entry for tag, entry in {**PLAIN, **changed}.items() if entry is not None}
    start = 8 + 2 + 12 * len(entries) + 4
    table, extra = struct.pack("<2sHIH", b"II", 42, 8, len(entries)), b""
    for tag in sorted(entries):
        kind, count, value = entries[tag]
        if isinstance(value, bytes):
            table += struct.pack("<HHII", tag, kind, count, start + len(extra))
            extra += value
        else:
            table += struct.pack("<HHII", tag, kind, count, value)
    path.write_bytes((table + bytes(4) + extra).ljust(500, b"\0") + bytes(4096))
    return path


PAIR = struct.pack("<HH", 64, 64)
DAMAGED: dict[str, tuple[dict[int, Entry | None], type[SievewardError], str]] = {
    "two widths": ({256: (SHORT, 2, PAIR)}, TruncatedImageError, "header is damaged"),
    "two heights": ({257: (SHORT, 2, PAIR)}, TruncatedImageError, "header is damaged"),
    "no width": ({256: (SHORT, 1, 0)}, TruncatedImageError, "states no size|of 8 or 16 bit"),
    "width below zero": ({256: (SLONG, 1, 2**32 - 5)}, TruncatedImageError, "states no size"),
    "width of tiles 0": (
        {**TILED, 322: (SHORT, 1, 0), 259: (SHORT, 1, 5)}, TruncatedImageError, "impossible strips"
    ),
    "width of tiles a text": (
        {**TILED, 322: (TEXT, 4, b"abc\0")}, TruncatedImageError, "damaged|Invalid tile"
    ),
    "tiles of 4 exapixels": (
        {**TILED, 322: (LONG, 1, 2**31 - 1), 323: (LONG, 1, 2**31 - 1), 259: (SHORT, 1, 5)},
        TruncatedImageError, "impossible strips",
    ),
    "strips of no row": (
        {278: (SHORT, 1, 0), 259: (SHORT, 1, 5)}, TruncatedImageError, "impossible strips"
    ),
    "65535 samples": ({277: (SHORT, 1, 65535)}, TruncatedImageError, "65535 samples"),
    "no palette": ({262: (SHORT, 1, 3)}, NotAnImageError, "table of colours is missing"),
}  # fmt: skip


@pytest.mark.parametrize("name", DAMAGED)
@pytest.mark.parametrize("read", [open_source, load_scan])
def test_a_header_that_describes_no_picture_is_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], name: str, read: object
) -> None:
    changed, error, message = DAMAGED[name]
    path = tiff(tmp_path / "scan.tif", changed)
    assert callable(read)
    with pytest.raises((error, NotAnImageError), match=message):
        read(path)
    assert capfd.readouterr() == ("", "")  # no library's log on the screen


def test_the_same_file_undamaged_is_read(tmp_path: Path) -> None:
    path = tiff(tmp_path / "scan.tif", {})
    assert open_source(path).shape == load_scan(path).shape == (64, 64)


def test_remarks_of_the_tiff_library_stay_off_the_screen(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tiff(tmp_path / "scan.tif", {262: (SHORT, 1, 999), 284: (SHORT, 1, 9)})
    for read in (open_source, load_scan):
        with suppress(SievewardError):
            read(path)
    assert capfd.readouterr() == ("", "")


def test_a_large_file_that_is_no_picture_is_refused_by_its_start(tmp_path: Path) -> None:
    path = tmp_path / "scan.png"
    with path.open("wb") as stream:
        stream.truncate(40_000_000_000)  # sparse: reading it whole would need so much memory
    with pytest.raises(NotAnImageError):
        open_source(path)
