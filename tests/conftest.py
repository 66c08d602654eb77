"""One browser for all pages, and NumPy on one thread: its own get in the way on small matrices."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

BROWSER = shutil.which("chromium") or "/usr/bin/chromium"


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One for all tests of a process: Playwright does not start twice."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="no playwright is installed")
    if shutil.which(BROWSER) is None:
        pytest.skip(f"no browser: there is no chromium on the path and no {BROWSER}")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield started
        started.close()
