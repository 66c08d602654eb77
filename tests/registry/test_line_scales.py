"""A single line amends a recorded scale, and the chain of a check names both certificates."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from clock import Clock
from registry_made import Measuring
from scale_lab import GRID, ScaleLab, check, parsed
from sieve_inspect.synthetic import Sensor
from sieve_inspect.synthetic.targets import Device, Target, render_target
from sieve_registry.checks.queries import get_check
from sieve_registry.scales.corrections import corrected_links
from sieve_registry.store.engine import Registry, open_registry

LINE = (
    "artefact", "add", "L-1", "--kind", "line", "--line-width", "200um", "--u-line-width", "0.4um",
    "--certificate", "2026-020", "--laboratory", "Brook Metrology", "--valid-from", "2026-01-01",
    "--valid-to", "2026-12-31",
)  # fmt: skip
WHY = ("--reason", "another line was used", "--by", "Ada Moss")


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = Target("rule", 5000.0, 200.0, 1, 1, 12.0)
    device = Device(20.0, 20.0, edge_bias_px=0.12)
    render = render_target(target, device, sensor=Sensor(noise=0.004), shape=(360, 380))
    path = tmp_path_factory.mktemp("lines") / "line.png"
    Image.fromarray(render.image).save(path, dpi=(1270, 1270))
    return path


@pytest.fixture
def dated(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Commands go by the tests' clock: asked for first, it holds from the first record on."""
    monkeypatch.setitem(open_registry.__kwdefaults__ or {}, "now", clock)
    clock.set("2026-03-15")
    return clock


@pytest.fixture
def lined(lab: ScaleLab, line: Path) -> ScaleLab:
    """The laboratory with a line, whose edge bias makes the scale of 2026-03-10."""
    assert lab(*LINE).code == 0

    lab.line = line
    answer = lab.amend("--base", "F-24", "--json", "-")
    assert answer.code == 0, answer.err
    lab.amended = json.loads(answer.out)
    return lab


def test_a_line_is_recorded_as_the_next_scale_of_the_device(lined: ScaleLab) -> None:
    kept, before = lined.amended["recorded"], lined.recorded
    assert (kept["name"], kept["device"], kept["artefact"]) == ("F-24", "F-24", "G-1")
    assert kept["line"] == {
        "artefact": "L-1", "event": kept["event"] - 1, "certificate": "2026-020",
        "base": "F-24", "base_event": before["event"],
    }  # fmt: skip
    assert kept["um_per_px_x"] == before["um_per_px_x"]
    assert kept["valid_until"] == before["valid_until"]  # no line makes a scale hold longer
    assert lined.amended["edge_bias_px"] == pytest.approx(0.12, abs=0.01)
    # U = 0.4 um of the width at k = 2, half of it at each edge of 20 um per px
    assert lined.amended["edge_bias_budget"][0]["u_px"] == pytest.approx(0.4 / 2 / 2 / 20, rel=1e-3)
    assert "2025-117" in lined.amended["source"]
    assert "2026-020" in lined.amended["source"]
    assert [file["role"] for file in kept["evidence"]] == ["scale", "residuals"]
    assert parsed(lined("verify", "--json", "-"))["ok"]


def test_a_line_on_a_scale_a_line_amended_rests_on_the_scale_with_marks(lined: ScaleLab) -> None:
    kept = parsed(lined.amend("--base", "F-24", "--json", "-", day="2026-03-20"))["recorded"]
    assert kept["line"]["base_event"] == lined.recorded["event"]


def test_a_check_by_an_amended_scale_keeps_both_certificates(
    lined: ScaleLab, scan: Path, measuring: Measuring
) -> None:
    trace = parsed(check(lined, scan, "--json", "-"))["trace"]
    assert trace["certificate"]["number"] == "2025-117"
    assert (trace["line"]["id"], trace["line"]["certificate"]) == ("L-1", "2026-020")
    assert trace["base"] == {"name": "F-24", "event": lined.recorded["event"]}
    assert measuring.calls[-1]["scale"].edge_bias_px == pytest.approx(0.12, abs=0.01)


def test_an_expired_line_is_refused_unless_accepted(
    lined: ScaleLab, scan: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sieve_registry.store.engine.Registry.today", lambda _: clock.day)
    clock.set("2027-02-01")
    refused = check(lined, scan, day="2027-01-10")
    assert refused.code == 51
    assert "'L-1' has no valid certificate on 2027-01-10" in refused.err
    taken = parsed(
        check(lined, scan, "--accept-expired", "sent in", "--json", "-", day="2027-01-10")
    )
    assert taken["outcome"] == "conditional pass"


def test_scales_that_rest_on_a_void_scale_or_line_are_refused(
    lined: ScaleLab, scan: Path, registry: Registry
) -> None:
    assert check(lined, scan).code == 0
    base, own = str(lined.recorded["event"]), str(lined.amended["recorded"]["line"]["event"])
    assert lined("correct", base, "--void", *WHY).code == 0
    refused = check(lined, scan, day="2026-04-02")
    assert refused.code == 56
    assert "on which F-24 rests, is void" in refused.err
    assert lined("correct", base, *WHY).code == 0
    assert check(lined, scan, day="2026-04-02").code == 0
    assert lined("correct", own, "--void", *WHY).code == 0
    assert check(lined, scan, day="2026-04-03").code == 56
    assert lined(*LINE).code == 0
    again = check(lined, scan, day="2026-04-03")
    assert again.code == 51
    assert "that of the edge bias of F-24, is void" in again.err
    payload = json.loads(get_check(registry, "C-0001").event.payload)
    assert "is void: another line was used" in corrected_links(registry, payload["trace"])[-1][1]


def test_what_a_line_cannot_be_recorded_from_is_refused(lined: ScaleLab, picture: Path) -> None:
    alone = lined.amend()
    assert alone.code == 2
    assert "name the scale it corrects with --base" in alone.err
    assert lined.amend("--base", "F-99").code == 56
    assert lined.amend("--base", "F-24", day="2026-03-01").code == 56  # before the base
    marks = lined.calibrate("--base", "F-24", day="2026-03-11")
    assert marks.code == 2
    assert "leave --base out" in marks.err
    other = [*GRID]
    other[2] = "G-2"
    assert lined(*other).code == 0
    assert lined.amend("--base", "F-24", "--turned", "10").code == 2


def test_the_audit_counts_checks_by_a_scale_voided_later_then_and_now_apart(
    dated: Clock, lined: ScaleLab, scan: Path
) -> None:
    dated.set("2026-04-01")
    assert check(lined, scan).code == 0
    dated.set("2026-04-10")
    own = str(lined.amended["recorded"]["line"]["event"])
    assert lined("correct", own, "--void", *WHY).code == 0

    def told(*words: object) -> Any:
        return parsed(lined("audit", *words, "--json", "-"))["no_scale"]

    (now,) = told("--as-of", "2026-04-05")
    assert (now["check"], now["recorded later"]) == ("C-0001", "2026-04-10")
    assert now["why"].endswith(f"L-1 (event {own}) is void: another line was used")
    assert told("--as-of", "2026-04-05", "--known-then") == []  # it held then
    (later,) = told("--as-of", "2026-04-10", "--known-then")
    assert later["recorded later"] == ""
    assert lined("correct", own, *WHY).code == 0  # it stands again
    assert told("--as-of", "2026-04-10") == []
