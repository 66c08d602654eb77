"""The pictures in a check report, and the table of apertures it reads."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from page_reader import read
from report_sample import sample
from sieve_registry.report import (
    Apertures,
    Overlay,
    render_check_report,
)


def _picture(width: int, height: int, seed: int = 0) -> bytes:
    noise = np.random.default_rng(seed).integers(0, 255, (height, width, 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(noise).save(out, "PNG")
    return out.getvalue()


def _embedded(page: str) -> list[tuple[str, Image.Image]]:
    pictures = re.findall(r'src="data:image/(\w+);base64,([^"]+)"', page)
    return [(kind, Image.open(io.BytesIO(base64.b64decode(data)))) for kind, data in pictures]


def test_large_overlays_are_reduced_and_small_ones_kept() -> None:
    view = sample()
    small = _picture(300, 200)
    overlays = (Overlay("small.png", small), Overlay("large.png", _picture(2400, 1800)))
    page = render_check_report(replace(view, overlays=overlays))
    pictures = _embedded(page)
    assert [kind for kind, _ in pictures] == ["png", "jpeg"]
    assert pictures[0][1].size == (300, 200)
    assert pictures[1][1].width <= 1600
    assert pictures[1][1].width / pictures[1][1].height == pytest.approx(4 / 3, rel=0.01)
    assert len(page) < 3_000_000
    text = read(page).text
    assert text.count("Reduced for this page.") == 1


def test_many_overlays_share_the_page() -> None:
    overlays = tuple(Overlay(f"{i}.png", _picture(700, 500, i)) for i in range(8))
    page = render_check_report(replace(sample(), overlays=overlays))
    assert len(_embedded(page)) == 8
    assert len(page) < 3_000_000


@pytest.mark.parametrize("data", [b"", b"not a picture", _picture(40, 40)[:200]])
def test_an_unreadable_overlay_is_named(data: bytes) -> None:
    page = render_check_report(replace(sample(), overlays=(Overlay("tray.png", data),)))
    assert "The overlay of tray.png could not be read" in read(page).text
    assert _embedded(page) == []


def test_apertures_table_is_read() -> None:
    text = (
        "image,row,col,x_px,y_px,width_x_um,width_y_um,state,flags\n"
        "0,0,0,1.0,2.0,75.5,76.25,ok,\n"
        "0,0,1,1.0,2.0,,76.0,unclear,dust\n"
        '0,0,2,1.0,2.0,nan,77.0,ok,"a, b"\n'
    )
    apertures = Apertures.from_csv(text)
    np.testing.assert_array_equal(apertures.widths("x"), [75.5])
    np.testing.assert_array_equal(apertures.widths("y"), [76.25, 77.0])
    with pytest.raises(KeyError):
        Apertures.from_csv("a,b\n1,2\n")
    with pytest.raises(ValueError, match="could not convert"):
        Apertures.from_csv("width_x_um,width_y_um,state\n1,x,ok\n")
    assert len(Apertures.from_csv("width_x_um,width_y_um,state\n").widths("x")) == 0
