"""Reports of checks truly measured: all of it from what is kept, and the same every time."""

from __future__ import annotations

import base64
import csv
import io
import re
import shutil
from datetime import date
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

import report_lab
from present import present
from sieve_registry.checks import queries as check_queries
from sieve_registry.errors import EvidenceAlteredError
from sieve_registry.quality import corrections as quality_corrections
from sieve_registry.report import (
    check_view,
    history_view,
    render_check_report,
    render_sieve_history,
)
from sieve_registry.report.view import CheckView, Enlarged
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry


@pytest.fixture(scope="module")
def torn(filled: Path) -> tuple[CheckView, str]:
    """The view of the check with torn apertures, and its page."""
    opened = report_lab.lab(filled, report_lab.LAST_DAY)
    view = check_view(opened, "C-0003")
    opened.close()
    return view, render_check_report(view)


def text_of(page: str) -> str:
    return " ".join(re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL).split())


def rows_of(registry: Registry, check_id: str) -> list[dict[str, str]]:
    (kept,) = [
        f for f in check_queries.get_check(registry, check_id).evidence if f.role == "apertures"
    ]
    return list(
        csv.DictReader(io.StringIO(check_queries.evidence_bytes(registry, kept.sha256).decode()))
    )


def test_the_same_bytes_on_another_day_from_a_copy_of_the_records(
    filled: Path, torn: tuple[CheckView, str], tmp_path: Path
) -> None:
    copy = tmp_path / "elsewhere"
    shutil.copytree(filled, copy)
    registry = report_lab.lab(copy, "2025-01-31")
    assert render_check_report(check_view(registry, "C-0003")) == torn[1]
    registry.close()


def test_the_history_is_the_same_for_the_same_day(filled: Path, tmp_path: Path) -> None:
    pages = []
    for day in (report_lab.LAST_DAY, "2025-01-31"):
        registry = report_lab.lab(filled, day)
        as_of = date.fromisoformat(report_lab.LAST_DAY)
        pages.append(render_sieve_history(history_view(registry, "S-0125", as_of)))
        registry.close()
    assert pages[0] == pages[1]


def test_torn_apertures_come_first_then_the_largest_of_the_table(
    registry: Registry, torn: tuple[CheckView, str]
) -> None:
    rows = rows_of(registry, "C-0003")
    ok = [r for r in rows if r["state"] == "ok"]
    largest = sorted((max(float(r[f"width_{d}_um"]) for d in "xy") for r in ok), reverse=True)
    shown = torn[0].enlarged
    assert [aperture.number for aperture in shown] == list(range(1, 11))
    states = [aperture.state for aperture in shown]
    assert states == ["torn"] * 5 + ["ok"] * 5
    assert sum(r["state"] == "torn" for r in rows) >= 5
    assert [aperture.width_um for aperture in shown[5:]] == largest[:5]


def grey_of(aperture: Enlarged) -> npt.NDArray[np.float64]:
    picture = Image.open(io.BytesIO(present(aperture.jpeg)))
    return np.asarray(picture.convert("L"), np.float64)


def test_an_enlarged_aperture_shows_light_within_dark_wires(torn: tuple[CheckView, str]) -> None:
    for aperture in torn[0].enlarged[5:]:
        grey = grey_of(aperture)
        assert max(grey.shape) == pytest.approx(220, abs=4)
        pitch = max(grey.shape) / 3  # 1.5 pitches on either side
        y, x = np.array(grey.shape) / 2
        if min(grey.shape) < 0.9 * max(grey.shape):
            continue  # cut by the border: its middle is not the picture's
        middle = grey[int(y - 8) : int(y + 8), int(x - 8) : int(x + 8)]
        crossing = [
            grey[int(y + b * pitch / 2) - 3 :, int(x + a * pitch / 2) - 3 :][:6, :6]
            for a in (-1, 1)
            for b in (-1, 1)
        ]
        assert middle.mean() > 200
        assert np.concatenate(crossing).mean() < 90


def test_the_outline_is_drawn_where_light_turns_dark(torn: tuple[CheckView, str]) -> None:
    aperture = torn[0].enlarged[6]
    grey = grey_of(aperture)
    row = grey[grey.shape[0] // 2 - 2 : grey.shape[0] // 2 + 3].mean(axis=0)
    half = len(row) // 2
    edge = half + int(np.argmin(row[half : half + 45]))  # black ink beside white and light
    assert row[edge] < 60
    assert row[edge - 8] > 150


def test_the_page_names_what_fails_though_every_value_passes(torn: tuple[CheckView, str]) -> None:
    text = text_of(torn[1])
    assert "torn apertures – 8 – – none ✗ fail" in text
    assert "torn: a wire is missing or broken" in text
    assert "8 torn (diamond)" in text
    uris = re.findall(r'src="data:image/jpeg;base64,([^"]+)" alt="Aperture', torn[1])
    assert [base64.b64decode(uri) for uri in uris] == [
        aperture.jpeg for aperture in torn[0].enlarged
    ]


def test_wear_is_seen_from_the_day_of_the_check(
    registry: Registry, torn: tuple[CheckView, str]
) -> None:
    assert "Wear as of 2023-05-06" in torn[1]
    second = render_check_report(check_view(registry, "C-0002"))
    assert "Wear as of 2022-05-04" in second
    assert "no trend yet, not enough: 2 checks of this cloth" in text_of(second)
    first = render_check_report(check_view(registry, "C-0001"))
    assert "Wear as of" not in first


def test_a_corrected_day_is_shown_in_both_readings(registry: Registry) -> None:
    text = text_of(render_check_report(check_view(registry, "C-0001")))
    assert "checked on 2021-05-01 by R. Example" in text
    assert "date 2021-05-02 date 2021-05-01 wrong day typed (Q. Lead, 2023-06-01" in text
    assert "This sieve was checked again since: C-0003" in text


def test_a_void_check_is_marked_first_and_a_decision_is_printed(
    filled: Path, tmp_path: Path
) -> None:
    from sieve_registry.quality import decisions

    copy = tmp_path / "lab"
    shutil.copytree(filled, copy)
    registry = report_lab.lab(copy, report_lab.LAST_DAY)
    decisions.decide(registry, "C-0003", "retire", "", RecordTerms(by="Q. Lead"))
    quality_corrections.correct(
        registry, "C-0002", {}, "wrong sieve on the glass", RecordTerms(by="Q. Lead"), void=True
    )
    void = text_of(render_check_report(check_view(registry, "C-0002")))
    assert void.index("This record is void") < void.index("Measured values")
    assert "wrong sieve on the glass (Q. Lead, 2023-06-01)" in void
    text = text_of(render_check_report(check_view(registry, "C-0003")))
    assert "Decided on 2023-06-01 by Q. Lead: retire." in text
    page = text_of(render_sieve_history(history_view(registry, "S-0125")))
    assert "check recorded, event 6 as recorded void wrong sieve" in page
    registry.close()


def test_traceability_has_four_lines_whatever_is_recorded(torn: tuple[CheckView, str]) -> None:
    assert [name for name, _ in torn[0].chain] == [
        "Certificate", "Artefact", "Scale of the device", "This check",
    ]  # fmt: skip
    text = text_of(torn[1])
    assert "not recorded in this registry; described as: glass grid" in text
    assert re.search(r"Measured with .*numpy \d", text)


def test_a_changed_scan_gives_no_report(filled: Path, tmp_path: Path) -> None:
    copy = tmp_path / "lab"
    shutil.copytree(filled, copy)
    for path in (copy / "registry.evidence").rglob("*.tif"):
        path.chmod(0o644)
        path.write_bytes(path.read_bytes()[:-1] + b"\0")
    registry = report_lab.lab(copy, report_lab.LAST_DAY)
    with pytest.raises(EvidenceAlteredError):
        check_view(registry, "C-0003")
    registry.close()


def test_the_history_shows_the_status_and_every_record(registry: Registry) -> None:
    text = text_of(render_sieve_history(history_view(registry, "S-0125")))
    assert "In service, but its last check was not passed C-0003 on 2023-05-06: fail." in text
    assert "What to do next: Proposed: take it out of use" in text
    for expected in ("check C-0001", "90 uses", "quartz", "Example Weavers", "270 uses"):
        assert expected in text
    assert "date 2021-05-02 date 2021-05-01" in text
    dates = [line.split()[0] for line in re.findall(r'<td class="tight">([^<]+)</td>', text)]
    assert dates == sorted(dates, reverse=True)


def test_the_history_writes_a_reference_check_as_far_as_its_figures_carry(
    filled: Path, tmp_path: Path
) -> None:
    from sieve_registry.quality import references
    from sieve_registry.quality.reference_rules import master

    copy = tmp_path / "lab"
    shutil.copytree(filled, copy)
    registry = report_lab.lab(copy, report_lab.LAST_DAY)
    pairs = [(9.0, 10.0), (8.7, 9.9), (9.5, 10.5)]  # E_n = −1.067 / √(0.2² + 0.15²)
    result = master(pairs, (0.2, 0.15))
    references.record(registry, "S-0125", result, "master EX-M5", RecordTerms(by="Q. Lead"))
    page = render_sieve_history(history_view(registry, "S-0125"))
    assert (
        "master EX-M5: unsatisfactory; difference −1.07 %, U 0.25 %, E_n = −4.27, 3 pairs" in page
    )
    registry.close()


def test_a_sieve_never_checked_shows_the_next_step(registry: Registry) -> None:
    page = render_sieve_history(history_view(registry, report_lab.ODD_NAME))
    text = text_of(page)
    assert "Never checked" in text
    assert "sieveward check '&lt;b&gt;7 &amp; 8' SCAN… --scale FILE" in text.replace("&#39;", "'")
    assert "<b>7" not in page
