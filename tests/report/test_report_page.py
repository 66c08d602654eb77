"""The check report: complete, escaped, self-contained, the same every time."""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest

from page_reader import read
from report_sample import HASHES, measurement, sample, summary
from sieve_inspect.standard import limits
from sieve_inspect.verdict import ClothState, judge
from sieve_registry.report import (
    Apertures,
    CheckView,
    ScanFile,
    SieveFacts,
    render_check_report,
)


@pytest.fixture(scope="module")
def view() -> CheckView:
    return sample()


@pytest.fixture(scope="module")
def page(view: CheckView) -> str:
    return render_check_report(view)


def test_the_verdict_comes_first_with_action_and_who_decides(view: CheckView, page: str) -> None:
    text = read(page).text
    first = text.index("Pass")
    for later in ("Measured values", "Uncertainty budget", "Cautions"):
        assert first < text.index(later)
    assert "Proposed action: keep." in text
    assert "a person decides" in text
    assert "ISO 3310-1:2016, grade compliance, rule guard-band" in text


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [
        ({}, "Pass"),
        ({"aperture_um": 78.3}, "Conditional fail"),
        ({"aperture_um": 84.0}, "Fail"),
        ({"fit": "indicative"}, "Conditional pass"),
        ({"aperture_um": 84.0, "rule": "simple"}, "Fail"),
    ],
)
def test_every_reason_stands_on_the_page(changes: dict[str, object], outcome: str) -> None:
    view = sample(**changes)  # type: ignore[arg-type]
    text = read(render_check_report(view)).text
    assert view.verdict is not None
    assert outcome.lower() == view.verdict["outcome"]
    assert outcome in text
    assert view.verdict["reasons"]
    for reason in view.verdict["reasons"]:
        assert reason[1:].replace(" um", " µm") in text
    action = view.verdict["action_reason"].removeprefix("Proposed: ")
    assert action[1:].replace(" um", " µm") in text
    assert f"Proposed action: {view.verdict['action']}." in text


def test_the_action_is_the_one_recorded_which_knows_the_history(view: CheckView) -> None:
    wiser = ("keep with a shorter interval", "Proposed: check it before 2031-09-01. You decide.")
    text = read(render_check_report(replace(view, action=wiser))).text
    assert "Proposed action: keep with a shorter interval. Check it before 2031-09-01." in text
    assert "Proposed action: keep." not in text


def test_numbers_are_rounded_by_their_uncertainty(view: CheckView, page: str) -> None:
    text = read(page).text
    for row in view.measurement["directions"].values():
        # U = 0.48 and 0.50: one decimal place
        assert f"{row['mean_um']:.1f} ± 0.5" in text
        assert f"{row['mean_um']:.3f}" not in text
    assert "71.3 to 78.7" in text
    assert "at most 101" in text


def test_a_value_just_past_its_limit_is_not_rounded_onto_it() -> None:
    view = sample()
    assert view.verdict is not None
    row = {
        "name": "mean",
        "direction": "x",
        "value_um": 78.7004,
        "U_um": 0.5,
        "limit_low_um": 71.3,
        "limit_high_um": 78.7,
        "outcome": "conditional fail",
    }
    text = read(render_check_report(replace(view, verdict={**view.verdict, "margins": [row]}))).text
    assert "78.7004 0.5" in text


def test_the_coverage_factor_that_was_judged_is_printed() -> None:
    """One U of a mean, with its own k: 2.4 um at k = 2.65, not 2u = 0.48 um."""
    view = sample()
    assert view.verdict is not None
    margin = {
        "name": "mean",
        "direction": "x",
        "value_um": 75.91,
        "U_um": 2.4,
        "k": 2.65,
        "dof": 6.0,
        "limit_low_um": 71.3,
        "limit_high_um": 78.7,
        "outcome": "pass",
    }
    text = read(
        render_check_report(replace(view, verdict={**view.verdict, "margins": [margin]}))
    ).text
    assert "mean x 75.9 2.4 2.65 71.3 to 78.7" in text
    mean = view.measurement["directions"]["x"]["mean_um"]
    assert f"mean, µm {mean:.1f} ± 2.4" in text
    assert "U = 2.4 µm (k = 2.65, degrees of freedom 6)" in text
    old = {name: value for name, value in margin.items() if name not in ("k", "dof")}
    text = read(render_check_report(replace(view, verdict={**view.verdict, "margins": [old]}))).text
    assert "mean x 75.9 2.4 71.3 to 78.7" in text
    assert "(k = 2, about 95 %)" in text


def test_proof_stands_on_the_page(view: CheckView, page: str) -> None:
    text = read(page).text
    for needed in (
        *HASHES,
        "c4" * 32,
        "9e" * 32,
        "212 events",
        "sieveward 0.1.0",
        "sieveward.measurement/1",
        "tray-1.png",
        "tray-2.png",
        "900 × 700",
        "dot target D-17",
        "W 20 31907",
        "200 mm",
        "R. Example",
        "5.2874 µm/px, relative standard uncertainty 0.12 %",
    ):
        assert needed in text


def test_cautions_are_given(page: str) -> None:
    text = read(page).text
    for needed in (
        "loud",
        "dust",
        "Broken wire",
        "solvents",
        "safety of a product",
        "local rules come first",
        "accredited laboratory",
        "current edition of the standard on paper",
    ):
        assert needed in text


def test_the_page_stands_alone(page: str) -> None:
    reader = read(page)
    assert not {"script", "link", "iframe", "object", "embed", "base", "form"} & set(reader.tags)
    assert "://" not in page
    for name in ("src", "href", "xlink:href", "action", "data", "srcset", "poster"):
        for value in reader.values(name):
            assert value.startswith(("data:image/", "#"))
    assert not [n for _, n, _ in reader.attributes if n.startswith("on")]
    style = page[page.index("<style>") : page.index("</style>")]
    assert "@import" not in style
    assert "url(" not in style
    assert "default-src 'none'" in page


def test_ids_are_unique_and_references_lead_somewhere(page: str) -> None:
    reader = read(page)
    counted = Counter(reader.values("id"))
    assert [i for i, count in counted.items() if count > 1] == []
    references = [v[1:] for v in reader.values("xlink:href")] + reader.values("aria-labelledby")
    references += re.findall(r"url\(#([^)]+)\)", page)
    assert references
    assert set(references) <= set(counted)


def test_the_page_can_be_read_by_a_screen_reader(page: str) -> None:
    reader = read(page)
    assert ("html", "lang", "en") in reader.attributes
    assert reader.tags["main"] == reader.tags["h1"] == reader.tags["title"] - reader.tags["svg"]
    steps = [b - a for a, b in zip(reader.levels, reader.levels[1:], strict=False)]
    assert max(steps) == 1
    assert reader.tags["svg"] == 4
    labels = [v for t, n, v in reader.attributes if t == "svg" and n == "aria-label"]
    assert len(labels) == 4
    assert all(label and len(label) > 60 for label in labels)
    assert reader.tags["img"] == sum(1 for t, n, _ in reader.attributes if (t, n) == ("img", "alt"))
    scopes = sum(1 for t, n, _ in reader.attributes if (t, n) == ("th", "scope"))
    assert scopes == reader.tags["th"]


def _luminance(colour: str) -> float:
    full = "".join(c * 2 for c in colour) if len(colour) == 3 else colour
    levels = [int(full[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in levels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_text_has_the_contrast_of_level_aa() -> None:
    # WCAG 2.1, 1.4.3: (L1 + 0.05) / (L2 + 0.05) ≥ 4.5 on white
    package = files("sieve_registry.report")
    folders = [*(package / "templates").iterdir(), *(package / "static").iterdir()]
    css = "\n".join(f.read_text("utf-8") for f in folders if f.name.endswith(".css"))
    values = dict(re.findall(r"--([a-z]+): #([0-9a-f]{3,6});", css))
    literal = re.findall(r"[{; ]color: #([0-9a-f]{3,6})", css)
    named = [values[name] for name in re.findall(r"[{; ]color: var\(--([a-z]+)\)", css)]
    assert literal
    assert named
    for colour in (*literal, *named):
        assert 1.05 / (_luminance(colour) + 0.05) >= 4.5, colour


def test_charts_are_drawn_without_colour(page: str) -> None:
    charts = "".join(re.findall(r"<svg.*?</svg>", page, re.DOTALL))
    for colour in set(re.findall(r"#([0-9a-f]{6})\b", charts)):
        assert colour[:2] == colour[2:4] == colour[4:]
    for words in ("nominal 75", "mean at least 71.3", "mean at most 78.7", "largest at most 101"):
        assert charts.count(f">{words}<") == 2


def test_the_same_check_gives_the_same_bytes(view: CheckView, page: str) -> None:
    assert render_check_report(view) == page
    assert not re.search(r"20[0-9]{2}-[0-9]{2}-[0-9]{2}T", page.replace(view.recorded_at, ""))


HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=y>&amp;{{7*7}}{% raw %}"


def test_hostile_names_stay_text() -> None:
    view = sample()
    assert view.verdict is not None
    directions = view.measurement["directions"]
    hostile = replace(
        view,
        sieve=SieveFacts(
            id=HOSTILE,
            nominal_um=75.0,
            standard=HOSTILE,
            grade=HOSTILE,
            serial=HOSTILE,
            maker=HOSTILE,
            in_service=HOSTILE,
            location=HOSTILE,
            status=HOSTILE,
        ),
        check_id=HOSTILE,
        on_date=HOSTILE,
        operator=HOSTILE,
        software=HOSTILE,
        measurement={
            **view.measurement,
            "schema": HOSTILE,
            "scale": {"source": HOSTILE, "um_per_px_x": HOSTILE},
            "imaging": {"fit": HOSTILE, "reasons": [HOSTILE]},
            "budget": [{"name": HOSTILE, "value_um": HOSTILE, "dof": HOSTILE}],
            "apertures": dict.fromkeys(("measured", "blocked", "torn", "excluded"), HOSTILE),
            "directions": {d: {**v, "count": HOSTILE} for d, v in directions.items()},
        },
        limits={**(view.limits or {}), "source": [HOSTILE], "designation": HOSTILE},
        verdict={
            **view.verdict,
            "reasons": [HOSTILE],
            "action": HOSTILE,
            "action_reason": HOSTILE,
            "standard": HOSTILE,
            "grade": HOSTILE,
            "margins": [
                {**m, "name": HOSTILE, "direction": HOSTILE} for m in view.verdict["margins"]
            ],
        },
        overlays=(replace(view.overlays[0], name=HOSTILE),),
        scans=(ScanFile(HOSTILE, HOSTILE),),
        ledger_head=HOSTILE,
        event_hash=HOSTILE,
        recorded_at=HOSTILE,
        notes=(HOSTILE,),
    )
    page = render_check_report(hostile)
    reader = read(page)
    assert reader.tags["script"] == 0
    assert reader.tags["img"] == 1
    assert not [n for _, n, _ in reader.attributes if n.startswith("on")]
    assert reader.text.count(HOSTILE) > 20
    style = page[page.index("<style>") : page.index("</style>")]
    assert style.count("{") == style.count("}")
    assert "alert(1)" not in style


def test_outcome_words_from_outside_cannot_choose_a_class() -> None:
    view = sample()
    page = render_check_report(replace(view, verdict={**(view.verdict or {}), "outcome": HOSTILE}))
    assert read(page).tags["script"] == 0
    assert 'class="verdict not"' in page


def test_hidden_characters_become_visible() -> None:
    view = replace(sample(), operator="A\u202eB\x00C\x1bD\u2066E")
    text = read(render_check_report(view)).text
    assert "A\ufffdB\ufffdC\ufffdD\ufffdE" in text


def test_dollar_signs_in_names_are_no_formulas() -> None:
    # matplotlib reads $…$ as mathematics
    view = sample()
    margins = [{**m, "name": "mean $\\frac$ _x_"} for m in (view.verdict or {})["margins"][:1]]
    page = render_check_report(replace(view, verdict={**(view.verdict or {}), "margins": margins}))
    assert "mean $\\frac$ _x_ in x" in read(page).text


def test_nothing_known_still_gives_a_page() -> None:
    empty = CheckView(SieveFacts("S", 75.0), "C-1", "2031-01-01", "", "", {})
    text = read(render_check_report(empty)).text
    assert "Not judged" in text
    assert "No limits were applied" in text
    assert "No overlay is recorded" in text
    assert "No budget is recorded" in text
    assert "No scan is recorded" in text
    assert "None" not in text
    assert "nan" not in text.lower().split()


def test_a_refused_picture_is_not_judged() -> None:
    view = sample()
    imaging = {"fit": "refused", "reasons": ["only 3.1 px per aperture"]}
    refused = replace(
        view, verdict=None, limits=None, measurement={**view.measurement, "imaging": imaging}
    )
    text = read(render_check_report(refused)).text
    assert "too low for a measurement" in text
    assert "Only 3.1 px per aperture" in text
    assert "Proposed action" not in text


def test_one_direction_without_apertures() -> None:
    view = sample()
    assert view.apertures is not None
    none = summary(np.array([75.0, 75.2]), 0.2)
    y = replace(none, count=0, mean_um=math.nan, sd_um=math.nan, max_um=math.nan)
    x = summary(view.apertures.widths("x"), 0.24)
    verdict = judge(x, y, limits(75.0, "iso3310-1:2016"), fit="ok")
    lost = replace(view.apertures, width_y_um=np.full(len(view.apertures.state), np.nan))
    page = render_check_report(
        replace(view, verdict=verdict.to_dict(), measurement=measurement(x, y), apertures=lost)
    )
    text = read(page).text
    assert text.count("not judged") >= 3
    assert "No single widths in y are recorded" in text
    assert "nan" not in text.lower().split()


def test_limits_on_a_share_instead_of_a_standard_deviation() -> None:
    view = sample()
    assert view.apertures is not None
    factor = 2000 / 75
    wide = replace(
        view.apertures,
        width_x_um=view.apertures.width_x_um * factor,
        width_y_um=view.apertures.width_y_um * factor,
    )
    x, y = summary(wide.widths("x"), 2.4), summary(wide.widths("y"), 2.5)
    bounds = limits(2000.0, "iso3310-1:1990")
    verdict = judge(x, y, bounds, fit="ok", cloth=ClothState(share_above_z=(0.021, math.nan)))
    page = render_check_report(
        replace(
            view,
            sieve=replace(view.sieve, nominal_um=2000.0),
            limits=bounds.to_dict(),
            verdict=verdict.to_dict(),
            apertures=wide,
            measurement=measurement(x, y),
        )
    )
    text = read(page).text
    assert "share above 2.15 mm x 2.1 % – – at most 6 %" in text
    assert "share above 2.15 mm y – – – at most 6 % ? not judged" in text
    assert "1.93 to 2.07" in text  # Ph. Eur. 2.1.4: 2 mm, Y 70 um
    assert "at most 2.23" in text  # X 230 um


def test_a_share_just_past_its_limit_is_not_rounded_onto_it() -> None:
    view = sample()
    shares = [{"direction": "x", "percent": 6.04, "limit_percent": 6.0, "outcome": "fail"}]
    bounds = limits(2000.0, "iso3310-1:1990").to_dict()
    verdict = {**(view.verdict or {}), "shares": shares}
    text = read(render_check_report(replace(view, verdict=verdict, limits=bounds))).text
    assert "6.04 % – – at most 6 % ✗ fail" in text


def test_too_few_apertures_for_the_limit_are_named() -> None:
    view = sample()
    few = {**(view.limits or {}), "n": 2000}
    text = read(render_check_report(replace(view, limits=few))).text
    assert "Fewer apertures than the limit on the standard deviation requires" in text
    count = view.measurement["directions"]["x"]["count"]
    assert f"{count} measured, 2000 required" in text


def test_one_aperture_all_the_same_width() -> None:
    single = Apertures(np.array([75.0]), np.array([75.0]), np.array(["ok"]))
    page = render_check_report(replace(sample(), apertures=single, limits=None))
    assert read(page).tags["svg"] == 3  # no map: the table says nothing of places
