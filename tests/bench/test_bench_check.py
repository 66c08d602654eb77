"""A check at the bench from the label to the ledger: the same record as by the command."""

from __future__ import annotations

import io
import json
import shutil
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from httpx import Client
from PIL import Image

from bench_lab import (
    COLLEAGUE,
    SCALE_FILE,
    SCAN,
    SCANS,
    TECHNICIAN,
    Lab,
    asking,
    begin,
    confirm,
    job_of,
    serving,
    wait_for,
)
from present import present
from sieve_inspect.scale import load_scale
from sieve_registry.audit import commands as audit_commands
from sieve_registry.audit import verification
from sieve_registry.bench.jobs import Phase
from sieve_registry.checks import commands as check_commands
from sieve_registry.checks import queries as check_queries
from sieve_registry.cli.main import main
from sieve_registry.ledger.records import Event, NewSieve
from sieve_registry.report import check_view, render_check_report
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import open_registry

# --- the label ---------------------------------------------------------------------------------


def test_a_scanned_label_opens_its_sieve(client: Client) -> None:
    assert "75 µm" in client.get("/sieve?id=S-0075").text
    assert client.get("/sieve?id=s-0075").headers["Location"] == "/sieve?id=S-0075"
    assert client.get("/sieve?id=").headers["Location"] == "/"


def test_an_unknown_label_offers_the_nearest(client: Client) -> None:
    answer = client.get("/sieve?id=S-0057")
    assert answer.status_code == 404
    assert 'href="/sieve?id=S-0075"' in answer.text


def test_an_empty_registry_shows_how_to_begin(empty_lab: Lab) -> None:
    with serving(empty_lab), asking(empty_lab) as client:
        first = client.get("/", follow_redirects=True)
        assert first.url.path == "/first-day"
        assert "0 of 7 steps done" in first.text
        assert "holds no sieves yet" in client.get("/sieve?id=S-0075").text


def test_the_first_page_lists_checks_due_and_sieves_in_quarantine(lab: Lab, client: Client) -> None:
    sieve_commands.quarantine(lab.registry, "S-0125", "dented", RecordTerms(by=COLLEAGUE))
    text = client.get("/").text
    assert "never checked" in text
    due, _, quarantine = text.partition("In quarantine")
    assert "S-0075" in due
    assert "S-0125" in quarantine
    assert "dented" in quarantine


def test_a_retired_sieve_cannot_be_checked(lab: Lab, client: Client) -> None:
    sieve_commands.retire(lab.registry, "S-0075", "torn", by=COLLEAGUE)
    assert 'id="check"' not in client.get("/sieve?id=S-0075").text
    answer = client.post(
        "/jobs",
        data={"sieve": "S-0075", "scale": "given:0"},
        files=[("scans", (SCAN.name, SCAN.read_bytes()))],
        headers=lab.headers,
    )
    job = job_of(lab, answer)
    wait_for(job)
    assert "was retired on 2026-03-02" in client.get(f"/jobs/{job.id}").text


# --- measured, not recorded --------------------------------------------------------------------


def test_the_reason_for_a_failed_measurement_is_shown(
    lab: Lab, client: Client, tmp_path: Path
) -> None:
    picture = tmp_path / "sky.png"
    Image.fromarray(np.full((300, 300), 200, np.uint8)).save(picture)
    job = begin(lab, client, picture)
    wait_for(job)
    text = client.get(f"/jobs/{job.id}").text
    assert "Not measured" in text
    assert "sky.png" in text
    assert "Nothing was recorded" in text
    assert "not measured: see the reason" in client.get("/now").text
    client.post(f"/jobs/{job.id}/discard", headers=lab.headers)
    assert client.get(f"/jobs/{job.id}").status_code == 404


def test_progress_ends_in_the_result(lab: Lab, client: Client) -> None:
    job = begin(lab, client)
    wait_for(job, Phase.MEASURING, Phase.READY)
    answer = client.get(f"/jobs/{job.id}/progress")
    assert answer.status_code == 204 or " s so far" in answer.text
    wait_for(job)
    assert client.get(f"/jobs/{job.id}/progress").headers["HX-Refresh"] == "true"


# --- recorded ----------------------------------------------------------------------------------


def by_command(lab: Lab, monkeypatch: pytest.MonkeyPatch, scan: Path, *options: str) -> Event:
    """The same check by `sieveward check`, in a registry of the same past; its event."""
    other = lab.folder / "other"
    other.mkdir()
    for path in (lab.folder / "lab").iterdir():
        copy = shutil.copytree if path.is_dir() else shutil.copy
        copy(path, other / path.name)
    target = str(other / "registry.sqlite")
    typed = ["--registry", target, "check", "S-0075", str(scan), "--scale", str(SCALE_FILE)]
    monkeypatch.setattr(sys, "argv", ["sieveward", *typed, *options])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    registry = open_registry(target)
    try:
        return check_queries.get_check(registry, "C-0001").event
    finally:
        registry.close()


def test_the_ledger_holds_what_the_command_would_have_recorded(
    lab: Lab, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    day = lab.clock.day.isoformat()
    wanted = by_command(lab, monkeypatch, SCAN, "--by", TECHNICIAN, "--date", day)
    job = begin(lab, client)
    wait_for(job)
    answer = confirm(lab, client, job)
    assert answer.headers["HX-Redirect"] == f"/jobs/{job.id}"
    made = check_queries.get_check(lab.registry, "C-0001").event
    assert json.loads(made.payload) == json.loads(wanted.payload)
    names = ("kind", "subject", "on_date", "person", "software")
    assert [getattr(made, n) for n in names] == [getattr(wanted, n) for n in names]
    assert verification.verify(lab.registry).ok
    page = client.get(f"/jobs/{job.id}").text
    assert "Recorded as C-0001" in page
    assert f"by {TECHNICIAN}" in page
    report = client.get("/report?check=C-0001")
    assert made.hash in report.text
    assert "script-src" not in report.headers["Content-Security-Policy"]
    assert "S-0075" in client.get("/label?id=S-0075").text


def test_two_names_at_the_same_moment_make_one_record(lab: Lab, client: Client) -> None:
    job = begin(lab, client)
    wait_for(job)
    start, answers = threading.Barrier(2), {}

    def press(name: str) -> None:
        start.wait()
        answers[name] = lab.jobs.confirm(job, name, 0)

    threads = [threading.Thread(target=press, args=(n,)) for n in (TECHNICIAN, COLLEAGUE)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(lab.checks()) == 1
    assert {answer.person for answer in answers.values()} == {lab.checks()[0].person}
    late = COLLEAGUE if lab.checks()[0].person == TECHNICIAN else TECHNICIAN
    place = confirm(lab, client, job, late).headers["HX-Redirect"]
    assert "had already confirmed this check" in client.get(place).text


def test_a_check_recorded_meanwhile_is_shown_before_anything_is_recorded(
    lab: Lab, client: Client
) -> None:
    job = begin(lab, client)
    wait_for(job)
    known = len(job.taken.history.checks)
    scale = load_scale(SCALE_FILE)
    check_commands.check(
        lab.registry,
        "S-0075",
        [SCANS / "s0075-1.png"],
        scale=scale,
        terms=RecordTerms(by=COLLEAGUE),
    )
    place = confirm(lab, client, job, known=known).headers["HX-Redirect"]
    assert place.endswith("?newer=C-0001")
    assert len(lab.checks()) == 1
    assert "C-0001 was recorded for the same sieve" in client.get(place).text
    confirm(lab, client, job)
    assert [check.person for check in lab.checks()] == [COLLEAGUE, TECHNICIAN]


def test_the_cloth_of_another_sieve_is_confirmed_for_a_reason_only(
    lab: Lab, client: Client
) -> None:
    """Alone and in a batch; the record holds the reason as that of the command does."""
    for name in ("S-0076", "S-0077"):
        sieve_commands.add_sieve(lab.registry, NewSieve(name, 75))
    first = begin(lab, client)
    wait_for(first)
    confirm(lab, client, first)
    alone = begin(lab, client, sieve="S-0076")
    wait_for(alone)
    assert "Reason to record this cloth for S-0076" in client.get(f"/jobs/{alone.id}").text
    refused = confirm(lab, client, alone)
    assert refused.status_code == 422
    assert "last seen as S-0075 in check C-0001" in refused.text
    assert "give the reason above the button" in refused.text
    assert alone.phase == Phase.READY
    files = [("scans", ("S-0077.png", SCAN.read_bytes()))]
    sent = client.post("/jobs", data={"scale": "given:0"}, files=files, headers=lab.headers)
    place = sent.headers["HX-Redirect"]
    (second,) = lab.jobs.of_batch(place.rpartition("/")[2])
    wait_for(second)
    ticked = {"batch": second.order.batch, "job": second.id, f"known-{second.id}": "0"}
    ticked["name"] = TECHNICIAN
    client.post("/batch", data=ticked, headers=lab.headers)
    assert "Reason to record this cloth for S-0077" in client.get(place).text
    assert "give the reason in its row" in client.get(place).text
    assert lab.checks("S-0076") == lab.checks("S-0077") == ()
    reason = "one frame, two labels"
    confirm(lab, client, alone, accept_cloth=reason, accept_scan=reason)
    reasons = {f"cloth-{second.id}": reason, f"scan-{second.id}": reason}
    client.post("/batch", data=ticked | reasons, headers=lab.headers)
    for name in ("S-0076", "S-0077"):
        (made,) = lab.checks(name)
        payload = json.loads(check_queries.get_check(lab.registry, made.id).event.payload)
        assert payload["cloth"]["accepted"] == reason
        assert any(f"recorded because: {reason}" in text for text in payload["warnings"])


def test_a_refused_record_keeps_the_measurement_open(lab: Lab, client: Client) -> None:
    job = begin(lab, client)
    wait_for(job)
    sieve_commands.retire(lab.registry, "S-0075", "torn", by=COLLEAGUE)
    answer = confirm(lab, client, job)
    assert answer.status_code == 422
    assert "was retired" in answer.text
    assert lab.checks() == ()
    assert job.phase == Phase.READY


def test_a_check_confirmed_after_midnight_counts_for_the_day_of_measuring(
    lab: Lab, client: Client
) -> None:
    job = begin(lab, client)
    wait_for(job)
    lab.clock.day = lab.clock.day.replace(day=3)
    confirm(lab, client, job)
    (made,) = lab.checks()
    assert made.on_date.isoformat() == "2026-03-02"
    assert made.recorded_at.startswith("2026-03-03")


def test_a_check_for_information_judges_nothing(lab: Lab, client: Client) -> None:
    due = client.get("/sieve?id=S-0075").text.partition("Next check by")[2][:80]
    job = begin(lab, client, for_information="yes", turned="90")
    wait_for(job)
    shown = client.get(f"/jobs/{job.id}")
    assert shown.status_code == 200
    assert "Measured for information" in shown.text
    assert "Examined by eye" not in shown.text
    assert confirm(lab, client, job).status_code == 204
    assert check_queries.get_check(lab.registry, "C-0001").check.outcome == "for information"
    # The sieve lay a quarter turned: what is x by the label is measured along the picture's y.
    assert job.measurement is not None
    assert job.measurement.exchanged == (True,)
    assert client.get("/sieve?id=S-0075").text.partition("Next check by")[2][:80] == due


def test_a_scan_measured_before_is_pointed_out(lab: Lab, client: Client) -> None:
    """An old file dropped by mistake would prove a new check."""
    scale = load_scale(SCALE_FILE)
    check_commands.check(
        lab.registry, "S-0075", [SCAN], scale=scale, terms=RecordTerms(by=COLLEAGUE)
    )
    job = begin(lab, client)
    wait_for(job)
    text = client.get(f"/jobs/{job.id}").text
    assert "is the same file that check C-0001 of sieve S-0075 used on" in text
    other = begin(lab, client, SCANS / "s0075-1.png")
    wait_for(other)
    assert "very file" not in client.get(f"/jobs/{other.id}").text
    assert f"/jobs/{job.id}/before-after" in client.get(f"/jobs/{job.id}").text
    beside = client.get(f"/jobs/{job.id}/before-after").text
    assert "common with check C-0001" in beside
    assert beside.count("data:image/jpeg;base64,") == 2


def test_a_quarter_turned_scan_is_recorded_by_the_directions_of_its_cloth(
    lab: Lab, client: Client, tmp_path: Path
) -> None:
    """The same pixels a quarter turned, no turn stated: the page says it, the figures stay."""
    scale, terms = load_scale(SCALE_FILE), RecordTerms(by=COLLEAGUE)
    first = check_commands.check(lab.registry, "S-0075", [SCAN], scale=scale, terms=terms).check
    turned = tmp_path / "turned.png"
    Image.open(SCAN).transpose(Image.Transpose.ROTATE_90).save(turned)
    job = begin(lab, client, turned)
    wait_for(job)
    assert "by its cloth the sieve lay a quarter turn" in client.get(f"/jobs/{job.id}").text.lower()
    confirm(lab, client, job)
    second = lab.checks()[-1]
    for direction in ("x", "y"):
        before, after = getattr(first, direction), getattr(second, direction)
        # The device's scales along x and y are 0.2 % apart.
        assert float(after.mean_um) == pytest.approx(float(before.mean_um), rel=0.003)
    assert abs(first.x.mean_um - first.y.mean_um) > 1


def test_overlapping_fields_are_recorded_for_a_reason_only(lab: Lab, client: Client) -> None:
    """In a batch and alone; a place of an earlier check, scanned again, needs none."""
    cloth = Image.open(SCANS / "s0075-1.png")
    places = {"S-0075-a.png": 0, "S-0075-b.png": 320, "again.png": 1}
    scans = {}
    for name, left in places.items():
        kept = io.BytesIO()
        cloth.crop((left, 0, left + 560, 400)).save(kept, "PNG")
        scans[name] = ("scans", (name, kept.getvalue()))
    both = [scans["S-0075-a.png"], scans["S-0075-b.png"]]
    sent = client.post("/jobs", data={"scale": "given:0"}, files=both, headers=lab.headers)
    place = sent.headers["HX-Redirect"]
    (job,) = lab.jobs.of_batch(place.rpartition("/")[2])
    wait_for(job)
    # 240 px of width are in both, 10 columns of 23.6 px with 16 rows; the border cuts some.
    (part,) = present(job.taken).document["images"][1]["shared"]
    assert 100 < part["apertures"] < 170
    named = f"(S-0075-a.png, S-0075-b.png) show the same {part['apertures']} apertures"
    assert f"{named}: counted once. Reason to record it all the same" in client.get(place).text
    ticked = {"batch": job.order.batch, "job": job.id, f"known-{job.id}": "0", "name": TECHNICIAN}
    client.post("/batch", data=ticked, headers=lab.headers)
    assert "give the reason in its row" in client.get(place).text
    assert lab.checks() == ()
    client.post("/batch", data=ticked | {f"scan-{job.id}": "a small cloth"}, headers=lab.headers)
    (made,) = lab.checks()
    payload = json.loads(check_queries.get_check(lab.registry, made.id).event.payload)
    assert any(text.endswith("recorded because: a small cloth") for text in payload["warnings"])
    fields = {"sieve": "S-0075", "scale": "given:0"}
    alone = job_of(lab, client.post("/jobs", data=fields, files=both, headers=lab.headers))
    wait_for(alone)
    text = client.get(f"/jobs/{alone.id}").text
    assert named in text
    assert "Reason to record scans or cloth used again" in text
    refused = confirm(lab, client, alone)
    assert (refused.status_code, "above the button" in refused.text) == (422, True)
    assert confirm(lab, client, alone, accept_scan="judged again").status_code == 204
    again = job_of(
        lab, client.post("/jobs", data=fields, files=[scans["again.png"]], headers=lab.headers)
    )
    wait_for(again)
    assert present(present(again.taken).cloth.link).check == "C-0001"
    assert "used again" not in client.get(f"/jobs/{again.id}").text
    assert confirm(lab, client, again).status_code == 204


def test_a_scan_recorded_while_another_waits_is_asked_about(lab: Lab, client: Client) -> None:
    sieve_commands.add_sieve(lab.registry, NewSieve("S-0076", 75))
    jobs = [begin(lab, client), begin(lab, client, sieve="S-0076")]
    for job in jobs:
        wait_for(job)
    assert confirm(lab, client, jobs[0]).status_code == 204
    refused = confirm(lab, client, jobs[1], accept_cloth="two labels")
    assert refused.status_code == 422
    assert "is the same file that check C-0001 of sieve S-0075 used" in refused.text
    assert "load the page again" in refused.text
    assert "Reason to record scans" in client.get(f"/jobs/{jobs[1].id}").text


def test_back_from_quarantine_only_after_a_passing_check(lab: Lab, client: Client) -> None:
    sieve_commands.quarantine(lab.registry, "S-0075", "dented", RecordTerms(by=COLLEAGUE))
    fields = {"sieve": "S-0075", "reason": "looked at", "name": TECHNICIAN}
    assert "Return to service" in client.get("/sieve?id=S-0075").text
    answer = client.post("/return", data=fields, headers=lab.headers)
    assert answer.status_code == 422
    assert "was not checked since" in answer.text
    job = begin(lab, client, SCANS / "s0075-1.png")  # drawn new: it passes
    wait_for(job)
    confirm(lab, client, job)
    assert client.post("/return", data=fields, headers=lab.headers).status_code == 204
    assert sieve_queries.get_state(lab.registry, "S-0075").status == "in service"


def test_discarded_leaves_nothing(lab: Lab, client: Client) -> None:
    job = begin(lab, client)
    wait_for(job)
    client.post(f"/jobs/{job.id}/discard", headers=lab.headers)
    assert client.get(f"/jobs/{job.id}").status_code == 404
    assert list((lab.folder / "jobs").iterdir()) == []
    assert lab.checks() == ()


def test_a_second_person_signs_where_that_is_demanded(lab: Lab, client: Client) -> None:
    audit_commands.demand_sign_off(lab.registry, True, RecordTerms(by=COLLEAGUE))
    job = begin(lab, client)
    wait_for(job)
    confirm(lab, client, job)
    place = f"/jobs/{job.id}"
    assert "Name of the second person" in client.get(place).text
    same = client.post(f"{place}/sign", data={"name": TECHNICIAN}, headers=lab.headers)
    assert same.status_code == 422
    assert "a second person has to sign it" in same.text
    client.post(f"{place}/sign", data={"name": COLLEAGUE}, headers=lab.headers)
    assert f"Signed off by {COLLEAGUE}" in client.get(place).text


def test_the_position_of_a_field_is_kept_with_the_check_and_drawn(lab: Lab, client: Client) -> None:
    files = [("scans", (SCAN.name, SCAN.read_bytes()))]
    sent = {"sieve": "S-0075", "scale": "given:0", "positions": "1,2 3,4"}
    refused = client.post("/jobs", data=sent, files=files, headers=lab.headers)
    assert "2 positions for 1 scans" in refused.text
    job = begin(lab, client, positions="10,-2.5")
    wait_for(job)
    assert "The fields at their places on the cloth" in client.get(f"/jobs/{job.id}").text
    confirm(lab, client, job)
    payload = json.loads(check_queries.get_check(lab.registry, present(job.check_id)).event.payload)
    assert [image["position_mm"] for image in payload["images"]] == [["10.0", "-2.5"]]
    report = render_check_report(check_view(lab.registry, present(job.check_id)))
    assert "The fields at their places on the cloth" in report
