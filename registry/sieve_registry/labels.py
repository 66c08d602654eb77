"""Status labels to print and stick on (ISO/IEC 17025:2017, 6.4.8): words, and a QR code.

The QR code holds the sieve's id and nothing else, so that a hand scanner types it wherever an id
is asked for. The words say what a person may rely on, and until when.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from sieve_inspect.errors import UsageError
from sieve_inspect.units import format_length
from sieve_registry.records import SieveState
from sieve_registry.rules.state import IN_SERVICE

__all__ = ["Label", "label_of", "page", "png", "svg"]

_NO_SEGNO = "Labels need an extra part: pip install 'sieveward[label]'."
WIDTH_MM, HEIGHT_MM = 62, 29  # a common roll of label printers
_QR_MM = 23
_CHARACTERS = 26  # of a line beside the code
_DOTS_PER_MM = 12  # 305 dpi


@dataclass(frozen=True)
class Label:
    """What stands on a label: the id for the code, and lines of words, the first the largest."""

    sieve_id: str
    lines: tuple[str, ...]


def label_of(state: SieveState) -> Label:
    """The label of a sieve as it is."""
    sieve, last = state.sieve, state.last_check
    lines = [sieve.id, format_length(sieve.nominal_um)]
    if state.status != IN_SERVICE:
        lines += [state.status.upper(), "Do not use"]
    elif last is None:
        lines += ["NOT CHECKED YET", "Do not use"]
    else:
        lines += [f"Checked {last.on_date}: {last.outcome}", f"Next check by {state.due}"]
        if state.interval_uses:
            lines.append(f"or after {state.interval_uses} uses")
    if state.details.label:
        lines.append(state.details.label)
    return Label(sieve.id, tuple(lines))


def svg(label: Label) -> str:
    """The label as an SVG of its size in millimetres."""
    shapes = "".join(
        f'<rect x="{x:.3f}" y="{y:.3f}" width="{size:.3f}" height="{size:.3f}"/>'
        for x, y, size in _modules(label)
    )
    words = []
    for (size, y), line in zip(_places(label), label.lines, strict=True):
        words.append(
            f'<text x="{_QR_MM + 5}" y="{y:.2f}" font-size="{size}">{escape(_fitted(line))}</text>'
        )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM}mm" height="{HEIGHT_MM}mm" '
        f'viewBox="0 0 {WIDTH_MM} {HEIGHT_MM}" font-family="DejaVu Sans, sans-serif">'
        f"<title>{escape(label.sieve_id)}</title>"
        f'<rect width="{WIDTH_MM}" height="{HEIGHT_MM}" fill="#fff"/>'
        f'<g shape-rendering="crispEdges">{shapes}</g>{"".join(words)}</svg>\n'
    )


def png(label: Label) -> bytes:
    """The label as a PNG of 12 dots per millimetre."""
    from PIL import Image, ImageDraw, ImageFont

    scale = _DOTS_PER_MM
    picture = Image.new("L", (WIDTH_MM * scale, HEIGHT_MM * scale), 255)
    draw = ImageDraw.Draw(picture)
    for x, y, size in _modules(label):
        corners = [round(x * scale), round(y * scale)]
        corners += [round((x + size) * scale) - 1, round((y + size) * scale) - 1]
        draw.rectangle(tuple(corners), fill=0)
    for (size, y), line in zip(_places(label), label.lines, strict=True):
        font = ImageFont.truetype(_font_file(), round(size * scale))
        place = ((_QR_MM + 5) * scale, round(y * scale))
        draw.text(place, _fitted(line), fill=0, font=font, anchor="ls")
    data = io.BytesIO()
    picture.save(data, "PNG", dpi=(scale * 25.4, scale * 25.4))
    return data.getvalue()


def page(labels: Sequence[Label]) -> str:
    """A page of labels to print, each in its own frame to cut along."""
    cells = "".join(f"<div>{svg(label)}</div>" for label in labels)
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8"><title>Status labels</title>'
        "<style>body{margin:8mm;display:flex;flex-wrap:wrap;gap:3mm}"
        "div{border:.2mm dashed #999;break-inside:avoid;line-height:0}</style>"
        f"{cells}</html>\n"
    )


def _modules(label: Label) -> list[tuple[float, float, float]]:
    """The dark squares of the code: left, top and size in mm, a quiet zone of 4 around them."""
    try:
        import segno
    except ModuleNotFoundError:
        raise UsageError(message=_NO_SEGNO) from None
    code: Any = segno.make_qr(label.sieve_id, error="m")
    rows = [bytes(row) for row in code.matrix]
    size = _QR_MM / (len(rows) + 8)
    top = (HEIGHT_MM - _QR_MM) / 2
    return [
        (2 + (x + 4) * size, top + (y + 4) * size, size)
        for y, row in enumerate(rows)
        for x, dark in enumerate(row)
        if dark
    ]


def _places(label: Label) -> list[tuple[float, float]]:
    """Size and base line of each line of words, in mm."""
    sizes = [4.2, 3.4] + [2.4] * (len(label.lines) - 2)
    places, y = [], 2.0
    for size in sizes:
        y += size * 1.3
        places.append((size if size < 4 else min(size, 34 / max(len(label.sieve_id), 8) * 1.6), y))
    return places


def _fitted(line: str) -> str:
    return line if len(line) <= _CHARACTERS else f"{line[: _CHARACTERS - 1]}…"


def _font_file() -> str:
    """A font with the letters of many languages, which the drawing library brings along."""
    import matplotlib

    return f"{matplotlib.get_data_path()}/fonts/ttf/DejaVuSans.ttf"
