"""The bench page in a browser, as technicians use it."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from bench_lab import COLLEAGUE, SCAN, SCANS, TECHNICIAN, Lab
from page_watch import PageWatch
from present import present

SECOND = SCANS / "s0125-3.tif"


def result(page: Page) -> None:
    """Wait for the result; a refusal is a failure at once, with its words."""
    page.wait_for_selector("#viewer[data-ready], .trouble")
    assert page.locator(".trouble").all_inner_texts() == []


def measured(page: Page, served: str, sieve: str = "S-0075", scan: Path = SCAN) -> None:
    """Scan a label in, send a scan, wait for the result."""
    page.goto(served)
    page.keyboard.type(f"{sieve}\n")
    page.wait_for_url("**/sieve?id=*")
    page.set_input_files("#scans", scan)
    page.get_by_label("scanner-4800dpi").check()
    page.get_by_role("button", name="Measure").click()
    result(page)


def audited(page: Page) -> list[Any]:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe installed")
    result = axe.Axe().run(page)
    return [
        (violation["id"], violation["nodes"][0]["html"])
        for violation in result.response["violations"]
    ]


def test_by_keyboard_alone_from_label_to_ledger(
    new_page: Callable[..., Page], served: str, lab: Lab
) -> None:
    page = new_page()
    page.goto(served)
    page.keyboard.type("s-0075\n")  # as a hand scanner types
    page.wait_for_url("**/sieve?id=S-0075")
    page.set_input_files("#scans", SCAN)  # the system's own dialogue is not ours to test
    assert "s0075-4.png" in page.inner_text("#chosen")
    page.get_by_role("button", name="Measure").focus()
    page.keyboard.press("Enter")
    result(page)
    page.locator("canvas").focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_selector("#closeup .profile .fit")
    first = page.inner_text("#closeup h3")
    page.keyboard.press("ArrowDown")
    page.wait_for_function(
        "old => document.querySelector('#closeup h3').innerText !== old", arg=first
    )
    before, after = (re.findall(r"\d+", text) for text in (first, page.inner_text("#closeup h3")))
    assert int(after[0]) == int(before[0]) + 1
    assert after[1] == before[1]
    assert lab.checks() == ()
    page.get_by_label("Your name").focus()
    page.keyboard.type(f"{TECHNICIAN}\n")
    page.get_by_role("heading", name="Recorded as C-0001").wait_for()
    (made,) = lab.checks()
    assert (made.person, made.id) == (TECHNICIAN, "C-0001")


def test_a_click_in_the_scan_shows_that_aperture(
    new_page: Callable[..., Page], served: str, lab: Lab
) -> None:
    page = new_page()
    measured(page, served)
    (job,) = lab.jobs.waiting()
    field = job.measurement.pictures[0].field
    index = int(field.ok.nonzero()[0][100])
    page.wait_for_selector("#viewer[data-drawn]")
    zoom, middle_x, middle_y = map(
        float, present(page.get_attribute("#viewer", "data-drawn")).split()
    )
    box = present(page.locator("canvas").bounding_box())
    x, y = field.centre[index]
    page.locator("canvas").click(
        position={
            "x": box["width"] / 2 + (x + 0.5 - middle_x) * zoom,
            "y": box["height"] / 2 + (y + 0.5 - middle_y) * zoom,
        }
    )
    page.wait_for_selector("#closeup .profile .fit")
    wanted = f"row {field.row[index]}, column {field.column[index]}"
    assert wanted in page.inner_text("#closeup h3")
    page.get_by_role("button", name="Zoom in").click()
    page.wait_for_function(
        "z => parseFloat(document.getElementById('viewer').dataset.drawn) > z", arg=zoom
    )


def test_two_technicians_at_once(new_page: Callable[..., Page], served: str, lab: Lab) -> None:
    first, other = new_page(), new_page()
    for page, sieve, scan in ((first, "S-0075", SCAN), (other, "S-0125", SECOND)):
        page.goto(served)
        page.keyboard.type(f"{sieve}\n")
        page.wait_for_url("**/sieve?id=*")
        page.set_input_files("#scans", scan)
        page.get_by_role("button", name="Measure").click()
    for page, name in ((first, TECHNICIAN), (other, COLLEAGUE)):
        result(page)
        page.get_by_label("Your name").fill(name)
    for page in (other, first):
        page.get_by_role("button", name="Confirm and record").click()
        page.get_by_role("heading", name="Recorded as").wait_for()
    assert lab.checks("S-0075")[0].person == TECHNICIAN
    assert lab.checks("S-0125")[0].person == COLLEAGUE


def test_a_wrong_upload_is_refused_and_the_form_is_kept(
    new_page: Callable[..., Page], watch: PageWatch, served: str, tmp_path: Path
) -> None:
    words = tmp_path / "letter.png"
    words.write_text("no picture at all")
    page = new_page()
    page.goto(f"{served}/sieve?id=S-0075")
    page.get_by_role("button", name="Measure").click()
    page.get_by_text("No scan is chosen").wait_for()
    page.set_input_files("#scans", words)
    page.get_by_role("button", name="Measure").click()
    page.get_by_text("letter.png is not a PNG").wait_for()
    assert "Nothing was recorded" in page.inner_text("#note")
    assert page.get_by_label("scanner-4800dpi").is_checked()
    expected = "status of 422"  # the browser's own word on an answer that says no
    watch.complaints = [text for text in watch.complaints if expected not in text]


def test_the_watched_folder_refreshes_and_errors_stay(
    new_page: Callable[..., Page], served: str, lab: Lab
) -> None:
    """The folder list polls every 3 s inside the form: its events are not those of the form."""
    page = new_page()
    page.goto(f"{served}/sieve?id=S-0075")
    assert lab.desk.watch is not None
    scan = lab.desk.watch / "tray.png"
    scan.write_bytes(SCAN.read_bytes())
    page.get_by_text("tray.png").wait_for(timeout=10_000)
    assert page.inner_text("#note") == ""
    page.get_by_role("button", name="Measure").click()
    page.get_by_text("No scan is chosen").wait_for()
    scan.unlink()
    page.get_by_text("tray.png").wait_for(state="detached", timeout=10_000)
    assert "No scan is chosen" in page.inner_text("#note")


def test_dropped_scans_are_taken(new_page: Callable[..., Page], served: str) -> None:
    page = new_page()
    page.goto(f"{served}/sieve?id=S-0075")
    page.evaluate(
        """() => {
          const data = new DataTransfer();
          data.items.add(new File([new Uint8Array(9)], "dropped.png"));
          const at = document.getElementById("drop");
          at.dispatchEvent(new DragEvent("drop", { dataTransfer: data, bubbles: true }));
        }"""
    )
    assert "dropped.png" in page.inner_text("#chosen")
    assert page.evaluate("document.getElementById('scans').files.length") == 1


def test_pages_are_accessible_and_fit(new_page: Callable[..., Page], served: str) -> None:
    """Axe (rules of WCAG 2 and good practice) finds nothing; nothing runs off a small tablet."""
    page = new_page(800, 1000)
    for place in ("", "/sieve?id=S-0075"):
        page.goto(served + place)
        assert audited(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 800
    measured(page, served)
    page.locator("[data-aperture]").first.click()
    page.wait_for_selector("#closeup .profile")
    assert audited(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 800
    page.get_by_label("Your name").fill(TECHNICIAN)
    page.get_by_role("button", name="Confirm and record").click()
    page.get_by_role("heading", name="Recorded as C-0001").wait_for()
    assert audited(page) == []
