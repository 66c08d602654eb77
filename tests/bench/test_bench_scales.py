"""Recorded scales at the bench: offered, held against what is told, kept with the check."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from httpx import Client, Response
from PIL import Image

from bench_lab import SCAN, TECHNICIAN, Lab, job_of, wait_for
from sieve_inspect.errors import UsageError
from sieve_inspect.scale.artefact.calibrate import calibrate_pictures
from sieve_inspect.scale.artefact.residual_picture import residuals_png
from sieve_inspect.synthetic import Sensor
from sieve_inspect.synthetic.targets import Device as Drawn
from sieve_inspect.synthetic.targets import Target, render_target
from sieve_registry.bench.forms import Form
from sieve_registry.bench.scale_choice import choose
from sieve_registry.checks import queries as check_queries
from sieve_registry.scales import artefacts, calibrations
from sieve_registry.sieves.recording import RecordTerms

UM_PER_PX = (5.29484, 5.28743)  # as the demo's scans are drawn at 4800 dpi


@pytest.fixture
def recorded(lab: Lab, tmp_path: Path) -> str:
    """A scanner's scale, recorded from a drawn grid as the commands do it."""
    picture = tmp_path / "grid.png"
    target = Target("grid", 200.0, 40.0, 14, 14, 4.0)
    drawn = render_target(target, Drawn(*UM_PER_PX), sensor=Sensor(noise=0.004), shape=(620, 640))
    Image.fromarray(drawn.image).save(picture)
    terms = RecordTerms(by=TECHNICIAN)
    artefact = artefacts.add_artefact(
        lab.registry,
        artefacts.CertifiedArtefact(
            id="G-2",
            kind="grid",
            nominal_pitch_um=200.0,
            pitch_um=200.0,
            nominal_line_um=40.0,
            line_um=40.0,
            expanded_pitch_um=0.04,
            expanded_line_um=0.04,
            k=2.0,
            certificate="2025-9",
            laboratory="Example Lab",
            valid_from=date(2025, 6, 1),
            valid_to=date(2027, 5, 31),
            expansion_ppm_per_k=8.5,
        ),
        terms,
    )
    device = artefacts.Device(
        id="F-48",
        kind="scanner",
        serial="K1",
        setting="4800 dpi",
        light="transmitted",
        encoding="srgb",
        stand_off_um=0.0,
        allowance_um=1000.0,
        path_um=300_000.0,
    )
    device = artefacts.add_device(lab.registry, device, terms)
    calibration = calibrate_pictures([picture], artefact.to_calibrate(), encoding="srgb")
    calibrations.record_scale(
        lab.registry,
        "F-48",
        calibration,
        artefact,
        device,
        calibrations.ScaleConditions(),
        terms,
        max_residual_um=5.0,
        residual_picture=residuals_png(calibration),
    )
    return "kept:F-48"


def begin(lab: Lab, client: Client, **changes: Any) -> Response:
    fields = {"sieve": "S-0075", **changes}
    files = [("scans", (SCAN.name, SCAN.read_bytes()))]
    return client.post("/jobs", data=fields, files=files, headers=lab.headers)


def test_a_recorded_scale_is_offered_and_its_chain_kept(
    lab: Lab, client: Client, recorded: str
) -> None:
    page = client.get("/sieve?id=S-0075").text
    assert "F-48: 5.29" in page
    assert "valid to 2027-03-02" in page
    answer = begin(lab, client, scale=recorded, stand_off="0.5 mm", temperature="21")
    job = job_of(lab, answer)
    wait_for(job)
    assert job.error is None
    fields = {"name": TECHNICIAN, "known": "0"}
    answer = client.post(f"/jobs/{job.id}/confirm", data=fields, headers=lab.headers)
    assert answer.status_code == 204, answer.text
    trace = json.loads(check_queries.get_check(lab.registry, "C-0001").event.payload)["trace"]
    assert trace["certificate"]["number"] == "2025-9"
    assert trace["scale"]["name"] == "F-48"
    assert trace["check"]["stand_off_um"] == "500.0"
    assert "(as last time)" in client.get("/sieve?id=S-0075").text


def test_circumstances_outside_the_scale_are_refused_before_measuring(
    lab: Lab, client: Client, recorded: str
) -> None:
    for changes, says in (
        ({"stand_off": "20 mm"}, "20 mm"),
        ({"stand_off": "near"}, "not a length"),
        ({"temperature": "60"}, "60"),
        ({"temperature": "warm"}, "Write the temperature in °C as a number"),
    ):
        answer = begin(lab, client, scale=recorded, **changes)
        assert answer.status_code == 422
        assert says in answer.text
    answer = begin(lab, client, scale="given:0", stand_off="1 mm")
    assert "apply to a recorded scale" in answer.text
    assert begin(lab, client, scale="kept:F-99").status_code == 422
    assert lab.jobs.waiting() == []


def test_an_expired_scale_serves_only_with_a_reason_and_a_name(
    lab: Lab, client: Client, recorded: str
) -> None:
    lab.clock.day = lab.clock.day.replace(year=2027, month=4)
    assert "expired on 2027-03-02" in client.get("/sieve?id=S-0075").text
    assert "expired" in begin(lab, client, scale=recorded).text
    reason = {"scale": recorded, "accept_expired": "the new artefact is on its way"}
    assert "Name missing" in begin(lab, client, **reason).text
    answer = begin(lab, client, **reason, accepted_by=TECHNICIAN)
    job = job_of(lab, answer)
    wait_for(job)
    assert job.taken.figures["outcome"].startswith("conditional")
    page = client.get(f"/jobs/{job.id}").text
    assert f"accepted by {TECHNICIAN}" in page
    assert "Proposed: measure better" in page


def test_the_turn_of_the_label_is_typed(lab: Lab) -> None:
    typed = {"scale": ["hand"], "um_per_px": ["5.29"]}
    assert choose(lab.registry, (), Form(typed), None, ()).turned_deg is None  # not stated
    for text, turned in (("135", 135), ("-90", -90), ("22,5", 22.5)):
        form = Form(typed | {"turned": [text]})
        assert choose(lab.registry, (), form, None, ()).turned_deg == turned
    with pytest.raises(UsageError, match="turn of the label in degrees"):
        choose(lab.registry, (), Form(typed | {"turned": ["upside down"]}), None, ())
