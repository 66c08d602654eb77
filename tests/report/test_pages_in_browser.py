"""Reports, audit index and labels in a browser: rules of accessibility, narrow screens, keys."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

import report_lab
from page_watch import PageWatch
from report_sample import sample
from sieve_registry.audit import queries as audits
from sieve_registry.report import (
    audit_page,
    check_view,
    history_view,
    labels,
    render_check_report,
    render_sieve_history,
)
from sieve_registry.sieves import queries as sieve_queries


@pytest.fixture(scope="module")
def pages(filled: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every kind of page as a file."""
    folder = tmp_path_factory.mktemp("pages")
    registry = report_lab.lab(filled, report_lab.LAST_DAY)
    result = audits.audit(registry, registry.today())
    made = {
        "check": render_check_report(check_view(registry, "C-0003")),
        "conditional": render_check_report(sample(fit="indicative")),
        "history": render_sieve_history(history_view(registry, "S-0125")),
        "unchecked": render_sieve_history(history_view(registry, report_lab.ODD_NAME)),
        "audit": audit_page.page(result),
        "labels": labels.page([labels.label_of(state) for state in sieve_queries.states(registry)]),
    }
    registry.close()
    paths = {}
    for name, page in made.items():
        paths[name] = folder / f"{name}.html"
        paths[name].write_text(page, "utf-8")
    return paths


@pytest.fixture
def shown(browser: Browser, pages: dict[str, Path]) -> Iterator[Callable[..., Page]]:
    """Opens a page that may ask for nothing and complain of nothing."""
    watch = PageWatch(browser)

    def show(name: str, width: int = 1280, **options: Any) -> Page:
        home = pages[name].as_uri()
        page = watch.open((home, "data:"), viewport={"width": width, "height": 900}, **options)
        page.goto(home)
        return page

    yield show
    watch.close()


@pytest.mark.parametrize(
    "name", ["check", "conditional", "history", "unchecked", "audit", "labels"]
)
def test_no_rule_of_axe_is_broken(shown: Callable[..., Page], name: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe installed")
    result = axe.Axe().run(shown(name))
    broken = [
        (rule["id"], rule["nodes"][0]["html"][:200]) for rule in result.response["violations"]
    ]
    assert broken == []
    ran = {rule["id"] for rule in result.response["passes"]}
    assert "color-contrast" in ran


@pytest.mark.parametrize("name", ["check", "history", "unchecked", "audit", "labels"])
def test_a_narrow_screen_scrolls_one_way_only(shown: Callable[..., Page], name: str) -> None:
    page = shown(name, width=380)
    assert page.evaluate("document.documentElement.scrollWidth") <= 380


def rows(page: Page) -> int:
    return page.locator("tbody tr:visible").count()


def test_the_filter_narrows_by_words_days_and_lateness(shown: Callable[..., Page]) -> None:
    page = shown("audit")
    every = rows(page)
    page.get_by_label("Filter").fill("c-0003 torn")
    assert rows(page) == 0
    assert "0 of" in page.get_by_role("status").inner_text()
    page.get_by_label("Filter").fill("C-0003 fail")
    left = page.locator("table[data-name=checks] tbody tr:visible")
    assert left.all_inner_texts()[0].split()[0] == "C-0003"
    assert page.get_by_role("heading", name="Uses").count() == 0  # nothing of it is there
    page.get_by_role("button", name="Show all").click()
    page.wait_for_function(
        "n => [...document.querySelectorAll('tbody tr')].filter(r => !r.hidden).length === n",
        arg=every,
    )
    page.get_by_label("From").fill("2022-01-01")
    page.get_by_label("Until").fill("2022-12-31")
    dated = page.locator("table[data-name=checks] tbody tr:visible").all_inner_texts()
    assert [text.split()[0] for text in dated] == ["C-0002"]


def test_every_row_is_there_without_scripts(shown: Callable[..., Page], browser: Browser) -> None:
    with_script = rows(shown("audit"))
    page = shown("audit", java_script_enabled=False)
    assert rows(page) == with_script
    assert not page.get_by_label("Filter").is_visible()


def test_filters_and_links_are_reached_by_keyboard(shown: Callable[..., Page]) -> None:
    page = shown("audit")
    reached = []
    for _ in range(40):
        page.keyboard.press("Tab")
        here = page.evaluate("document.activeElement.id || document.activeElement.textContent")
        reached.append(here)
        if here == "words":
            break
    assert reached[0] == "By clause of ISO/IEC 17025:2017"
    assert reached[1] == "Sieves"
    page.keyboard.type("quartz")
    uses = page.locator("table[data-name=uses] tbody tr:visible")
    assert uses.count() == 3
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline != "none"
