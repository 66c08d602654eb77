"""Pictures of an artefact from their files: linear light, records, warnings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from sieve_inspect.arrays import Float32
from sieve_inspect.errors import UsageError
from sieve_inspect.files import refuse_twins
from sieve_inspect.image import Scan, linear_light, load_scan
from sieve_inspect.image.encoding import assumed_encoding
from sieve_inspect.scale.model import Scale

_DPI_TOLERANCE = 0.002  # twice what flatbeds are commonly off (Boron, ISPRS 1996)


@dataclass(frozen=True, eq=False)
class ReadPictures:
    """Linear light (h, w) of each picture, its record for the scale file, its file's tags."""

    light: tuple[Float32, ...]
    records: tuple[dict[str, Any], ...]
    scans: tuple[Scan, ...]
    guessed: tuple[str, ...]

    def warnings(self, scale: Scale) -> tuple[str, ...]:
        """What the user must know: encodings guessed, dpi tags with another scale."""
        return (*self.guessed, *_dpi_warnings(self.scans, scale))


def read_pictures(paths: Sequence[Path], encoding: str, edges_matter: bool) -> ReadPictures:
    """Read picture files.

    Raises `UsageError` for no picture, an `InputError` for an unreadable or repeated file.
    """
    if not paths:
        raise UsageError(message="Name at least one picture of the artefact.")
    refuse_twins(paths)
    pictures, records, scans, guessed = [], [], [], []
    for path in paths:
        scan = load_scan(path)
        meant = assumed_encoding(scan, encoding)
        pictures.append(linear_light(scan, meant.encoding))
        if meant.guess and edges_matter:
            guessed.append(
                f"{path.name}: encoding guessed as {meant.encoding} ({meant.reason}); the edge "
                "bias depends on it, so give `encoding`."
            )
        records.append(
            {
                "file": path.name,
                "sha256": scan.sha256,
                "width_px": scan.shape[1],
                "height_px": scan.shape[0],
                "encoding": meant.encoding,
                "encoding_reason": meant.reason,
                "dpi": list(scan.dpi) if scan.dpi else None,
            }
        )
        scans.append(replace(scan, raw=scan.raw[:1, :1]))
    return ReadPictures(tuple(pictures), tuple(records), tuple(scans), tuple(guessed))


def _dpi_warnings(scans: Sequence[Scan], scale: Scale) -> list[str]:
    """A sentence for each picture whose dpi tag gives another scale."""
    out, scales = [], (scale.um_per_px_x, scale.um_per_px_y)
    for scan in scans:
        if scan.dpi is None:
            continue
        pairs = [(25_400.0 / d, s) for d, s in zip(scan.dpi, scales, strict=True)]
        tagged, measured = max(pairs, key=lambda pair: abs(pair[0] / pair[1] - 1))
        if abs(tagged / measured - 1) > _DPI_TOLERANCE:
            out.append(
                f"{scan.path.name}: its dpi tag gives {tagged:.5g} um per px, the artefact gives "
                f"{measured:.5g}: tag ignored."
            )
    return out
