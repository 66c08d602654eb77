"""The fields of a check where they lie on the cloth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from sieve_registry.checks.positions import PlacedField
from sieve_registry.report.charts import INK, svg_of

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.figure import Figure

_SIZE = (3.6, 3.3)  # inches
_NUMBERED = 60  # more numbers hide each other


def fields_svg(fields: Sequence[PlacedField], frame_nm: int | None = None) -> Markup | None:
    """The fields to scale, numbered in the order of the scans; None without positions.

    The circle is the frame, drawn where all fields lie in it.
    """
    if not fields:
        return None

    def draw(figure: Figure) -> None:
        from matplotlib.patches import Circle, Rectangle

        figure.set_layout_engine("constrained")
        axes = figure.subplots()
        for number, field in enumerate(fields, start=1):
            (x, y), (width, height) = field.position, field.size_mm
            corner = (x - width / 2, y - height / 2)
            axes.add_patch(Rectangle(corner, width, height, fill=False, edgecolor=INK))
            if len(fields) <= _NUMBERED:
                beside = (x + width / 2, y - height / 2)
                axes.annotate(str(number), beside, (2, 1), textcoords="offset points", fontsize=8)
        radius = (frame_nm or 0) / 2e6
        if all(math.hypot(*field.position) < radius for field in fields):
            axes.add_patch(Circle((0, 0), radius, fill=False, linestyle="--", edgecolor=INK))
            axes.plot([0], [0], marker="+", color=INK)
        axes.set_aspect("equal")
        axes.autoscale_view()
        axes.invert_yaxis()  # down by the label
        axes.set_xlabel("x, mm")
        axes.set_ylabel("y, mm")

    return svg_of(draw, _SIZE, "fields", "The fields at their places on the cloth")
