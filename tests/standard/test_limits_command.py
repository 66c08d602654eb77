"""`sieveward limits`: the table for a person, the JSON for a program, the refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from sieve_inspect.errors import SievewardError
from sieve_inspect.standard import limits as find_limits
from sieve_registry.cli.commands.limits import limits

app = typer.Typer(pretty_exceptions_enable=False)
app.command()(limits)


def run(*arguments: str) -> str:
    result = CliRunner().invoke(app, list(arguments), catch_exceptions=False)
    assert result.exit_code == 0
    return result.stdout


def test_json_agrees_with_the_library() -> None:
    out = run(
        "No. 200",
        "--standard",
        "astm-e11:2009",
        "--grade",
        "inspection",
        "--n",
        "80",
        "--json",
        "-",
    )
    expected = find_limits(75, "astm-e11:2009", grade="inspection", n=80).to_dict()
    assert json.loads(out) == expected
    assert expected["s_limit_um"] == 8.49


def test_json_into_a_file_leaves_the_table_on_the_screen(tmp_path: Path) -> None:
    target = tmp_path / "limits.json"
    assert "101 um" in run("75um", "--json", str(target))
    assert json.loads(target.read_text(encoding="utf-8"))["max_um"] == 101.0


def test_the_table_of_75_um() -> None:
    out = run("75um")
    for text in (
        "iso3310-1:2016",
        "±3.7 um",
        "71.3 um to 78.7 um",
        "101 um",
        "9.1 um",
        "43 um to 58 um",
        "fluids 1.3.1",
        "half up",
        "Read the current edition on paper before claiming conformity.",
    ):
        assert text in out


def test_from_1_mm_the_table_is_in_mm() -> None:
    out = run("2 mm", "--standard", "iso3310-1:1990")
    for text in ("±0.07 mm", "2.23 mm", "at most 6 % of apertures above 2.15 mm", "Ph. Eur."):
        assert text in out
    assert "standard deviation at most" not in out


@pytest.mark.parametrize("standard", ["iso3310-1:2016", "astm-e11:2009", "iso3310-1:1990"])
@pytest.mark.parametrize("size", ["20um", "32um", "65um", "19mm", "45mm", "125mm"])
def test_80_columns_are_enough(standard: str, size: str) -> None:
    out = run(size, "--standard", standard, "--grade", "calibration")
    assert max(map(len, out.splitlines())) <= 80


def test_a_computed_size_is_named_as_computed() -> None:
    assert "computed from the formula, not a tabulated size" in run("65um")


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["75"], 2),
        (["No. 210"], 2),
        (["75um", "--grade", "best"], 2),
        (["75um", "--n", "0"], 2),
        (["3um"], 19),
        (["70um", "--standard", "astm-e11:1995"], 19),
        (["75um", "--standard", "iso3310-1:2001"], 20),
        (["75um", "--standard", "absent.csv"], 21),
    ],
)
def test_refusals_have_their_own_exit_codes(arguments: list[str], code: int) -> None:
    with pytest.raises(SievewardError) as caught:
        CliRunner().invoke(app, arguments, catch_exceptions=False)
    assert caught.value.exit_code == code
