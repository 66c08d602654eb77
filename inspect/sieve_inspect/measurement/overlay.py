"""The picture with every opening and its state drawn into it.

Every mark differs in shape as well as in colour, so that it survives grey print and colour
blindness: sound openings a thin frame, blocked ones a cross, torn ones a double frame, unclear
openings a diagonal, partial openings short corner strokes; the widest opening of each direction
a thick frame; the ring of the frame a thin circle. The colours are the palette of Okabe and Ito
(2008).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sieve_inspect.apertures.field import Field
from sieve_inspect.image import opencv
from sieve_inspect.lattice.ring import FrameRing

Float = NDArray[np.float64]
UInt8 = NDArray[np.uint8]

_MARKS = {  # colour and legend of each state
    "ok": ((0, 114, 178), "measured"),
    "blocked": ((230, 159, 0), "blocked"),
    "torn": ((213, 94, 0), "torn"),
    "unclear": ((204, 121, 167), "unclear"),
    "partial": ((150, 150, 150), "cut by border or frame"),
}
_WIDEST = (0, 0, 0)
_SIDE = 3000  # px, the longest side of an overlay
_OPENING = 18  # px an opening should have in the overlay to be recognised


def draw_overlay(light: NDArray[np.float32], field: Field, reduced: int = 1) -> UInt8:
    """An RGB picture of the scan (h, w) with the openings marked and a legend below.

    `light` is `reduced` times smaller than the scan.
    """
    opening = float(np.nanmedian([np.nanmedian(a.fit.width) for a in field.axes])) / reduced
    factor = min(max(1, round(_OPENING / opening)), max(1, _SIDE // max(light.shape)))
    scale = min(float(factor), _SIDE / max(light.shape))
    picture = opencv.resize(_grey(light), scale)
    scale /= reduced
    canvas = np.repeat(picture[:, :, None], 3, axis=2).copy()
    frames = corners(field)
    for state in ("partial", "ok", "unclear", "blocked", "torn"):
        chosen = frames[field.state == state]
        _mark(canvas, (chosen + 0.5) * scale - 0.5, state)
    ring = field.lattice.ring
    if ring is not None:
        outline = (ring.outline() + 0.5) * scale - 0.5
        opencv.draw_lines(canvas, np.stack([outline[:-1], outline[1:]], axis=1), _WIDEST)
    ok = np.flatnonzero(field.ok)
    for axis in field.axes:
        if len(ok):
            widest = ok[int(np.argmax(axis.fit.width[ok]))]
            frame = _grown((frames[widest][None] + 0.5) * scale - 0.5, 1.15)
            opencv.draw_lines(canvas, _closed(frame), (255, 255, 255), 5)
            opencv.draw_lines(canvas, _closed(frame), _WIDEST, 3)
    return np.vstack([canvas, _legend(canvas.shape[1], field)])


def _grey(light: NDArray[np.float32]) -> UInt8:
    """The scan in pale greys with a display gamma, so that marks stand out."""
    low, high = np.percentile(light[::4, ::4], (1, 99))
    level = np.clip((light - low) / max(high - low, 1e-6), 0, 1) ** (1 / 2.2)
    return np.asarray(70 + 170 * level, np.uint8)


def corners(field: Field) -> Float:
    """Corners (n, 4, 2) of every opening in px, in order around it; usual ones where unknown."""
    normals = np.stack([a.normal for a in field.axes], axis=1)  # n x . = distance across the wires
    size = np.stack([a.fit.width for a in field.axes], axis=1)
    usual = np.nanmedian(size, axis=0)
    known = np.isin(field.state, ("ok", "unclear"))[:, None] & np.isfinite(size)
    size = np.where(known, size, usual)
    signs = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) / 2
    offset = np.linalg.solve(normals[:, None], (signs[None] * size[:, None, :])[..., None])[..., 0]
    return np.asarray(field.centre[:, None, :] + offset)


def _grown(frame: Float, factor: float) -> Float:
    middle = frame.mean(axis=1, keepdims=True)
    return np.asarray(middle + factor * (frame - middle))


def _closed(frame: Float) -> Float:
    return np.stack([frame, np.roll(frame, -1, axis=1)], axis=2).reshape(-1, 2, 2)


def _mark(canvas: UInt8, frame: Float, state: str) -> None:
    if not len(frame):
        return
    colour, _ = _MARKS[state]
    if state == "partial":
        edge = np.roll(frame, -1, axis=1) - frame
        strokes = np.stack([frame, frame + 0.2 * edge], axis=2).reshape(-1, 2, 2)
        opencv.draw_lines(canvas, strokes, colour)
        return
    opencv.draw_lines(canvas, _closed(frame), colour, 1 if state == "ok" else 2)
    if state == "torn":
        opencv.draw_lines(canvas, _closed(_grown(frame, 0.6)), colour, 2)
    if state in {"blocked", "unclear"}:
        opencv.draw_lines(canvas, frame[:, [0, 2]], colour, 2)
    if state == "blocked":
        opencv.draw_lines(canvas, frame[:, [1, 3]], colour, 2)


def _legend(width: int, field: Field) -> UInt8:
    """A strip naming the marks that occur, with their counts; wrapped to the picture's width."""
    counts = {state: int((field.state == state).sum()) for state in _MARKS}
    entries = [(state, f"{_MARKS[state][1]} {count}") for state, count in counts.items() if count]
    entries.append(("widest", "widest in x and in y"))
    if field.lattice.ring is not None:
        entries.append(("ring", "frame"))
    places, x, line = [], 12, 0
    for _, text in entries:
        length = 44 + 11 * len(text)
        if x + length > width and x > 12:
            x, line = 12, line + 1
        places.append((x, line))
        x += length
    strip = np.full((34 * (line + 1) + 6, width, 3), 255, np.uint8)
    for (state, text), (x, line) in zip(entries, places, strict=True):
        y = 8 + 34 * line
        box = np.array([[(x, y), (x + 20, y), (x + 20, y + 20), (x, y + 20)]], float)
        if state == "widest":
            opencv.draw_lines(strip, _closed(box), _WIDEST, 3)
        elif state == "ring":
            circle = FrameRing(x + 10.0, y + 10.0, 10.0, True).outline(24)
            opencv.draw_lines(strip, np.stack([circle[:-1], circle[1:]], axis=1), _WIDEST)
        else:
            _mark(strip, box, state)
        opencv.draw_text(strip, text, (x + 28, y + 16))
    return strip
