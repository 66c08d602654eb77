"""Fields of one cloth that overlap: what two pictures show is counted once.

An overlap also shows how a picture lies to another: turned by a quarter, its x is the other's y.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sieve_inspect.arrays import Bool
from sieve_inspect.identity.alignment import Overlap
from sieve_inspect.identity.cloth_map import ClothMap
from sieve_inspect.identity.comparison import recognise
from sieve_inspect.identity.fingerprint import Fingerprint
from sieve_inspect.measurement.cloth_maps import cloth_maps
from sieve_inspect.measurement.lighting import LightCorrection
from sieve_inspect.measurement.picture import Picture
from sieve_inspect.scale import Scale

# Highest probability that fields which agree so have nothing in common: the fields of a check are
# of one cloth, so that less has to be proven than between cloths, and a false overlap costs a few
# apertures only.
_P_OVERLAP = 1e-3


@dataclass(frozen=True)
class RepeatedField:
    """What a picture shares with an earlier one, `image` (from 1): sound apertures of both.

    `p_false` is the probability that two fields with nothing in common agree as well.
    """

    image: int
    apertures: int
    p_false: float

    def to_dict(self) -> dict[str, int | float]:
        """The entry of `images[].shared` in `sieveward.measurement/1`."""
        p_false = float(f"{self.p_false:.3g}")
        return {"image": self.image, "apertures": self.apertures, "p_false_match": p_false}


@dataclass(frozen=True)
class Overlaps:
    """What pictures share: the apertures of each that an earlier one shows too, how each lies.

    `shared` are the earlier pictures that show them; `quarter` is whether a picture lies a quarter
    turn from the first, None where no chain of overlaps tells.
    """

    counts: tuple[int, ...]
    shared: tuple[tuple[RepeatedField, ...], ...]
    quarter: tuple[bool | None, ...]


def without_overlaps(
    pictures: Sequence[Picture], scale: Scale, light: LightCorrection
) -> tuple[tuple[Picture, ...], Overlaps]:
    """The pictures with every aperture in the samples once, and what they share.

    A later picture loses the apertures that an earlier one shows too: they are no further sample
    of the cloth.
    """
    maps = cloth_maps(pictures, scale, light)
    prints = [Fingerprint.of(each) for each in maps]
    out, counts, shared = [], [], []
    quarter: list[bool | None] = []
    for number, picture in enumerate(pictures):
        shown = np.zeros(maps[number].shape, np.bool_)
        by: list[RepeatedField] = []
        quarter.append(None if number else False)
        for earlier in range(number):
            match = recognise(prints[earlier], prints[number], p_same=_P_OVERLAP)
            if match.same and match.overlap is not None:
                common = _common(maps[earlier], maps[number], match.overlap)
                shown |= common
                by.append(RepeatedField(earlier + 1, int(common.sum()), match.p_false))
                before = quarter[earlier]
                if before is not None:
                    quarter[number] = before != match.overlap.place.turn.swaps
        field = picture.field
        # The maps begin at row and column 0 at the latest.
        row, column = (n - n.min(initial=0) for n in (field.row, field.column))
        repeated = shown[row, column]
        x, y = (replace(s, ok=s.ok & ~repeated) for s in picture.samples)
        out.append(replace(picture, samples=(x, y)) if repeated.any() else picture)
        counts.append(int(repeated.sum()))
        shared.append(tuple(by))
    return tuple(out), Overlaps(tuple(counts), tuple(shared), tuple(quarter))


def _common(first: ClothMap, second: ClothMap, overlap: Overlap) -> Bool:
    """Openings (rows, columns) of the second map that are sound in the first as well."""
    row, column = np.indices(second.shape)
    turn, part = overlap.place.turn, overlap.second
    both = first.ok[overlap.first] & turn.of(second.ok)[part]
    out = np.zeros(second.shape, np.bool_)
    out[turn.of(row)[part][both], turn.of(column)[part][both]] = True
    return out
