"""Status labels, read back by a decoder that is not ours."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from PIL import Image

from program import Program
from sieve_registry.report import labels
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry


def decoded(data: bytes) -> str:
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert image is not None
    return cv2.QRCodeDetector().detectAndDecode(image)[0]


@pytest.mark.parametrize("sieve_id", ["S-017", "=1+1", "Größe 75 µm", "🧪", "x" * 64, "<b>&"])
def test_the_code_of_a_printed_label_is_the_id(
    registry: Registry, add: Callable[..., Any], sieve_id: str
) -> None:
    add(sieve_id)
    label = labels.label_of(sieve_queries.get_state(registry, sieve_id))
    assert decoded(labels.png(label)) == sieve_id


def test_an_svg_label_holds_the_same_code(registry: Registry, add: Callable[..., Any]) -> None:
    add("S-017")
    label = labels.label_of(sieve_queries.get_state(registry, "S-017"))
    root = ElementTree.fromstring(labels.svg(label))
    dots = 12
    picture = np.full((29 * dots, 62 * dots), 255, np.uint8)
    for rect in root.iter("{http://www.w3.org/2000/svg}rect"):
        if "x" in rect.attrib:
            x, y, w, h = (float(rect.attrib[name]) * dots for name in ("x", "y", "width", "height"))
            picture[round(y) : round(y + h), round(x) : round(x + w)] = 0
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == "S-017"
    words = [text.text for text in root.iter("{http://www.w3.org/2000/svg}text")]
    assert words == ["S-017", "75 µm", "NOT CHECKED", "Do not use"]


def test_a_label_shows_status_and_next_check(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add(interval_uses=100)
    check()
    sieve_commands.edit_sieve(registry, "S-1", details={"label": "wet only"})
    lines = labels.label_of(sieve_queries.get_state(registry, "S-1")).lines
    assert lines == (
        "S-1",
        "75 µm",
        "IN SERVICE",
        "Checked 2026-03-02: pass",
        "Next check by 2027-03-02",
        "or after 100 uses",
        "wet only",
    )
    sieve_commands.quarantine(registry, "S-1", "dented", RecordTerms(by="Bo Reed"))
    assert "QUARANTINED" in labels.label_of(sieve_queries.get_state(registry, "S-1")).lines
    sieve_commands.retire(registry, "S-1", "torn")
    assert (
        "RETIRED"
        in labels.label_of(sieve_queries.get_state(registry, "S-1", date(2026, 3, 2))).lines
    )


def test_commands_write_one_label_or_a_page(run: Program, tmp_path: Path) -> None:
    for name in ("A", "<b>"):
        run("sieve", "add", name, "--nominal", "75um")
    assert run("label", "A", "--out", str(tmp_path / "a.png")).code == 0
    data = (tmp_path / "a.png").read_bytes()
    assert decoded(data) == "A"
    assert Image.open(io.BytesIO(data)).size == (744, 348)
    assert run("label", "A", "<b>", "--out", str(tmp_path / "all.html")).code == 0
    page = (tmp_path / "all.html").read_text("utf-8")
    assert len(re.findall("<svg", page)) == 2
    assert "<b>" not in page
    assert run("label", "A", "<b>", "--out", str(tmp_path / "a.svg")).code == 2
    assert run("label", "A", "--out", str(tmp_path / "a.pdf")).code == 2
    assert run("label", "Z", "--out", str(tmp_path / "z.svg")).code == 32


@pytest.mark.parametrize("size", labels.SIZES.values(), ids=labels.SIZES)
@pytest.mark.parametrize(
    "status", ["IN SERVICE", "OVERDUE", "NOT PASSED", "NOT CHECKED", "QUARANTINED", "RETIRED"]
)
def test_the_status_is_whole_and_the_largest_word(size: labels.Size, status: str) -> None:
    details = ("2026-03-02: conditional pass", "Next check by 2027-03-02", "or after 200 uses")
    label = labels.Label("S-0075-A", ("S-0075-A", "75 µm", status, *details, "oven only"),
                         ("S-0075-A", "75 µm", status, "Next check by 2027-03-02"))  # fmt: skip
    root = ElementTree.fromstring(labels.svg(label, size))
    texts = list(root.iter("{http://www.w3.org/2000/svg}text"))
    heights = {text.text: float(text.attrib["font-size"]) for text in texts}
    assert max(heights, key=lambda text: heights[text]) == status
    assert all("…" not in str(text) for text in heights)
    last = max(float(text.attrib["y"]) for text in texts)
    assert last < size.height
