"""What `measure` promises programs: the JSON, the table, the overlay, the verdict."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from present import present
from sieve_inspect.measurement.model import Measurement
from sieve_inspect.measurement.options import Judging
from sieve_inspect.measurement.pipeline import measure
from sieve_inspect.scale import Scale, scale_from_text
from sieve_inspect.synthetic import Cloth, Ring, Sensor, render, save
from sieve_inspect.synthetic.truth import Truth

NOMINAL = 150.0


@pytest.fixture(scope="module")
def results(cloths: dict[str, tuple[Path, Truth]]) -> dict[str, Measurement]:
    scale = scale_from_text("10")
    return {
        name: measure([path], nominal_um=NOMINAL, scale=scale, judging=Judging("iso3310-1:2016"))
        for name, (path, _) in cloths.items()
    }


def test_the_keys_of_the_json(results: dict[str, Measurement]) -> None:
    data = json.loads(json.dumps(results["clean"].to_dict(), allow_nan=False))
    assert data["schema"] == "sieveward.measurement/1"
    assert data["nominal_um"] == NOMINAL
    assert isinstance(data["angle_deg"], float)
    assert set(data["images"][0]) >= {"file", "sha256", "width_px", "height_px", "encoding"}
    assert set(data["scale"]) >= {
        "um_per_px_x",
        "um_per_px_y",
        "u_rel_x",
        "u_rel_y",
        "edge_bias_px",
        "source",
    }
    for direction in ("x", "y"):
        assert set(data["directions"][direction]) >= {
            "count",
            "mean_um",
            "sd_um",
            "min_um",
            "max_um",
            "median_um",
            "u_mean_um",
            "u_sd_um",
            "u_max_um",
            "wire_mean_um",
            "wire_count",
            "pitch_um",
            "odd_even_um",
        }
    assert set(data["apertures"]) >= {"measured", "blocked", "torn", "excluded", "blocked_share"}
    assert set(data["imaging"]) >= {
        "blur_px",
        "noise_percent",
        "contrast",
        "aperture_px",
        "fit",
        "reasons",
    }
    assert data["imaging"]["fit"] in ("ok", "indicative", "refused")
    for line in data["budget"]:
        assert set(line) >= {"name", "value_um", "dof"}
        assert line["value_um"] >= 0
    assert set(data["verdict"]) >= {"standard", "grade", "rule", "outcome", "reasons"}


def test_without_a_standard_there_is_no_verdict(cloths: dict[str, tuple[Path, Truth]]) -> None:
    result = measure([cloths["clean"][0]], nominal_um=NOMINAL, scale=scale_from_text("10"))
    assert "verdict" not in result.to_dict()


def test_the_numbers_are_those_of_the_drawing(
    results: dict[str, Measurement], cloths: dict[str, tuple[Path, Truth]]
) -> None:
    data, truth = results["clean"].to_dict(), cloths["clean"][1]
    with Image.open(cloths["clean"][0]) as picture:
        width, height = picture.size
    assert (data["images"][0]["width_px"], data["images"][0]["height_px"]) == (width, height)
    assert data["angle_deg"] == pytest.approx(truth.angle_deg, abs=0.1)
    for name, true in (("x", truth.width_x_px), ("y", truth.width_y_px)):
        figures = data["directions"][name]
        assert figures["count"] == data["apertures"]["measured"]
        assert figures["mean_um"] == pytest.approx(10 * true[truth.sound].mean(), abs=0.2)
        assert figures["sd_um"] == pytest.approx(10 * true[truth.sound].std(ddof=1), rel=0.05)
        assert figures["min_um"] <= figures["median_um"] <= figures["max_um"]
        assert figures["wire_mean_um"] + figures["mean_um"] == pytest.approx(
            figures["pitch_um"], abs=0.5
        )
    imaging = data["imaging"]
    assert imaging["aperture_px"] == pytest.approx(15, abs=0.2)
    # Gaussian 1 px and the pixel's own width, 1/12 px² (a square's variance)
    assert imaging["blur_px"] == pytest.approx(np.sqrt(1 + 1 / 12), abs=0.03)
    # noise 0.5 % of full scale under a contrast of 0.75, and the steps of 8 bits
    assert imaging["noise_percent"] == pytest.approx(100 * 0.005 / 0.75, rel=0.15)


def test_the_budget_adds_up(results: dict[str, Measurement]) -> None:
    """Independent contributions add in quadrature (JCGM 100, 5.1.2)."""
    data = results["clean"].to_dict()
    for name in ("x", "y"):
        lines = [b for b in data["budget"] if b["direction"] == name]
        figures = data["directions"][name]
        u = np.sqrt(sum(b["value_um"] ** 2 for b in lines if b["of"] == "mean"))
        assert figures["u_mean_um"] == pytest.approx(u, rel=1e-6)
        assert figures["U_mean_um"] == pytest.approx(figures["k_mean"] * u, rel=1e-6)
        (noise,) = (b for b in lines if b["name"] == "noise on the maximum")
        assert 0 < noise["value_um"] <= figures["u_max_um"]


def test_a_cloth_seen_to_its_frame_all_round_is_no_sample(tmp_path: Path) -> None:
    """All of a small sieve in one scan; but not so where a border cuts it, nor under a lens."""
    ring = Ring(150, 25, level=0.02)
    cloth = Cloth(15.0, 10.0, sd_px=0.25, rotation_deg=3, seed=55, ring=ring)
    drawn = render(cloth, sensor=Sensor(noise=0.005, seed=55), shape=(380, 400))
    save(drawn, tmp_path / "whole.png")
    Image.fromarray(drawn.image[:, 100:]).save(tmp_path / "cut.png")

    def measured(name: str, um_per_px: float) -> Measurement:
        scale = Scale(um_per_px, um_per_px, 0.0, 0.0)
        return measure([tmp_path / name], nominal_um=15.0 * um_per_px, scale=scale)

    complete = measured("whole.png", 150.0)  # 45 mm of cloth
    number = int(drawn.truth.complete.sum())
    for direction in complete.directions:
        # A frame that only cuts a corner is missed: the count is too large rather than too small.
        population = present(direction.population)
        assert number <= population <= 1.2 * number
        assert direction.count >= 0.85 * population
    lens = measured("whole.png", 10.0)  # 3 mm: a field stop
    for open_ended in (measured("cut.png", 150.0), lens):
        assert [d.population for d in open_ended.directions] == [None, None]
    sampling, without = (
        {c.direction: c.value_um for c in m.budget if c.name == "sampling"}
        for m in (complete, lens)
    )
    for name in "xy":
        assert sampling[name] < 0.4 * 15 * without[name]


def test_a_scale_apart_in_x_and_y(cloths: dict[str, tuple[Path, Truth]]) -> None:
    """What is in doubt about the scale comes out in the widths, x and y by themselves."""
    scale = Scale(10.0, 10.3, 0.0, 0.002, source="made up")
    figures = measure([cloths["clean"][0]], nominal_um=NOMINAL, scale=scale)
    plain = measure([cloths["clean"][0]], nominal_um=NOMINAL, scale=Scale(10.0, 10.0, 0.0, 0.0))
    x, y = (
        d.mean_um / p.mean_um for d, p in zip(figures.directions, plain.directions, strict=True)
    )
    # Turned by 3 degrees a little of each scale comes into both directions: sin² 3° = 0.0027.
    assert x == pytest.approx(1.0, abs=3e-4)
    assert y == pytest.approx(1.03, abs=3e-4)
    lines = {(b.name, b.direction): b.value_um for b in figures.budget}
    assert lines["scale", "x"] == 0
    assert lines["scale", "y"] == pytest.approx(0.002 * figures.directions[1].mean_um, rel=1e-6)


def test_the_edge_bias_of_the_scale_comes_off_twice(cloths: dict[str, tuple[Path, Truth]]) -> None:
    path = cloths["clean"][0]
    plain = measure([path], nominal_um=NOMINAL, scale=Scale(10.0, 10.0, 0.0, 0.0))
    biased = measure([path], nominal_um=NOMINAL, scale=Scale(10.0, 10.0, 0.0, 0.0, 0.05))
    for p, b in zip(plain.directions, biased.directions, strict=True):
        assert p.mean_um - b.mean_um == pytest.approx(2 * 0.05 * 10, abs=1e-6)
        assert b.wire_mean_um - p.wire_mean_um == pytest.approx(2 * 0.05 * 10, abs=1e-6)
        assert b.pitch_um == pytest.approx(p.pitch_um, abs=1e-9)


def test_the_table_of_apertures(results: dict[str, Measurement]) -> None:
    text = results["dirty"].apertures_csv()
    assert text.splitlines()[0] == "image,row,col,x_px,y_px,width_x_um,width_y_um,state,flags"
    rows = list(csv.DictReader(io.StringIO(text)))
    assert {r["state"] for r in rows} <= {"ok", "blocked", "torn", "partial", "unclear"}
    count = results["dirty"].to_dict()["apertures"]
    states = [r["state"] for r in rows]
    assert states.count("ok") == count["measured"]
    assert states.count("blocked") == count["blocked"]
    assert states.count("torn") == count["torn"]
    assert states.count("partial") + states.count("unclear") == count["excluded"]
    assert all(r["width_x_um"] and r["width_y_um"] for r in rows if r["state"] == "ok")
    # no number without a flag that says why
    assert all(r["flags"] for r in rows if not (r["width_x_um"] and r["width_y_um"]))
    assert len({(r["row"], r["col"]) for r in rows}) == len(rows)
    widths = [float(r["width_x_um"]) for r in rows if r["state"] == "ok"]
    assert np.mean(widths) == pytest.approx(results["dirty"].directions[0].mean_um, abs=1e-3)


def test_several_pictures_are_one_cloth(cloths: dict[str, tuple[Path, Truth]]) -> None:
    paths = [cloths["clean"][0], cloths["dirty"][0]]
    both = measure(paths, nominal_um=NOMINAL, scale=scale_from_text("10"))
    single = [measure([p], nominal_um=NOMINAL, scale=scale_from_text("10")) for p in paths]
    count = [s.directions[0].count for s in single]
    assert both.directions[0].count == sum(count)
    mean = np.average([s.directions[0].mean_um for s in single], weights=count)
    assert both.directions[0].mean_um == pytest.approx(mean, rel=1e-9)
    rows = list(csv.DictReader(io.StringIO(both.apertures_csv())))
    assert {r["image"] for r in rows} == {"1", "2"}


def test_the_overlay_is_a_picture_with_a_legend(results: dict[str, Measurement]) -> None:
    result = results["torn"]
    picture = Image.open(io.BytesIO(result.overlay_png(0)))
    assert picture.format == "PNG"
    assert picture.mode == "RGB"
    height, width = result.pictures[0].scan.shape
    factor = picture.size[0] / width
    legend = picture.size[1] - factor * height
    assert legend >= 30
    strip = np.asarray(picture)[-int(legend) :]
    assert (strip == 255).all(axis=2).mean() > 0.5  # white,
    assert (strip < 60).all(axis=2).sum() > 200  # with black words on it
    colours = {tuple(c) for c in strip.reshape(-1, 3)}
    assert len(colours) > 3


def test_marks_differ_without_their_colours(results: dict[str, Measurement]) -> None:
    """In grey print a torn opening must not look like a sound one: shapes differ as well."""
    marked = np.asarray(Image.open(io.BytesIO(results["dirty"].overlay_png(0))).convert("L"), float)
    field = results["dirty"].pictures[0].field
    factor = marked.shape[1] / results["dirty"].pictures[0].scan.shape[1]
    darkest = {}
    for state in ("ok", "blocked"):
        places = ((field.centre[field.state == state] + 0.5) * factor - 0.5).round().astype(int)
        centre = [marked[y - 1 : y + 2, x - 1 : x + 2].min() for x, y in places[:40]]
        around = [marked[y - 4 : y + 5, x - 4 : x + 5].std() for x, y in places[:40]]
        darkest[state] = np.median(centre), np.median(around)
    # a cross goes through the middle of a blocked one, nothing through that of a sound one
    assert darkest["blocked"][1] > 3 * darkest["ok"][1]


@pytest.mark.parametrize(
    ("name", "outcome"),
    [("clean", "conditional pass"), ("worn", "conditional fail"), ("torn", "fail")],
)
def test_the_verdict(results: dict[str, Measurement], name: str, outcome: str) -> None:
    verdict = results[name].verdict
    assert verdict.outcome == outcome, verdict.reasons
    assert verdict.reasons
    # One field by a typed scale: a good cloth does not meet the sampling plan, and a worn one,
    # some 4 um over its limit, is not so for sure.
    assert (verdict.action == "measure better") == (outcome != "fail")


def test_clogged_cloth_is_to_be_cleaned(results: dict[str, Measurement]) -> None:
    assert results["dirty"].verdict.action == "clean and recheck"
