"""Labels in both sizes, drawn by a browser-free renderer and read back by a decoder not ours."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from PIL import Image

from sieve_registry.ledger.figures import DirectionFigures
from sieve_registry.ledger.records import Check, Sieve, SieveState, Status
from sieve_registry.report import labels
from sieve_registry.report.labels import Size

FIGURES = DirectionFigures(
    count=400,
    mean_um=Decimal("75.1"),
    sd_um=None,
    max_um=None,
    u_mean_um=None,
    u_sd_um=None,
    u_max_um=None,
    wire_mean_um=None,
)
SIEVE = Sieve(
    id="S-0075",
    nominal_nm=75_000,
    standard="iso3310-1:2016",
    grade="compliance",
    serial="",
    frame_nm=None,
    in_service=None,
    added_on=date(2031, 1, 2),
    interval_months=12,
    interval_uses=None,
    location="",
    maker="",
    seq=1,
    recorded_at="2031-01-02T08:00:00Z",
    person="R. Example",
)
CHECK = Check(
    id="C-0001",
    sieve_id="S-0075",
    on_date=date(2031, 3, 4),
    nominal_nm=75_000,
    standard="iso3310-1:2016",
    grade="compliance",
    rule="guard-band",
    outcome="pass",
    action="keep",
    action_reason="",
    reasons=(),
    fit="ok",
    x=FIGURES,
    y=FIGURES,
    seq=2,
    recorded_at="2031-03-04T08:00:00Z",
    person="R. Example",
    software="",
)
STATE = SieveState(
    sieve=SIEVE,
    as_of=date(2031, 5, 1),
    status=Status.IN_SERVICE,
    location="",
    interval_months=12,
    interval_uses=None,
    last_check=CHECK,
    uses_total=0,
    uses_since_check=0,
    due=date(2032, 3, 4),
    overdue=False,
    due_because="12 months after the last check",
    remarks=(),
)


def read_back(data: bytes) -> str:
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    return str(cv2.QRCodeDetector().detectAndDecode(picture)[0])


def drawn(svg: str, dots: int = 12) -> np.ndarray:
    root = ElementTree.fromstring(svg)
    width, height = (float(v) for v in root.attrib["viewBox"].split()[2:])
    assert root.attrib["width"] == f"{width:g}mm"
    picture = np.full((round(height * dots), round(width * dots)), 255, np.uint8)
    for rect in root.iter("{http://www.w3.org/2000/svg}rect"):
        if "x" in rect.attrib:
            x, y, w, h = (float(rect.attrib[name]) * dots for name in ("x", "y", "width", "height"))
            picture[round(y) : round(y + h), round(x) : round(x + w)] = 0
    return picture


@pytest.mark.parametrize("size", labels.SIZES.values(), ids=labels.SIZES)
@pytest.mark.parametrize("sieve_id", ["S-0075", "Größe 75 µm", "x" * 64])
def test_either_size_is_read_back(size: Size, sieve_id: str) -> None:
    label = labels.label_of(replace(STATE, sieve=replace(SIEVE, id=sieve_id)))
    assert read_back(labels.png(label, size)) == sieve_id
    assert cv2.QRCodeDetector().detectAndDecode(drawn(labels.svg(label, size)))[0] == sieve_id
    with Image.open(io.BytesIO(labels.png(label, size))) as picture:
        dots_per_mm = picture.info["dpi"][0] / 25.4
        assert picture.width / dots_per_mm == pytest.approx(size.width, abs=0.1)


@pytest.mark.parametrize(
    ("changes", "status", "short"),
    [
        ({}, "IN SERVICE", "Next check by 2032-03-04"),
        ({"interval_uses": 100}, "IN SERVICE", "Next check by 2032-03-04"),
        ({"overdue": True, "due": date(2031, 4, 1)}, "OVERDUE", "Check was due 2031-04-01"),
        ({"last_check": None}, "NOT CHECKED", "Do not use"),
        ({"last_check": replace(CHECK, outcome="fail")}, "NOT PASSED", "Do not use"),
        (
            {"last_check": replace(CHECK, outcome="conditional fail")},
            "NOT PASSED",
            "Do not use",
        ),
        ({"status": "quarantined"}, "QUARANTINED", "Do not use"),
        ({"status": "retired", "due": None}, "RETIRED", "Do not use"),
    ],
)
def test_both_sizes_have_the_status_and_its_validity(
    changes: dict[str, Any], status: str, short: str
) -> None:
    label = labels.label_of(replace(STATE, **changes))
    assert label.lines[:3] == ("S-0075", "75 µm", status)
    assert short in label.lines
    assert label.short == ("S-0075", "75 µm", status, short)
    if "Do not use" in label.lines:
        assert not any(line.startswith("Next") for line in label.lines)


@pytest.mark.parametrize("size", labels.SIZES.values(), ids=labels.SIZES)
def test_words_stay_beside_the_code_and_on_the_label(size: Size) -> None:
    bad = replace(CHECK, outcome="conditional pass")
    state = replace(
        STATE, sieve=replace(SIEVE, id="W" * 40), last_check=bad, interval_uses=1_000_000
    )
    data = labels.png(labels.label_of(state), size)
    picture = np.asarray(Image.open(io.BytesIO(data)))
    dark = np.argwhere(picture < 128)
    dots = 12
    assert dark.min() > 0
    assert (np.array(picture.shape) - dark.max(axis=0) > 0.5 * dots).all()


def test_the_sheet_is_printed_without_its_own_words() -> None:
    sheet = labels.page([labels.label_of(STATE)] * 3, labels.SMALL)
    assert sheet.count("<svg") == 3
    assert "45 × 15 mm" in sheet
    assert "@media print { main { padding: 0; } h1, p { display: none; } }" in sheet
    assert "://" not in sheet.replace("http://www.w3.org/2000/svg", "")
