"""The bench of a small laboratory, asked without a browser and with one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from httpx import Client
from playwright.sync_api import Browser, Page

from bench_lab import Lab, asking, close, new_lab, serving


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
def new_page(browser: Browser, served: str) -> Iterator[Callable[..., Page]]:
    """Opens pages that may ask nothing but the bench, and may not complain of anything."""
    contexts, complaints = [], []

    def open_page(width: int = 1280, height: int = 800) -> Page:
        context = browser.new_context(viewport={"width": width, "height": height})
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(60_000)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "console", lambda message: message.type == "error" and complaints.append(message.text)
        )
        page.on(
            "request",
            lambda request: (
                request.url.startswith((served, "data:", "blob:"))
                or complaints.append(f"requested {request.url}")
            ),
        )
        return page

    open_page.complaints = complaints
    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []
