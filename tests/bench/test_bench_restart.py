"""A bench that is killed and started again while its page is open in a browser."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from bench_lab import TECHNICIAN, Lab
from bench_process import BenchProcess, ready, start_process
from page_watch import PageWatch
from sieve_registry.audit import verification
from sieve_registry.sieves import queries as sieve_queries


@pytest.fixture
def bench(lab: Lab) -> Iterator[BenchProcess]:
    running = ready(start_process(str(lab.registry.path)))
    yield running
    running.kill()


@pytest.mark.long  # the program starts twice
def test_a_page_open_while_the_bench_is_killed_goes_on_and_loses_nothing(
    browser: Browser, lab: Lab, bench: BenchProcess
) -> None:
    watch = PageWatch(browser)
    page = watch.open((bench.home, "data:"))
    page.set_default_timeout(30_000)
    page.goto(bench.url)
    page.goto(f"{bench.home}/sieve?id=S-0075")

    def type_use(count: str) -> None:
        page.locator("#use-count").fill(count)
        page.locator("#use-name").fill(TECHNICIAN)

    page.locator("#use summary").first.click()
    type_use("40")
    page.get_by_role("button", name="Log uses").click()
    page.get_by_text("Recorded as event 3").wait_for()
    page.locator("#use summary").first.click()
    type_use("7")  # typed, not sent yet
    bench.kill()
    page.get_by_text("The bench does not answer").wait_for()
    page.get_by_role("button", name="Log uses").click()
    page.get_by_text("Nothing was recorded").wait_for()
    again = ready(start_process(str(lab.registry.path), bench.port))
    try:
        page.get_by_text("open the address that it printed").wait_for()
        page.context.new_page().goto(again.url)
        page.get_by_text("What you typed here can be sent").wait_for()
        assert page.locator("#use-count").input_value() == "7"
        page.get_by_role("button", name="Log uses").click()
        page.get_by_text("Recorded as event 4").wait_for()
    finally:
        again.kill()
    uses = sieve_queries.get_history(lab.registry, "S-0075").uses
    assert [(use.count, use.person) for use in uses] == [(40, TECHNICIAN), (7, TECHNICIAN)]
    assert verification.verify(lab.registry).ok
    # The browser's and htmx's own words on the lost bench and on the key of the new one.
    expected = ("net::ERR_", "status of 403", "htmx:sendError", "htmx:afterRequest")
    watch.complaints = [t for t in watch.complaints if not any(part in t for part in expected)]
    watch.close()
