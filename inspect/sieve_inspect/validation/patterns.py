"""Pictures that must be refused: not a woven square mesh, or a spoilt scan.

Each function gives linear light (height, width) in 0..1, before noise.
"""

from __future__ import annotations

import math

import numpy as np

from sieve_inspect.arrays import Bool, Float

_DARK, _BRIGHT = 0.05, 0.80
SHAPE = (480, 640)


def _grid(turn_deg: float = 8.0) -> tuple[Float, Float]:
    """Coordinates (u, v) in px of a plane turned in the picture."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    turn = math.radians(turn_deg)
    return (
        x * math.cos(turn) + y * math.sin(turn) + 1000.0,
        y * math.cos(turn) - x * math.sin(turn) + 1000.0,
    )


def _lit(open_: Bool, blur: float = 1.0) -> Float:
    from scipy.ndimage import gaussian_filter

    level = _DARK + (_BRIGHT - _DARK) * open_.astype(float)
    return np.asarray(gaussian_filter(level, blur))


def _bands(coordinate: Float, pitch: float, wire: float) -> Bool:
    """Openings between wires of one family."""
    return np.asarray(np.abs(coordinate % pitch - pitch / 2) > wire / 2)


def _turned(u: Float, v: Float, degrees: float) -> Float:
    angle = math.radians(degrees)
    return u * math.cos(angle) + v * math.sin(angle)


def _mesh(u: Float, v: Float, pitch: float, wire: float) -> Bool:
    return _bands(u, pitch, wire) & _bands(v, pitch, wire)


def round_holes() -> Float:
    """Perforated plate: round holes on a square grid."""
    u, v = _grid()
    return _lit(np.hypot(u % 24 - 12, v % 24 - 12) < 8)


def triangular_net() -> Float:
    """Three families of wires."""
    u, v = _grid()
    families = [_bands(_turned(u, v, angle), 30, 8) for angle in (0, 60, 120)]
    return _lit(np.logical_and.reduce(families))


def expanded_metal() -> Float:
    """Rhombs: two families of strands far from square."""
    u, v = _grid()
    return _lit(_bands(_turned(u, v, 29), 26, 7) & _bands(_turned(u, v, -29), 26, 7))


def knitted() -> Float:
    """Threads that swing from side to side."""
    u, v = _grid()
    return _lit(_bands(u + 6 * np.sin(v / 9), 20, 6) & _bands(v + 6 * np.sin(u / 9), 20, 6))


def bunched_threads() -> Float:
    """Threads at random distances."""
    rng = np.random.default_rng(3)
    u, v = _grid()
    open_ = np.ones(SHAPE, bool)
    for coordinate in (u, v):
        places = rng.uniform(coordinate.min(), coordinate.max(), 45)
        for place in places:
            open_ &= np.abs(coordinate - place) > 3.5
    return _lit(open_)


def white_noise() -> Float:
    """Nothing but noise."""
    return np.asarray(0.5 + 0.2 * np.random.default_rng(4).standard_normal(SHAPE))


def plain() -> Float:
    """One level all over."""
    return np.full(SHAPE, 0.5)


def text_like() -> Float:
    """Lines of dark strokes of uneven length on a bright page, as print looks from afar."""
    rng = np.random.default_rng(5)
    page = np.ones(SHAPE, bool)
    for top in range(20, SHAPE[0] - 20, 18):
        left = 24
        while left < SHAPE[1] - 110:
            for _ in range(int(rng.integers(2, 9))):  # the letters of a word
                strokes = rng.integers(0, 2, (5, 3)).astype(bool)
                page[top : top + 10, left : left + 6] &= ~np.kron(strokes, np.ones((2, 2), bool))
                left += 8
            left += 9
    return _lit(page, 0.7)


def two_meshes() -> Float:
    """Two cloths of different pitch side by side."""
    u, v = _grid()
    s, t = _grid(20.0)
    left = np.arange(SHAPE[1])[None, :] < SHAPE[1] // 2
    return _lit(np.where(left, _mesh(u, v, 23, 9), _mesh(s, t, 35, 13)))


def stepped(by_px: int = 5) -> Float:
    """Sound cloth whose lower half is shifted by `by_px`: the carriage jumped."""
    u, v = _grid()
    light = _lit(_mesh(u, v, 23, 9))
    light[SHAPE[0] // 2 :] = np.roll(light[SHAPE[0] // 2 :], by_px, axis=1)
    return light
