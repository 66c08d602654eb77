"""A scan and everything measured in it; sent to another process, it drops its pixels."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.field import Field
from sieve_inspect.errors import RefusedImageError
from sieve_inspect.illumination.rim_light import RimLight
from sieve_inspect.image import Box, ScanSource, load_scan, open_source
from sieve_inspect.image.light import ScanLight
from sieve_inspect.summary.statistics import Sample


@dataclass(frozen=True)
class ScanFile:
    """The file a picture was read from; `shape` is (height, width), `lost` could not be read."""

    path: Path
    sha256: str
    shape: tuple[int, int]
    kind: str
    lost: tuple[Box, ...] = ()


@dataclass(frozen=True, eq=False)
class Picture:
    """A scan and everything measured in it.

    `covered` is where an artefact was painted over. `openings_bright` tells whether openings are
    the brighter part; the light of others is inverted. `doubts` are
    reasons why the verdict is only indicative, `signs` the light on the wires' sides in x and y
    (None for cloth lit from the camera's side), `smoothed_px` by how much a program that smoothed
    the picture may have narrowed its apertures, `loaded` the pixels while this process has them.
    """

    scan: ScanFile
    encoding: str
    encoding_reason: str
    field: Field
    samples: tuple[Sample, Sample]
    covered: tuple[int, int, int, int] | None = None
    openings_bright: bool = True
    doubts: tuple[str, ...] = ()
    signs: tuple[RimLight, RimLight] | None = None
    smoothed_px: float = 0.0
    loaded: ScanLight | None = None

    def __getstate__(self) -> dict[str, Any]:
        """What is sent to another process or stored in a file: all but the pixels."""
        return {f.name: getattr(self, f.name) for f in fields(self)} | {"loaded": None}

    @cached_property
    def pixels(self) -> ScanLight:
        """Linear light with its openings bright, indexed like an array (h, w).

        Read again where the picture was measured by another process or an earlier run: raises
        what `load_scan` raises, and `RefusedImageError` for a file that has changed since.
        """
        if self.loaded is not None:
            return self.loaded
        if self.covered is None:
            source = open_source(self.scan.path, float("inf"))
        else:
            from sieve_inspect.scale.artefact.in_scan import covered_up

            scan = load_scan(self.scan.path, float("inf"))
            source = ScanSource.of(replace(scan, raw=covered_up(scan.raw, self.covered)))
        self._check_same(source.sha256)
        return ScanLight(source, self.encoding, self.openings_bright)

    @property
    def shown(self) -> ScanLight:
        """Linear light for display: openings are as bright or dark as in the scan."""
        return replace(self.pixels, bright=True)

    def _check_same(self, sha256: str) -> None:
        if sha256 != self.scan.sha256:
            raise RefusedImageError(
                file=self.scan.path.name,
                reason="it changed while it was being measured",
                advice="Measure it again",
            )

    @property
    def unread(self) -> float:
        """Share (0..1) of the scan's pixels that its file does not give."""
        height, width = self.scan.shape
        area = sum((b.bottom - b.top) * (b.right - b.left) for b in self.scan.lost)
        return area / (height * width)

    @property
    def reduced(self) -> int:
        """How many times smaller than the scan `light` is."""
        return self.pixels.reduction

    @property
    def light(self) -> NDArray[np.float32]:
        """The picture (h, w) in linear light, reduced where the scan is large."""
        return self.shown.reduced()

    @property
    def aperture_px(self) -> float:
        """Typical opening, the mean of both directions, px."""
        return float(np.mean([np.median(a.fit.width[self.field.ok]) for a in self.field.axes]))

    @property
    def blur_px(self) -> float:
        """Blur of the edges as a Gaussian sigma, the larger of both directions, px."""
        return max(a.response.sigma for a in self.field.axes)
