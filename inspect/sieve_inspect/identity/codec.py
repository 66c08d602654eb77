"""A map as a small file: what a later scan is compared with. IDENTITY.md describes the format.

A line of JSON, then seven planes of the grid, each compressed by zlib after its length in a line of
text: state; widths x, y; noise x, y; places x, y. Lengths are whole multiples of `quantum_um`,
written as differences along the wire, little-endian, lowest bytes of all numbers first.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.flags import State
from sieve_inspect.arrays import Float
from sieve_inspect.identity.cloth_map import PAIRS, STATES, ClothMap, Known

SCHEMA = "sieveward.cloth/1"
_QUANTA = 4096  # in a typical width: 0.018 um of 75 um, a quarter of a good scan's noise
_NOISE_STEP = 0.1  # of the natural logarithm of the noise in nm
_MOST = 4_000_000  # openings of a map that is read
_LEVEL = 6


def to_bytes(cloth: ClothMap) -> bytes:
    """The map as the content of a file."""
    ok = cloth.ok
    quantum = float(np.median(cloth.width[:, ok])) / _QUANTA if ok.any() else 1.0
    trend = _trend(cloth)
    header = {
        "schema": SCHEMA,
        "rows": cloth.shape[0],
        "columns": cloth.shape[1],
        "quantum_um": quantum,
        "places_um": trend.tolist(),
        "states": [None if state is None else str(state) for state in STATES],
        "whole": cloth.whole,
        "known": asdict(cloth.known),
    }
    state = np.where(ok | (cloth.state != STATES.index(State.OK)), cloth.state, 0)
    out = [json.dumps(header).encode() + b"\n"]
    for plane in (state.astype(np.uint8), *_planes(cloth, quantum, trend)):
        packed = zlib.compress(_shuffled(plane), _LEVEL)
        out.append(f"{len(packed)}\n".encode() + packed)
    return b"".join(out)


def _planes(cloth: ClothMap, quantum: float, trend: Float) -> Iterator[NDArray[Any]]:
    for axis in (0, 1):
        width = cloth.width[axis].astype(np.float64)
        known = np.isfinite(width)
        gap = np.where(known, width, 0).sum(axis=axis) / np.maximum(known.sum(axis=axis), 1)
        filled = np.where(known, width, np.expand_dims(gap, axis))
        yield _differences(filled / quantum, axis)
    for axis in (0, 1):
        nm = np.where(np.isfinite(cloth.noise[axis]), cloth.noise[axis] * 1000, 1.0)
        steps = np.log(np.maximum(nm, 1.0)) / _NOISE_STEP
        yield np.clip(np.rint(steps), 0, 255).astype(np.uint8)
    for axis in (0, 1):
        rest = cloth.place[axis] - _plane_of(trend[axis], cloth.shape)
        yield _differences(np.where(np.isfinite(rest), rest, 0) / quantum, axis)


def _differences(values: Float, axis: int) -> NDArray[np.int32]:
    whole = np.rint(values).astype(np.int32)
    return np.diff(whole, axis=axis, prepend=np.zeros_like(np.take(whole, [0], axis)))


def _trend(cloth: ClothMap) -> Float:
    """Coefficients (2, 3) of the places over 1, column and row, um."""
    there = np.isfinite(cloth.place[0])
    row, column = np.nonzero(there)
    design = np.stack([np.ones(len(row)), column, row], axis=1).astype(np.float64)
    return np.asarray(np.linalg.lstsq(design, cloth.place[:, there].T, rcond=None)[0].T)


def _plane_of(coefficients: Float, shape: tuple[int, int]) -> Float:
    row, column = np.indices(shape)
    start, by_column, by_row = coefficients
    return np.asarray(start + by_column * column + by_row * row)


def _shuffled(plane: NDArray[Any]) -> bytes:
    size = plane.dtype.itemsize
    little = np.ascontiguousarray(plane.astype(plane.dtype.newbyteorder("<")))
    return little.view(np.uint8).reshape(-1, size).T.tobytes()


def from_bytes(content: bytes) -> ClothMap:
    """The map in the content of a file. Raises `ValueError` where it holds none."""
    try:
        return _read(content)
    except (KeyError, TypeError, IndexError, zlib.error) as error:
        raise ValueError(f"it holds no map of a cloth ({error})") from None


def _read(content: bytes) -> ClothMap:
    line, rest = content.split(b"\n", 1)
    header = json.loads(line)
    if header["schema"] != SCHEMA:
        raise ValueError(f"its schema is {header['schema']!r}, not {SCHEMA!r}")
    shape = int(header["rows"]), int(header["columns"])
    count = shape[0] * shape[1]
    if not 0 < count <= _MOST:
        raise ValueError(f"it has {shape[0]} rows and {shape[1]} columns")
    if header["states"] != [None if state is None else str(state) for state in STATES]:
        raise ValueError("its states are others")
    planes = []
    for size in (1, 4, 4, 1, 1, 4, 4):
        length, rest = rest.split(b"\n", 1)
        packed, rest = rest[: int(length)], rest[int(length) :]
        plain = zlib.decompressobj().decompress(packed, count * size)
        if len(plain) != count * size:
            raise ValueError("it ends before it should")
        flat = np.frombuffer(plain, np.uint8).reshape(size, count).T
        planes.append(np.ascontiguousarray(flat).view(f"<{'u1' if size == 1 else 'i4'}"))
    state, *others = (plane.reshape(shape) for plane in planes)
    quantum = float(header["quantum_um"])
    ok = state == STATES.index(State.OK)
    trend = np.array(header["places_um"], np.float64)
    width = [np.where(ok, _summed(others[axis], axis) * quantum, np.nan) for axis in (0, 1)]
    noise = [np.where(ok, np.exp(others[2 + axis] * _NOISE_STEP) / 1000, np.nan) for axis in (0, 1)]
    place = [
        np.where(
            state > 0,
            _summed(others[4 + axis], axis) * quantum + _plane_of(trend[axis], shape),
            np.nan,
        )
        for axis in (0, 1)
    ]
    return ClothMap(
        np.stack(width).astype(np.float32),
        np.stack(noise).astype(np.float32),
        np.stack(place),
        np.array(state, np.uint8),
        _known(header["known"]),
        bool(header["whole"]),
    )


def _summed(differences: NDArray[Any], axis: int) -> Float:
    return np.asarray(np.cumsum(differences, axis=axis, dtype=np.int64), np.float64)


def _known(fields: dict[str, Any]) -> Known:
    pairs = {name: fields[name] for name in (*PAIRS, "um_per_px") if name in fields}
    values: dict[str, Any] = {name: (float(x), float(y)) for name, (x, y) in pairs.items()}
    values |= {name: str(fields.get(name, "")) for name in ("scale", "device", "lamp")}
    return Known(**values, by_cloth=bool(fields.get("by_cloth")))
