"""The openings of one picture on their grid, in um: what a cloth is recognised by."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.flags import State
from sieve_inspect.arrays import Bool, Float, Float32, Index

STATES = (None, State.OK, State.BLOCKED, State.TORN, State.PARTIAL, State.UNCLEAR)
"""What the numbers in `ClothMap.state` mean; 0 is a place without an opening."""
_TURNED = " turned"


@dataclass(frozen=True)
class Known:
    """What shifts all widths of a picture alike, um (k = 1), in x and y.

    `edge` is what the blur of the edges leaves unknown, `bias` the scale's edge bias, `light` lamp
    and view, with the part `surface` that a stated lamp leaves to the surface of the wires.
    `bias_taken` and `glow_taken` are what was corrected for edge bias and lamp. `um_per_px` is the
    scale in the middle along and down the picture, `scale` names it (equal names: the same scale
    under the same lamp). `device` names the device at a setting, `lamp` lamp and view, `by_cloth`
    tells that a reference cloth gave them; "" is not known.
    """

    edge: tuple[float, float]
    bias: tuple[float, float]
    light: tuple[float, float]
    u_rel: tuple[float, float]
    um_per_px: tuple[float, float]
    scale: str
    surface: tuple[float, float] = (0.0, 0.0)
    bias_taken: tuple[float, float] = (0.0, 0.0)
    glow_taken: tuple[float, float] = (0.0, 0.0)
    device: str = ""
    lamp: str = ""
    by_cloth: bool = False

    @property
    def plain_scale(self) -> str:
        """The name of the scale, however the label lay."""
        return self.scale.removesuffix(_TURNED)

    @property
    def source(self) -> str:
        """What bias and light belong to: device and lamp where known, else the scale."""
        turned = self.scale[len(self.plain_scale) :]
        return f"{self.device}, lamp {self.lamp}{turned}" if self.device else self.scale

    def picture_axis(self, axis: int) -> int:
        """The axis of the picture, 0 along its rows, that x (0) or y (1) of the map lies along."""
        return axis ^ (self.plain_scale != self.scale)

    def exchanged(self) -> Known:
        """The same with x and y exchanged; twice is not at all."""
        plain = self.plain_scale
        name = f"{plain}{_TURNED}" if plain == self.scale else plain
        return replace(self, **{each: getattr(self, each)[::-1] for each in PAIRS}, scale=name)


PAIRS = ("edge", "bias", "light", "u_rel", "surface", "bias_taken", "glow_taken")
"""The fields of `Known` that have a value for x and one for y of the map."""


@dataclass(frozen=True, eq=False)
class ClothMap:
    """Openings of one picture by row and column, lengths in um.

    `width` (2, rows, columns) are the widths in x and y and `noise` their standard deviations by
    pixel noise, NaN where the opening is not sound; `place` (2, rows, columns) the middles, NaN
    where there is no opening; `state` (rows, columns) numbers of `STATES`. `whole` tells that the
    picture shows the entire cloth in its frame.
    """

    width: Float32
    noise: Float32
    place: Float
    state: NDArray[np.uint8]
    known: Known
    whole: bool = False

    @classmethod
    def of_table(
        cls,
        row: Index,
        column: Index,
        place: Float,
        widths: tuple[Float, Float],
        noise: tuple[Float, Float],
        state: NDArray[np.str_],
        known: Known,
        whole: bool = False,
    ) -> ClothMap:
        """From a table of n openings: `place` (n, 2) um, widths and noise (n,) um in x and y."""
        row, column = row - row.min(initial=0), column - column.min(initial=0)
        shape = (2, int(row.max(initial=0)) + 1, int(column.max(initial=0)) + 1)
        numbers = np.zeros(len(state), np.uint8)
        for number, name in enumerate(STATES):
            if name is not None:
                numbers[state == str(name)] = number
        ok = numbers == STATES.index(State.OK)

        def grid(values: Any, dtype: type, where: Bool) -> NDArray[Any]:
            out: NDArray[Any] = np.full(shape, np.nan, dtype)
            for axis in (0, 1):
                out[axis, row[where], column[where]] = values[axis][where]
            return out

        states = np.zeros(shape[1:], np.uint8)
        states[row, column] = numbers
        return cls(
            grid(widths, np.float32, ok),
            grid(noise, np.float32, ok),
            grid(place.T, np.float64, np.ones(len(row), np.bool_)),
            states,
            known,
            whole,
        )

    def exchanged(self) -> ClothMap:
        """The same with x and y exchanged, as by a label that was turned by a quarter."""
        turn = Turn(1)
        return ClothMap(
            turn.of_pair(self.width),
            turn.of_pair(self.noise),
            np.stack([turn.of(grid) for grid in self.place]),
            turn.of(self.state),
            self.known.exchanged(),
            self.whole,
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.state.shape[0], self.state.shape[1]

    @property
    def ok(self) -> Bool:
        """Openings (rows, columns) whose two widths are known."""
        return np.asarray(np.isfinite(self.width).all(axis=0))

    def is_in(self, state: State) -> Bool:
        """Openings (rows, columns) in a state."""
        return np.asarray(self.state == STATES.index(state))


@dataclass(frozen=True)
class Turn:
    """A way to lay one grid on another: turned over or not, then quarter turns anticlockwise."""

    quarters: int
    mirrored: bool = False

    def of(self, grid: NDArray[Any]) -> NDArray[Any]:
        """A grid (rows, columns), laid so."""
        return np.rot90(grid[:, ::-1] if self.mirrored else grid, self.quarters)

    def of_pair(self, grids: NDArray[Any]) -> NDArray[Any]:
        """Two grids (2, rows, columns) of x and y; quarter turns exchange them."""
        order = (1, 0) if self.swaps else (0, 1)
        return np.stack([self.of(grids[axis]) for axis in order])

    @property
    def swaps(self) -> bool:
        """Whether x of one is y of the other."""
        return self.quarters % 2 == 1


TURNS = tuple(Turn(quarters, mirrored) for mirrored in (False, True) for quarters in range(4))
