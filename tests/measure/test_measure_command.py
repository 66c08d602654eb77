"""`sieveward measure` as it is typed: files, errors in one sentence, nothing half-written."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from program import Program
from shared_run import share_pictures
from sieve_inspect.synthetic import Cloth, Sensor, render, save
from sieve_inspect.synthetic.truth import Truth

PROGRAM = "from sieve_registry.cli.main import main; main()"
TYPED = ("--nominal", "150um", "--um-per-px", "10")


@pytest.fixture(autouse=True)
def measured_once(monkeypatch: pytest.MonkeyPatch, shared: Path) -> None:
    """The command is tested here; how scans are measured is tested elsewhere."""
    share_pictures(monkeypatch, shared)


def test_files_are_written_where_named(
    program: Program, cloths: dict[str, tuple[Path, Truth]], tmp_path: Path
) -> None:
    path = cloths["clean"][0]
    names = [tmp_path / n for n in ("a.csv", "a.png", "a.json")]
    ended = program(
        "measure",
        path,
        *TYPED,
        *("--apertures", names[0], "--overlay", names[1], "--json", names[2]),
    )
    assert ended.code == 0
    assert ended.err == ""
    assert all(n.stat().st_size > 0 for n in names)
    assert sorted(tmp_path.iterdir()) == sorted(names)
    data = json.loads(names[2].read_text(encoding="utf-8"))
    lines = names[0].read_text(encoding="utf-8").splitlines()
    counts = data["apertures"]
    assert len(lines) - 1 == sum(counts[k] for k in ("measured", "blocked", "torn", "excluded"))


def test_json_on_the_standard_output_stands_alone(
    program: Program, cloths: dict[str, tuple[Path, Truth]]
) -> None:
    ended = program("measure", cloths["clean"][0], *TYPED, "--json", "-")
    assert json.loads(ended.out)["schema"] == "sieveward.measurement/1"


def test_what_a_person_reads_fits_80_columns(
    program: Program, cloths: dict[str, tuple[Path, Truth]]
) -> None:
    ended = program("measure", cloths["worn"][0], *TYPED, "--standard", "iso3310-1:2016")
    # The words every command has.
    assert "decision rule guard-band: conditional fail -" in " ".join(ended.out.split())
    assert max(len(line) for line in ended.out.splitlines()) <= 80


def test_torn_apertures_are_remarked_on_without_a_verdict_too(
    program: Program, cloths: dict[str, tuple[Path, Truth]]
) -> None:
    said = {name: program("measure", cloths[name][0], *TYPED).out for name in ("clean", "torn")}
    assert "torn 0," in said["clean"]
    assert "Inspect the cloth" not in said["clean"]
    assert "oversize through" in said["torn"]


def _small(tmp_path: Path, cloth: Cloth, shape: tuple[int, int] = (220, 300)) -> Path:
    save(render(cloth, sensor=Sensor(noise=0.005, seed=1), shape=shape), tmp_path / "scan.png")
    return tmp_path / "scan.png"


def _png(tmp_path: Path, array: npt.NDArray[np.bool_] | npt.NDArray[np.uint8]) -> Path:
    Image.fromarray(array).save(tmp_path / "scan.png")
    return tmp_path / "scan.png"


def _cut(tmp_path: Path, suffix: str) -> Path:
    path = tmp_path / f"scan{suffix}"
    noise = np.random.default_rng(1).integers(0, 256, (300, 300), np.uint8)
    Image.fromarray(noise).save(path)
    path.write_bytes(path.read_bytes()[:20_000])
    return path


def _bytes(tmp_path: Path, data: bytes) -> Path:
    (tmp_path / "scan.png").write_bytes(data)
    return tmp_path / "scan.png"


FLAT = np.full((220, 300), 128, np.uint8)
GOOD = Cloth(15.0, 10.0, sd_px=0.2, rotation_deg=3, seed=1)

REFUSED: dict[str, tuple[int, Callable[[Path], Path], tuple[str, ...]]] = {
    "no such file": (10, lambda d: d / "none.png", TYPED),
    "empty": (11, lambda d: _bytes(d, b""), TYPED),
    "cut png": (12, lambda d: _cut(d, ".png"), TYPED),
    "cut tiff": (12, lambda d: _cut(d, ".tif"), TYPED),
    "text": (13, lambda d: _bytes(d, b"no picture\n" * 9), TYPED),
    "one colour": (15, lambda d: _png(d, FLAT), TYPED),
    "under-resolved": (16, lambda d: _png(d, FLAT), ("--nominal", "30um", "--um-per-px", "10")),
    "wrong nominal": (17, lambda d: _small(d, GOOD), ("--nominal", "200um", "--um-per-px", "10")),
    "no scale": (18, lambda d: _png(d, FLAT), ("--nominal", "150um")),
    "nominal outside": (19, lambda d: _png(d, FLAT), ("--nominal", "10um", "--um-per-px", "1")),
    "no such standard": (20, lambda d: _png(d, FLAT), (*TYPED, "--standard", "iso9")),
    "no such scale": (22, lambda d: _png(d, FLAT), ("--nominal", "150um", "--scale", "none.json")),
    "two-tone": (24, lambda d: _png(d, FLAT > 200), TYPED),
    "no unit": (2, lambda d: _png(d, FLAT), ("--nominal", "150", "--um-per-px", "10")),
    "two scales": (2, lambda d: _png(d, FLAT), (*TYPED, "--scale", "none.json")),
    "decimal comma": (2, lambda d: _png(d, FLAT), ("--nominal", "150um", "--um-per-px", "5,29")),
    "no megapixels": (2, lambda d: _png(d, FLAT), (*TYPED, "--max-megapixels", "0")),
    "encoding": (2, lambda d: _png(d, FLAT), (*TYPED, "--encoding", "cmyk")),
}


@pytest.mark.parametrize("name", REFUSED)
def test_one_sentence_one_code_and_nothing_written(
    program: Program, tmp_path: Path, name: str
) -> None:
    code, make, typed = REFUSED[name]
    scan = make(tmp_path)
    before = sorted(tmp_path.iterdir())
    wanted = ("--apertures", tmp_path / "a.csv", "--overlay", tmp_path / "a.png")
    ended = program("measure", scan, *typed, *wanted, "--json", tmp_path / "a.json")
    assert ended.code == code, ended.err
    assert ended.out == ""
    assert ended.err.startswith("sieveward: ")
    assert ended.err.count("\n") == 1
    assert ended.err.rstrip().endswith((".", "?"))
    assert "Traceback" not in ended.err
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize("option", ["--apertures", "--overlay", "--json"])
def test_a_place_that_cannot_be_written(
    program: Program, cloths: dict[str, tuple[Path, Truth]], tmp_path: Path, option: str
) -> None:
    path = tmp_path / "none" / "file.png"
    ended = program("measure", cloths["clean"][0], *TYPED, option, path)
    assert ended.code == 23
    assert not path.exists()


def test_a_whole_process_shows_no_traceback(tmp_path: Path) -> None:
    """As another program sees it, decoders' own remarks on the error stream included."""
    path = _cut(tmp_path, ".tif")
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "measure", str(path), *TYPED],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 12
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1, done.stderr


def test_a_decimal_comma_is_refused_with_both_readings(
    program: Program, cloths: dict[str, tuple[Path, Truth]]
) -> None:
    scan = cloths["clean"][0]
    ended = program("measure", scan, "--nominal", "150um", "--um-per-px", "5,29")
    assert "5 um per pixel along x and 29 along y" in ended.err
    assert "5.29" in ended.err
    assert program("measure", scan, "--nominal", "150um", "--um-per-px", "10,10.01").code == 0


def test_too_few_pixels_may_be_a_wrong_scale(
    program: Program, cloths: dict[str, tuple[Path, Truth]]
) -> None:
    ended = program("measure", cloths["clean"][0], "--nominal", "150um", "--um-per-px", "52.9")
    assert ended.code == 16
    assert "or check scale and nominal" in ended.err


def test_a_picture_given_as_scale_is_no_scale(
    program: Program, cloths: dict[str, tuple[Path, Truth]]
) -> None:
    scan = cloths["clean"][0]
    ended = program("measure", scan, "--nominal", "150um", "--scale", scan)
    assert ended.code == 22
    assert "it is not JSON text" in ended.err
    assert "codec" not in ended.err
