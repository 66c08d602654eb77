"""The laboratory of `report_lab`, filled once, and a browser where there is one."""

from __future__ import annotations

import shutil

import pytest
import report_lab

BROWSER = shutil.which("chromium") or "/usr/bin/chromium"


@pytest.fixture(scope="session")
def filled(tmp_path_factory):
    """The folder of the laboratory; nothing may be changed in it."""
    folder = tmp_path_factory.mktemp("lab")
    report_lab.fill(folder)
    return folder


@pytest.fixture
def registry(filled):
    opened = report_lab.lab(filled, report_lab.LAST_DAY)
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def browser():
    sync_api = pytest.importorskip("playwright.sync_api", reason="no playwright is installed")
    if shutil.which(BROWSER) is None:
        pytest.skip(f"no browser: there is no chromium on the path and no {BROWSER}")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield started
        started.close()
