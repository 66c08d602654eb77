"""The Python interface: what a notebook uses, without files of ours or a database."""

from __future__ import annotations

import doctest
import io
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile

import sieve_inspect as si
from sieve_inspect.errors import MissingScaleError

IMAGES = Path(__file__).parents[2] / "demo_images"
SCAN = IMAGES / "s0125-1.tif"
NOMINAL, UM_PER_PX = 125, 5.29


@pytest.fixture(scope="module")
def pixels() -> np.ndarray:
    return np.asarray(tifffile.imread(SCAN))


@pytest.fixture(scope="module")
def measured() -> si.Measurement:
    return si.measure(str(SCAN), nominal_um=NOMINAL, um_per_px=UM_PER_PX)


def widths(measurement: si.Measurement) -> np.ndarray:
    return measurement.apertures()[["width_x_um", "width_y_um"]].to_numpy()


def test_the_public_names_are_sorted_and_all_there() -> None:
    assert si.__all__ == sorted(si.__all__)
    assert set(si.__all__) <= set(dir(si))
    for name in si.__all__:
        assert getattr(si, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'sieve'"):
        _ = si.sieve


def test_importing_is_quick_and_loads_nothing_heavy() -> None:
    code = (
        "import sys, time; start = time.process_time(); import sieve_inspect; "
        "print(time.process_time() - start, *sys.modules)"
    )
    runs = []
    for _ in range(3):
        command = [sys.executable, "-c", code]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        seconds, *loaded = done.stdout.split()
        runs.append(float(seconds))
        heavy = {"sqlalchemy", "matplotlib", "typer", "pandas", "numpy", "cv2", "scipy"}
        assert not heavy & set(loaded)
    assert min(runs) < 0.25


def test_one_scan_or_several_as_text_or_path(measured: si.Measurement) -> None:
    second = IMAGES / "s0125-2.tif"
    both = si.measure([SCAN, str(second)], nominal_um="125um", um_per_px=(UM_PER_PX, UM_PER_PX))
    first = both.apertures()
    assert np.array_equal(
        widths(measured), first[first["image"] == 1][["width_x_um", "width_y_um"]], equal_nan=True
    )
    assert set(first["image"]) == {1, 2}


def test_an_array_measures_like_its_file(measured: si.Measurement, pixels: np.ndarray) -> None:
    encoding = measured.pictures[0].encoding
    result = si.measure_array(pixels, nominal_um=NOMINAL, um_per_px=UM_PER_PX, encoding=encoding)
    assert np.array_equal(widths(result), widths(measured), equal_nan=True)
    assert result.to_dict()["images"][0]["file"] == "array"
    assert result.overlay_png(0).startswith(b"\x89PNG")


def test_colour_depth_and_floats_change_little(pixels: np.ndarray) -> None:
    top = np.iinfo(pixels.dtype).max
    grey = pixels if pixels.ndim == 2 else pixels[..., 1]
    share = grey / top
    forms: list[np.ndarray] = [
        share,
        share.astype(np.float32),
        np.round(share * 65535).astype(np.uint16),
        np.stack([grey] * 3, axis=2),
    ]
    means = []
    for form in forms:
        result = si.measure_array(form, nominal_um=NOMINAL, um_per_px=UM_PER_PX, encoding="srgb")
        means.append([d.mean_um for d in result.directions])
    assert np.ptp(means, axis=0).max() < 0.01


@pytest.mark.parametrize(
    ("array", "part"),
    [
        (np.zeros((4, 4, 2), np.uint8), "shape"),
        (np.zeros(4, np.uint8), "shape"),
        (np.zeros((4, 4), np.int64), "int64"),
        (np.full((4, 4), 255.0), "0 to 1"),
        (np.full((4, 4), np.nan), "0 to 1"),
    ],
)
def test_an_array_of_another_kind_is_refused(array: np.ndarray, part: str) -> None:
    with pytest.raises(si.UsageError, match=part) as error:
        si.measure_array(array, nominal_um=NOMINAL, um_per_px=UM_PER_PX)
    assert "`array`" in str(error.value)


def test_errors_name_parameters() -> None:
    with pytest.raises(MissingScaleError, match="`scale` or `um_per_px`"):
        si.measure(SCAN, nominal_um=NOMINAL)
    scale = si.load_scale(str(IMAGES / "scanner-4800dpi.json"))
    with pytest.raises(si.UsageError, match="`scale` or `um_per_px`, not both"):
        si.measure(SCAN, nominal_um=NOMINAL, scale=scale, um_per_px=UM_PER_PX)
    with pytest.raises(si.UsageError, match="`images`"):
        si.measure([], nominal_um=NOMINAL, scale=scale)


def test_the_table_has_the_columns_and_rows_of_the_csv(measured: si.Measurement) -> None:
    table = measured.apertures()
    assert list(table.columns) == (
        ["image", "row", "col", "x_px", "y_px", "width_x_um", "width_y_um", "state", "flags"]
    )
    written = pd.read_csv(
        io.StringIO(measured.apertures_csv()), keep_default_na=False, na_values=""
    )
    assert len(written) == len(table)
    for name, within in {"x_px": 5.1e-4, "width_x_um": 5.1e-5, "width_y_um": 5.1e-5}.items():
        assert np.allclose(table[name], written[name], rtol=0, atol=within, equal_nan=True)
    assert list(table["state"]) == list(written["state"])
    assert (table["state"] == "ok").sum() == measured.count("ok")


def test_judging_needs_no_second_measurement(measured: si.Measurement) -> None:
    assert (measured.verdict, measured.limits) == (None, None)
    verdict = measured.judge("iso3310-1:2016", grade="compliance", rule="simple")
    at_once = si.measure(
        SCAN,
        nominal_um=NOMINAL,
        um_per_px=UM_PER_PX,
        judging=si.Judging("iso3310-1:2016", rule="simple"),
    )
    assert verdict == at_once.verdict
    assert at_once.limits == si.limits(NOMINAL, "iso3310-1:2016")
    assert measured.judge("astm-e11:2009").standard == "astm-e11:2009"
    assert isinstance(verdict.outcome, si.Outcome)
    assert {row.k for row in verdict.margins if row.name == "mean"} == {
        d.k_mean for d in measured.directions
    }


def test_what_is_shown_at_a_prompt_is_short(measured: si.Measurement) -> None:
    shown = [
        measured,
        measured.scale,
        si.limits(75),
        measured.judge("iso3310-1:2016"),
        si.load_scale(IMAGES / "scanner-4800dpi.json"),
    ]
    for value in shown:
        assert len(repr(value)) <= 200
        assert "\n" not in repr(value)


def test_a_designation_names_a_size() -> None:
    assert si.limits("No. 200", "astm-e11:2009") == si.limits(75, "astm-e11:2009")
    assert si.limits("0.075mm").y_um == si.limits(75).y_um


@pytest.mark.parametrize("module", ["measurement.pipeline", "standard.lookup"])
def test_the_examples_in_the_documentation_hold(
    module: str, pixels: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(IMAGES)
    result = doctest.testmod(
        import_module(f"sieve_inspect.{module}"), extraglobs={"pixels": pixels}
    )
    assert result.attempted > 0
    assert result.failed == 0
