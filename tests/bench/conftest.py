"""The bench of a small laboratory, asked without a browser and with one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from httpx import Client
from playwright.sync_api import Browser, Page

from bench_lab import Lab, asking, close, new_lab, serving
from page_watch import PageWatch
from shared_run import share_pictures


@pytest.fixture(autouse=True)
def measured_once(monkeypatch: pytest.MonkeyPatch, shared: Path) -> None:
    """The bench shows and records what was measured; how scans are measured is tested elsewhere."""
    share_pictures(monkeypatch, shared)


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Lab]:
    made = new_lab(tmp_path)
    yield made
    close(made)


@pytest.fixture
def empty_lab(tmp_path: Path) -> Iterator[Lab]:
    made = new_lab(tmp_path, sieves=False)
    yield made
    close(made)


@pytest.fixture
def served(lab: Lab) -> Iterator[str]:
    """The bench on a port of its own; its address."""
    with serving(lab) as home:
        yield home


@pytest.fixture
def client(lab: Lab, served: str) -> Iterator[Client]:
    with asking(lab) as made:
        yield made


@pytest.fixture
def watch(browser: Browser, served: str) -> Iterator[PageWatch]:
    """What pages complained of; nothing may be left of it when they close, before the server."""
    watching = PageWatch(browser)
    yield watching
    watching.close()


@pytest.fixture
def new_page(watch: PageWatch, served: str, lab: Lab) -> Callable[..., Page]:
    """Opens pages that may ask nothing but the bench."""

    def open_page(width: int = 1280, height: int = 800) -> Page:
        page = watch.open((served, "data:", "blob:"), viewport={"width": width, "height": height})
        for name, value in lab.cookies.items():
            page.context.add_cookies([{"name": name, "value": value, "url": served}])
        page.set_default_timeout(60_000)
        return page

    return open_page
