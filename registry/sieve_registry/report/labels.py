"""Status labels to print (ISO/IEC 17025:2017, 6.4.8): text and a QR code.

The QR code holds only the id of the sieve, so that a hand scanner can type it into any field. The
text has the status and how long it is valid.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sieve_inspect.errors import UsageError
from sieve_inspect.outcomes import FAILING
from sieve_inspect.units import format_length
from sieve_registry.ledger.records import SieveState
from sieve_registry.report.formatting import with_micro
from sieve_registry.report.pages import render_page
from sieve_registry.sieves.state import IN_SERVICE

if TYPE_CHECKING:
    from PIL import ImageFont

_NO_SEGNO = 'Labels need an extra part: pip install "sieveward[label]".'
_DOTS_PER_MM = 12  # 305 dpi


@dataclass(frozen=True)
class Size:
    """A label's size and that of its code in mm, and the heights of its letters.

    These are for the id, the nominal aperture, the status (always the largest) and other lines.
    """

    width: float
    height: float
    code: float
    letters: tuple[float, float, float, float]


LARGE = Size(62, 29, 23, (3.2, 2.6, 5.0, 2.3))  # a common roll of label printers
SMALL = Size(45, 15, 13, (2.4, 1.9, 3.6, 1.9))  # for low frames; no source
SIZES = {"large": LARGE, "small": SMALL}


@dataclass(frozen=True)
class Label:
    """The content of a label: the id for the code, and lines of text, the third the status.

    `short` are the lines of a small label.
    """

    sieve_id: str
    lines: tuple[str, ...]
    short: tuple[str, ...]

    def text(self, size: Size) -> tuple[str, ...]:
        """The lines for a size."""
        return self.short if size is SMALL else self.lines


def label_of(state: SieveState) -> Label:
    """The label of a sieve: its status now and how long it is valid."""
    sieve = state.sieve
    head = (sieve.id, with_micro(format_length(sieve.nominal_um)))
    status, details, validity = _standing(state)
    more = [state.details.label] if state.details.label else []
    return Label(sieve.id, (*head, status, *details, *more), (*head, status, validity))


def _standing(state: SieveState) -> tuple[str, list[str], str]:
    """The status in capitals, the lines that follow, and the line of a small label."""
    result, no_use = state.result, "Do not use"
    if state.status != IN_SERVICE:
        return state.status.upper(), [no_use], no_use
    if state.unchecked:
        return "NOT CHECKED", [no_use], no_use
    checked = f"{'Certified' if state.certificate else 'Checked'} {state.result_on}: pass"
    if result != "pass":
        checked = f"{state.result_on}: {result}"
    if result in FAILING:
        return "NOT PASSED", [checked, no_use], no_use
    if state.overdue:
        due = f"Check was due {state.due}"
        return "OVERDUE", [checked, due], due
    due = f"Next check by {state.due}"
    uses = [f"or after {state.interval_uses} uses"] if state.interval_uses else []
    return "IN SERVICE", [checked, due, *uses], due


def svg(label: Label, size: Size = LARGE) -> str:
    """The label as an SVG of its size in millimetres."""
    return render_page(
        "label.svg",
        {
            "sieve_id": label.sieve_id,
            "size": size,
            "squares": _modules(label, size),
            "lines": _lines(label, size),
            "left": size.code + 5,
            "words": ", ".join(label.text(size)),
        },
    )


def png(label: Label, size: Size = LARGE) -> bytes:
    """The label as a PNG of 12 dots per millimetre."""
    from PIL import Image, ImageDraw

    scale = _DOTS_PER_MM
    picture = Image.new("L", (round(size.width * scale), round(size.height * scale)), 255)
    draw = ImageDraw.Draw(picture)
    for x, y, side in _modules(label, size):
        corners = [round(x * scale), round(y * scale)]
        corners += [round((x + side) * scale) - 1, round((y + side) * scale) - 1]
        draw.rectangle(tuple(corners), fill=0)
    for letters, y, line in _lines(label, size):
        font = _font(round(letters * scale))
        place = (round((size.code + 5) * scale), round(y * scale))
        draw.text(place, line, fill=0, font=font, anchor="ls")
    data = io.BytesIO()
    picture.save(data, "PNG", dpi=(scale * 25.4, scale * 25.4))
    return data.getvalue()


def page(labels: Sequence[Label], size: Size = LARGE) -> str:
    """A page of labels to print on A4, each in its own frame to cut along."""
    from markupsafe import Markup

    drawn = [Markup(svg(label, size)) for label in labels]
    return render_page("labels.html", {"labels": drawn, "size": size})


def _modules(label: Label, size: Size) -> list[tuple[float, float, float]]:
    """The dark squares of the code: left, top and size in mm, with a quiet zone of 4."""
    try:
        import segno
    except ModuleNotFoundError:
        raise UsageError(message=_NO_SEGNO) from None
    code: Any = segno.make_qr(label.sieve_id, error="m")
    rows = [bytes(row) for row in code.matrix]
    side = size.code / (len(rows) + 8)
    top = (size.height - size.code) / 2
    return [
        (2 + (x + 4) * side, top + (y + 4) * side, side)
        for y, row in enumerate(rows)
        for x, dark in enumerate(row)
        if dark
    ]


def _lines(label: Label, size: Size) -> list[tuple[float, float, str]]:
    """Letter height and base line in mm of each line, shortened to fit."""
    lines, other = label.text(size), size.letters[-1]
    heights = [size.letters[min(place, 3)] for place in range(len(lines))]
    placed, y = [], (size.height - 1.3 * sum(heights)) / 2 - 0.2 * other
    room = size.width - size.code - 6
    for place, (height, line) in enumerate(zip(heights, lines, strict=True)):
        y += height * 1.3
        # A long line first gets smaller letters, then it is cut.
        least = height * (0.5, 0.8, 0.7, 0.8)[min(place, 3)]
        letters = max(least, min(height, room / _length(line)))
        placed.append((letters, y, _cut(line, 1.001 * room / letters)))
    return placed


def _cut(line: str, most: float) -> str:
    """A line cut to a length in heights of its letters."""
    kept = line
    while len(line) > 1 and _length(line) > most:
        kept = kept[:-1]
        line = f"{kept}…"
    return line


def _length(line: str) -> float:
    """The length of a line in heights of its letters; fonts of browsers are not wider."""
    return float(_font(100).getlength(line)) / 100


def _font(height: int) -> ImageFont.FreeTypeFont:
    """A font for many languages, part of matplotlib."""
    from PIL import ImageFont

    spec = find_spec("matplotlib")  # located without the slow import
    assert spec is not None
    assert spec.origin is not None
    place = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf" / "DejaVuSans.ttf"
    return ImageFont.truetype(place, height)
