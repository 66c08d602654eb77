"""The table of all apertures, as CSV text and as a pandas table, from one set of columns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np

from sieve_inspect.apertures.flags import flag_names
from sieve_inspect.measurement.picture import Picture

if TYPE_CHECKING:
    import pandas

# Column and its format in the CSV; pixel centres lie at whole numbers.
COLUMNS = {
    "image": "%d",
    "row": "%d",
    "col": "%d",
    "x_px": "%.3f",
    "y_px": "%.3f",
    "width_x_um": "%.4f",
    "width_y_um": "%.4f",
    "state": "%s",
    "flags": "%s",
}
_ROWS = 10_000  # converted to text at a time


def aperture_lines(pictures: Sequence[Picture]) -> Iterator[str]:
    """The table as CSV in pieces of many lines, the header first; unknown widths are empty."""
    yield ",".join(COLUMNS) + "\n"
    line = ",".join(COLUMNS.values()) + "\n"
    for number, picture in enumerate(pictures, start=1):
        for first in range(0, len(picture.field.row), _ROWS):
            columns = _columns(number, picture, slice(first, first + _ROWS))
            values = tuple(chain.from_iterable(zip(*columns.values(), strict=True)))
            yield (line * len(columns["row"]) % values).replace("nan", "")


def aperture_frame(pictures: Sequence[Picture]) -> pandas.DataFrame:
    """The table with a row for each aperture; unknown widths are NaN."""
    import pandas

    parts = [_columns(number, picture) for number, picture in enumerate(pictures, start=1)]
    return pandas.DataFrame({name: list(chain(*(p[name] for p in parts))) for name in COLUMNS})


def _columns(
    number: int, picture: Picture, part: slice = slice(None)
) -> Mapping[str, Sequence[Any]]:
    """Values of some apertures of picture `number` by column, in the order of `COLUMNS`."""
    field = picture.field
    flags = field.flags[part]
    names = {value: flag_names(int(value)) for value in np.unique(flags).tolist()}
    x, y = field.centre[part].T.tolist()
    width_x, width_y = (sample.width[part].tolist() for sample in picture.samples)
    return {
        "image": [number] * len(flags),
        "row": field.row[part].tolist(),
        "col": field.column[part].tolist(),
        "x_px": x,
        "y_px": y,
        "width_x_um": width_x,
        "width_y_um": width_y,
        "state": field.state[part].tolist(),
        "flags": [names[value] for value in flags.tolist()],
    }
