"""The page of a check by a recorded scale tells its chain; of any other, nothing."""

from __future__ import annotations

from dataclasses import replace

from report_sample import sample
from sieve_registry.report import render_check_report


def test_the_chain_stands_on_the_page_in_four_lines() -> None:
    links = tuple((f"link {n}", f"said <{n}>") for n in range(4))
    page = render_check_report(replace(sample(), chain=links))
    for n in range(4):
        assert f"<dt>link {n}</dt><dd>said &lt;{n}&gt;</dd>" in page
    assert "<dt>link" not in render_check_report(sample())


def test_directions_by_the_cloth_are_named() -> None:
    view = sample()
    images = [{**image, "turned_by_cloth": True} for image in view.measurement["images"]]
    page = render_check_report(replace(view, measurement={**view.measurement, "images": images}))
    assert "x and y are those of the cloth as it was first checked" in page
