"""What a worn sieve does to a reported distribution, worked by hand."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import pytest

from foresee_lab import Lab
from program import Program
from sieve_registry.quality.curves import Curve
from sieve_registry.quality.effects import (
    SieveEffect,
    effect_of,
    fractions,
    spread_between_laboratories,
)

# Straight over the logarithm of size: 20 % at 50 um, 60 % at 100 um; 40 log2(d / 50) + 20.
STRAIGHT = Curve((50.0, 100.0), (20.0, 60.0))
PSD = "size_um,passing_percent\n40,5\n50,20\n100,60\n200,95\n"


def passing(size: float) -> float:
    return 20 + 40 * math.log2(size / 50)


def effect(
    mean: float = 76.0,
    U: float = 0.4,
    widths: tuple[float, ...] = (),
    nominal: float = 75.0,
    name: str = "S",
) -> SieveEffect:
    return effect_of(STRAIGHT, name, "C-1", nominal, mean, U, widths, inside=True)


def test_percent_passing_at_nominal_and_at_the_measured_mean() -> None:
    found = effect()
    assert found.at_nominal == pytest.approx(passing(75))  # 43.40
    assert found.at_mean.percent == pytest.approx(passing(76))  # 44.16
    assert found.at_mean.shift == pytest.approx(40 * math.log2(76 / 75))  # 0.765
    # dF/da = 40 / (a ln 2) = 0.759 % per um at 76 um; U = 0.4 um.
    assert found.at_mean.U_percent == pytest.approx(0.4 * 0.759, abs=5e-4)


def test_over_all_widths_the_curve_is_averaged() -> None:
    found = effect(widths=(70.0, 76.0, 82.0))
    expected = (passing(70) + passing(76) + passing(82)) / 3
    assert found.over_all.percent == pytest.approx(expected)
    assert found.main is found.over_all
    # The curve bends down, so spread alone lets a little less through than the mean aperture.
    assert found.over_all.percent < found.at_mean.percent


def test_the_spread_between_laboratories() -> None:
    # BRE ring trial: s_R < 0.05 √(P (100 − P)); 2.5 % at P = 50, nothing at the ends.
    assert spread_between_laboratories(50) == pytest.approx(2.5)
    assert spread_between_laboratories(10) == pytest.approx(1.5)
    assert spread_between_laboratories(0) == spread_between_laboratories(100) == 0


@pytest.mark.parametrize(
    ("mean", "U", "verdict", "matters"),
    [  # s_R = 0.05 √(43.4 × 56.6) = 2.48 %, a third of it 0.83 %
        (75.2, 0.4, "no significant shift", False),  # 0.15 ± 0.30
        (76.0, 0.4, "small beside s_R", False),  # 0.77
        (76.5, 0.4, "noticeable beside s_R", True),  # 1.14
        (78.5, 0.4, "as large as s_R or more", True),  # 2.63
        (71.5, 0.4, "as large as s_R or more", True),  # narrower counts as much
    ],
)
def test_whether_it_matters(mean: float, U: float, verdict: str, matters: bool) -> None:
    found = effect(mean, U)
    assert (found.verdict, found.matters) == (verdict, matters)


def test_what_stays_on_each_sieve_of_a_stack_adds_up() -> None:
    effects = [effect(76, nominal=75, name="fine"), effect(92, nominal=90, name="coarse")]
    rows = fractions(effects)
    assert [name for name, *_ in rows] == ["coarse", "fine", "pan"]
    assert sum(a for _, a, _ in rows) == pytest.approx(100)
    assert sum(b for *_, b in rows) == pytest.approx(100)
    assert rows[1][1] == pytest.approx(passing(90) - passing(75))
    assert rows[1][2] == pytest.approx(passing(92) - passing(76))


def test_the_command(lab: Lab, run: Program, tmp_path: Path) -> None:
    lab.add("S-75")
    lab.add("S-90", nominal=90.0)
    psd, table, plot = (tmp_path / name for name in ("psd.csv", "out.csv", "out.svg"))
    psd.write_text(PSD)
    assert run("effect", "S-75", "--psd", str(psd)).code == 2  # never checked
    lab.check(0, "S-75", x=76.6, y=76.4, sd=4.0)
    lab.check(0, "S-90", x=90.4, y=90.2, largest=110.0)
    answer = run("effect", "S-75", "S-90", "--psd", str(psd), "--csv", str(table),
                 "--plot", str(plot))  # fmt: skip
    assert answer.code == 0
    assert all(len(line) <= 80 for line in answer.out.splitlines())
    assert "noticeable beside s_R" in answer.out
    data = json.loads(run("effect", "S-75", "--psd", str(psd), "--json", "-").out)
    (one,) = data["sieves"]
    assert one["mean_um"] == pytest.approx(76.5)
    assert one["U_mean_um"] == pytest.approx(0.3)
    assert one["at_mean"]["percent"] == pytest.approx(passing(76.5))
    # A sphere meets the smaller width of each aperture, in y here: 21 of them around 76.4 um.
    smaller = [passing(76.4 + 4 * (i - 10) / 6.055) for i in range(21)]
    assert one["over_all"]["percent"] == pytest.approx(sum(smaller) / 21, abs=1e-3)
    rows = list(csv.DictReader(table.read_text("utf-8-sig").splitlines()))
    assert [row["sieve"] for row in rows] == ["S-90", "S-75"]
    from xml.etree import ElementTree as ET

    assert ET.fromstring(plot.read_text()).tag.endswith("svg")
    assert run("effect", "--psd", str(psd)).code == 2
    assert run("effect", "S-75", "--psd", str(tmp_path / "none.csv")).code == 21


def test_a_distribution_that_does_not_reach_the_size(
    lab: Lab, run: Program, tmp_path: Path
) -> None:
    lab.add()
    lab.check(0)
    psd = tmp_path / "psd.csv"
    psd.write_text("size_um,passing_percent\n200,10\n400,80\n")
    data = json.loads(run("effect", "S-1", "--psd", str(psd), "--json", "-").out)
    assert data["sieves"][0]["verdict"] == "outside the distribution"
    assert data["sieves"][0]["matters"] is False


def test_the_effect_on_all_sieves_of_a_stack(lab: Lab, run: Program, tmp_path: Path) -> None:
    from sieve_registry.sieves import stacks
    from sieve_registry.sieves.recording import RecordTerms

    lab.add("S-75")
    lab.add("S-90", nominal=90.0)
    lab.check(0, "S-75")
    lab.check(0, "S-90", x=90.4, y=90.2, largest=110.0)
    stacks.add(lab.registry, "fines", ["S-90", "S-75"], RecordTerms(None, "Ben Ray"))
    psd = tmp_path / "psd.csv"
    psd.write_text(PSD)
    data = json.loads(run("effect", "--stack", "fines", "--psd", str(psd), "--json", "-").out)
    assert [one["id"] for one in data["sieves"]] == ["S-90", "S-75"]
    assert sum(row["measured"] for row in data["fractions"]) == pytest.approx(100)
