"""The first day of a laboratory and an ordinary day after it, with accidents, in a browser."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from bench_lab import COLLEAGUE, SCANS, TECHNICIAN, Lab, serving
from page_watch import PageWatch
from shared_run import share_results
from sieve_inspect.scale.artefact import calibrate
from sieve_registry.sieves import queries as sieve_queries

PHONE, DESK = {"width": 390, "height": 800}, {"width": 1280, "height": 800}


def fill(page: Page, form: str, **fields: str) -> None:
    """Type into the fields of a form, and the technician's name."""
    for name, text in {**fields, "name": TECHNICIAN}.items():
        page.locator(f"#{form}-{name}").fill(text)


def no_axe_findings(page: Page) -> None:
    """Axe (WCAG 2 and good practice) finds nothing, and nothing runs off the screen."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe installed")
    found = axe.Axe().run(page).response["violations"]
    assert [(violation["id"], violation["nodes"][0]["html"]) for violation in found] == []
    width = page.evaluate("innerWidth")
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def first_day(page: Page, home: str, lab: Lab) -> None:
    """Device, artefact, scale and sieves, from an empty registry."""
    page.goto(home)
    page.get_by_text("0 of 7 steps done").wait_for()
    no_axe_findings(page)
    page.get_by_role("link", name="Add a device").click()
    fill(page, "device", id="FB-48", serial="EX-F3", setting="4800dpi", lamp="4")
    page.get_by_role("button", name="Add the device").click()
    page.get_by_text("Recorded as event 1").wait_for()
    certificate = {"certificate": "EX-1147", "laboratory": "Example Metrology"}
    days = {"valid_from": "2026-01-05", "valid_to": "2029-01-05"}
    fill(page, "artefact", id="G-7", pitch="400 um", u_pitch="0.04 um", **certificate, **days)
    page.get_by_role("button", name="Record the artefact").click()
    page.get_by_text("Recorded as event 2").wait_for()
    pictures = [SCANS / "g7-4800-1.jpg", SCANS / "g7-4800-2.jpg"]
    page.set_input_files("#calibrate-pictures", pictures)
    fill(page, "calibrate")
    page.get_by_role("button", name="Measure and record the scale").click()
    page.get_by_role("heading", name="Marks that were seen").wait_for()
    table = lab.folder / "sieves.csv"
    table.write_text("id;nominal;frame\nS-0075;75um;200mm\nS-0125;125um;200mm\n")
    page.goto(f"{home}/sieves/new")
    page.set_input_files("#table-table", table)
    fill(page, "table")
    page.get_by_role("button", name="Import").click()
    page.get_by_text("2 sieves imported").wait_for()
    assert [s.sieve.id for s in sieve_queries.states(lab.registry)] == ["S-0075", "S-0125"]


def batch(page: Page, home: str, lab: Lab) -> str:
    """A tray of scans named by sieve, among them a letter and another sieve's cloth."""
    scans = lab.folder / "tray"
    scans.mkdir()
    for name, scan in (("s0075-1.png", "s0075-4.png"), ("s0125-1.png", "s0075-1.png")):
        shutil.copyfile(SCANS / scan, scans / name)
    (scans / "s0075-2.png").write_text("a letter")
    (scans / "holiday.png").write_bytes((SCANS / "s0075-1.png").read_bytes())
    page.goto(home)
    page.get_by_text("Check many sieves at once").click()
    page.set_input_files("#scans", sorted(scans.iterdir()))
    page.get_by_label("FB-48").check()
    page.get_by_role("button", name="Measure all").click()
    page.wait_for_url("**/batch/*")
    place = page.url
    page.reload()  # by mistake, while it measures
    return place


def confirm_all(page: Page) -> None:
    page.get_by_label("no fault").check()
    page.get_by_label("Your name").fill(TECHNICIAN)
    page.get_by_role("button", name="Confirm and record").click()
    page.get_by_text("recorded as C-0001").wait_for()


def test_the_first_day_and_an_ordinary_day_with_accidents(
    browser: Browser, empty_lab: Lab, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    shared = share_results(calibrate.calibrate_pictures)
    monkeypatch.setattr(calibrate, "calibrate_pictures", shared)
    watch = PageWatch(browser)
    with serving(empty_lab) as home:

        def opened(size: dict[str, int]) -> Page:
            page = watch.open((home, "data:"), viewport=size)
            page.set_default_timeout(40_000)
            page.goto(f"{home}/?key={empty_lab.desk.key}")
            return page

        page = opened(DESK)
        first_day(page, home, empty_lab)
        place = batch(page, home, empty_lab)
        page.context.close()  # the browser is closed; the bench keeps what was measured
        page, colleague = opened(PHONE), opened(DESK)
        for one in (page, colleague):
            one.goto(place)
            one.locator("#confirm-all").wait_for()
        refused = page.locator(".trouble").inner_text()
        assert "holiday.png: its name begins with no sieve" in refused
        assert "s0075-2.png" in refused
        rows = page.locator("tbody").inner_text()
        assert "S-0125" in rows
        assert "-40 % from the nominal 125 µm" in rows  # the cloth of S-0075
        no_axe_findings(page)
        colleague.get_by_label("Your name").fill(COLLEAGUE)
        confirm_all(page)
        colleague.get_by_role("button", name="Confirm and record").click()  # a moment too late
        colleague.get_by_text("No measured check is ticked").wait_for()
        (check,) = empty_lab.checks()
        assert check.person == TECHNICIAN
        page.goto(home)
        page.get_by_role("button", name="Dismiss S-0125").click()
        page.get_by_text("No check is being measured").wait_for()
        no_axe_findings(page)
        page.goto(f"{home}/sieve?id=S-0075")
        page.locator("#use summary").first.click()
        fill(page, "use", count="4o")
        page.get_by_role("button", name="Log uses").click()
        page.get_by_text("is not a whole number").wait_for()
        page.locator("#use-count").fill("40")
        page.get_by_role("button", name="Log uses").click()
        page.get_by_role("link", name="Undo").click()
        fill(page, "void")
        page.get_by_role("button", name="Declare it void").click()
        page.wait_for_url("**/sieve?id=S-0075")
        assert sieve_queries.get_state(empty_lab.registry, "S-0075").uses_total == 0
        no_axe_findings(page)
        page.context.set_offline(True)  # the server stops
        page.evaluate("htmx.ajax('GET', '/folder', '#folder').catch(() => {})")
        page.get_by_text("The bench does not answer").wait_for()
        page.context.set_offline(False)
        page.get_by_role("link", name="Load this page again").click()
        page.get_by_role("heading", name="S-0075").wait_for()
    # The browser's and htmx's own words on a refusal and on the lost server.
    expected = ("status of 422", "ERR_INTERNET_DISCONNECTED", "htmx:sendError", "htmx:afterRequest")
    watch.complaints = [t for t in watch.complaints if not any(part in t for part in expected)]
    watch.close()
