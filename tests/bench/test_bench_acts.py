"""Every act of the bench page is one command of a room: what it records, and what it refuses."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from httpx import Client, Response

from bench_lab import TECHNICIAN, Lab
from sieve_registry.bench.guide import device_rows
from sieve_registry.bench.naming import by_name, sieve_of
from sieve_registry.ledger.records import NewSieve, SieveState
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves import stacks
from sieve_registry.store import writer
from sieve_registry.store.engine import Registry

Send = Callable[..., Response]


@pytest.fixture
def send(lab: Lab, client: Client) -> Send:
    def post(
        place: str, files: dict[str, tuple[str, bytes]] | None = None, **fields: str
    ) -> Response:
        data = {"name": TECHNICIAN} | fields
        return client.post(place, data=data, files=files, headers=lab.headers)

    return post


def opened(answer: Response) -> str:
    """The page a recorded act opens."""
    assert answer.status_code == 204, answer.text
    return answer.headers["HX-Redirect"]


def number(place: str, name: str) -> str:
    return parse_qs(urlsplit(place).query)[name][0]


def test_a_wrong_name_is_put_right_on_the_page(lab: Lab, client: Client, send: Send) -> None:
    opened(send("/sieves/new", id="S-52O", nominal="250um"))
    assert 'name="new_name"' in client.get("/sieve/edit?id=S-52O").text
    done = opened(send("/sieve/edit", sieve="S-52O", interval_months="12", new_name="S-520"))
    assert done.startswith("/sieve?id=S-520")
    assert "S-520" in client.get(done).text
    opened(send("/use", sieve="S-520", count="1"))
    same = {"sieve": "S-520", "interval_months": "12"}
    assert "its name stays" in send("/sieve/edit", **same, new_name="S-521").text
    assert sieve_queries.get_state(lab.registry, "S-520").uses_total == 1


PAGES = (
    *("/sieve?id=S-0075", "/sieves/new", "/sieve/edit?id=S-0075", "/sieve/plan?id=S-0075"),
    *("/correct?event=1", "/equipment", "/findings", "/people", "/scales", "/stacks"),
)


@pytest.mark.parametrize("ahead", [False, True])
def test_every_form_asks_why_where_the_clock_is_far_ahead(
    lab: Lab, client: Client, send: Send, monkeypatch: pytest.MonkeyPatch, ahead: bool
) -> None:
    monkeypatch.setattr(writer, "CLOCK_AHEAD", timedelta(days=300))
    lab.clock.set("2027-06-01" if ahead else "2026-06-01")
    texts = [client.get(place).text for place in PAGES]
    forms = [f for text in texts for f in re.findall(r"<form[^>]* hx-post=.*?</form>", text, re.S)]
    named = [form for form in forms if 'name="name"' in form]
    assert len(named) > len(PAGES)
    required = [f for f in named if re.search(r'name="why_late"[^>]* required', f)]
    assert required == (named if ahead else [])
    change = {"event": "1", "why": "typing error", "what": "change", "serial": "7"}
    if ahead:
        refused = send("/correct", **change).text
        assert "days after the last event" in refused
        assert "--why-late" not in refused
        change["why_late"] = "closed for a year"
    opened(send("/correct", **change))
    opened(send("/use", sieve="S-0075", count="1"))  # asked once


def test_a_sieve_is_added_used_cleaned_edited_and_retired(
    lab: Lab, client: Client, send: Send
) -> None:
    added = opened(send("/sieves/new", id="S-0250", nominal="No. 60", frame="8 in", type="T1"))
    assert added == "/sieve?id=S-0250&new=yes"
    sieve = sieve_queries.get_state(lab.registry, "S-0250")
    assert (sieve.sieve.nominal_um, sieve.sieve.frame_nm) == (250, 203_200_000)
    assert sieve.details.type == "T1"
    done = opened(send("/use", sieve="S-0250", count="12", method="vibratory", material="sand"))
    assert "12 uses" in client.get(done).text
    assert f'href="/correct?event={number(done, "done")}&amp;undo=yes"' in client.get(done).text
    opened(send("/clean", sieve="S-0250", method="brush"))
    same = {"location": "", "interval_months": "12", "type": "T1"}
    assert "Nothing differs" in send("/sieve/edit", sieve="S-0250", **same).text
    opened(send("/sieve/edit", sieve="S-0250", **{**same, "location": "rack 9"}))
    opened(send("/retire", sieve="S-0250", reason="torn", date="2026-03-02"))
    now = sieve_queries.get_state(lab.registry, "S-0250")
    assert (now.status, now.location, now.uses_total) == ("retired", "rack 9", 12)
    history = sieve_queries.get_history(lab.registry, "S-0250")
    assert history.retirement.person == TECHNICIAN
    assert [act.payload.to_payload() for act in history.acts] == [{"method": "brush", "note": ""}]
    refused = send("/use", sieve="S-0250", count="1")
    assert refused.status_code == 422
    assert "retired" in refused.text


def test_an_act_is_undone_and_the_undoing_is_withdrawn(
    lab: Lab, client: Client, send: Send
) -> None:
    event = number(opened(send("/use", sieve="S-0075", count="40")), "done")
    form = client.get(f"/correct?event={event}&undo=yes").text
    assert "entered by mistake" in form
    opened(send("/correct", event=event, what="void", why="typed twice"))
    assert sieve_queries.get_state(lab.registry, "S-0075").uses_total == 0
    assert "It is void" in client.get(f"/correct?event={event}").text
    opened(send("/correct", event=event, what="valid", why="it was right"))
    opened(send("/correct", event=event, what="change", why="misread", count="4"))
    assert sieve_queries.get_state(lab.registry, "S-0075").uses_total == 4
    same = send("/correct", event=event, what="change", why="misread", count="4")
    assert "No field differs" in same.text


def test_a_table_is_imported_whole_or_every_bad_row_is_named(lab: Lab, send: Send) -> None:
    bad = b"id;nominal\nS-1;75um\nS-2;75\nS-3;nonsense\n"
    answer = send("/sieves/table", {"table": ("sieves.csv", bad)})
    assert answer.status_code == 422
    assert "rows with errors: 2" in answer.text
    assert "line 4" in answer.text
    assert len(lab.desk.overview.states()) == 2
    good = b"id;nominal;location\nS-1;75um;A\nS-2;0,125 mm;B\n"
    assert opened(send("/sieves/table", {"table": ("sieves.csv", good)})) == "/sieves?imported=2"
    assert [s.sieve.nominal_um for s in lab.desk.overview.states()][-2:] == [75, 125]


def test_the_list_finds_by_words_and_state(lab: Lab, client: Client, send: Send) -> None:
    opened(send("/quarantine", sieve="S-0125", reason="fell", damage="yes"))
    listed = client.get("/sieves?q=75 rack").text
    assert "S-0075" in listed
    assert "S-0125" not in listed.split("<tbody>")[1]
    assert "1 of 2 sieves" in client.get("/sieves/rows?show=quarantined").text
    assert "No sieve fits" in client.get("/sieves/rows?q=nowhere").text


def test_a_stack_is_kept_asked_and_run(lab: Lab, client: Client, send: Send) -> None:
    assert "S-0125\nS-0075" in client.get("/stacks?id=S-0075&id=S-0125").text  # coarse on top
    opened(send("/stacks", stack="sand", sieves="S-0125\nS-0075"))
    page = client.get("/stack?name=sand").text
    assert "Not ready" in page
    assert "was never checked" in page
    refused = send("/stack/run", stack="sand", ready="no", count="1", method="vibratory")
    assert "The stack is not ready" in refused.text
    masses = {"mass-of": "S-0075", "mass-S-0075": "12,5"}
    run = {"stack": "sand", "ready": "no", "note": "trial", "count": "2", "method": "vibratory"}
    logged = opened(send("/stack/run", **run, **masses))
    assert "Run logged as event" in client.get(logged).text
    (made,) = stacks.show(lab.registry, "sand")[1]
    assert made.payload.to_payload()["retained_g"] == {"S-0075": "12.5"}
    assert sieve_queries.get_state(lab.registry, "S-0125").uses_total == 2


def test_artefact_device_and_reference_are_recorded(
    lab: Lab, client: Client, send: Send, tmp_path: Path
) -> None:
    device = {"id": "FB", "kind": "scanner", "serial": "7", "setting": "4800dpi", "lamp": "4"}
    opened(send("/scales/devices", **device))
    certificate = {"certificate": "EX-1", "laboratory": "Example Metrology"}
    days = {"valid_from": "2026-01-05", "valid_to": "2029-01-05"}
    artefact = {"id": "G", "kind": "dots", "pitch": "400um", **certificate, **days}
    files = {"certificate_file": ("g.pdf", b"%PDF-1.4 example")}
    assert "U of the pitch missing" in send("/scales/artefacts", files, **artefact).text
    opened(send("/scales/artefacts", files, **artefact, u_pitch="0.04um"))
    page = client.get("/scales").text
    assert "FB, 4800dpi" in page
    assert "pitch 400 µm ± 0.04 µm" in page
    assert "4 of 7 steps done" in client.get("/first-day").text  # device, lamp, artefact, sieves
    pair = {"material": "M-1", "pairs": "12.4 12.1\n12.5 12.2", "expanded": "0.4 0.3"}
    done = opened(send("/reference/master", sieve="S-0075", **pair))
    assert "E_n = 0.60" in client.get(done).text  # 0.3 / hypot(0.4, 0.3)
    third = {"material": "C-1", "certified": "10", "residue-1": "10.0", "residue-2": "10.4"}
    assert "make a third run" in send("/reference/cement", sieve="S-0075", **third).text


def test_sheets_of_labels_an_audit_and_drawings(lab: Lab, client: Client) -> None:
    sheet = client.get("/label?id=S-0075&id=S-0125&size=small").text
    assert sheet.count("<svg") == 2
    assert "Tick 1 to 200 sieves" in client.get("/label").text
    audit = client.get("/audit?as_of=2026-03-02")
    assert "S-0125" in audit.text
    assert audit.headers["content-security-policy"].split("script-src ")[1] in audit.text
    assert client.get("/sieve/timeline.svg?id=S-0075").headers["content-type"] == "image/svg+xml"
    assert client.get("/sieve/wear.svg?id=S-0075").status_code == 404  # two checks are needed


def test_settings_fill_in_a_name_and_head_a_report(
    client: Client, send: Send, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SIEVEWARD_SETTINGS", str(tmp_path / "settings.json"))
    logo = {"logo": ("logo.gif", b"GIF89a")}
    assert "must be a PNG or JPEG" in send("/settings", logo, laboratory="Example Sieves").text
    opened(send("/settings", None, person=TECHNICIAN, laboratory="Example Sieves"))
    assert f'value="{TECHNICIAN}"' in client.get("/sieve?id=S-0075").text
    assert "<strong>Example Sieves</strong>" in client.get("/history?id=S-0075").text
    (tmp_path / "settings.json").write_text("[]")
    assert client.get("/sieve?id=S-0075").status_code == 200
    assert "settings.json cannot be read" in client.get("/settings").text


@pytest.mark.parametrize(
    ("name", "sieve"),
    [
        ("S-0075.png", "S-0075"),
        ("s0075-2.TIF", "S-0075"),
        ("s 0075 (1).png", "S-0075"),
        ("S-0075-A_3.png", "S-0075-A"),
    ],
)
def test_a_scan_belongs_to_the_sieve_its_name_begins_with(name: str, sieve: str) -> None:
    assert sieve_of(name, ["S-0075", "S-0075-A", "S-007"]) == sieve


def test_a_name_that_fits_no_sieve_or_two_is_not_guessed() -> None:
    names = ["tray.png", "s0075-1.png", "S-00751.png", "S-0075-1.png"]
    named = by_name(names, ["S-0075", "S-00751"])
    assert named.by_sieve == {"S-00751": ["S-00751.png"], "S-0075": ["S-0075-1.png"]}
    assert "begins with no sieve" in named.unclear["tray.png"]
    assert "fits S-0075 and S-00751" in named.unclear["s0075-1.png"]


def test_the_table_of_devices_follows_from_pixels_and_limits() -> None:
    """Ten pixels of 25400/600 µm are 423 µm; 8.5 of 25400/4800 are 45 µm; Y of 75 µm is 3.7."""
    rows = {row.device: row for row in device_rows()}
    assert rows["microscope"].sizes.startswith("20 µm to 40 µm")
    assert rows["flatbed scanner, 4800 dpi"].sizes.startswith("45 µm")
    assert rows["flatbed scanner, 600 dpi"].sizes.startswith("425 µm to 125 mm")


def test_two_thousand_sieves_are_read_once(
    lab: Lab, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The states are kept until the day or the ledger changes."""
    read = []
    states = sieve_queries.states

    def counted(registry: Registry) -> list[SieveState]:
        read.append(1)
        return states(registry)

    monkeypatch.setattr(sieve_queries, "states", counted)
    for _ in range(3):
        assert client.get("/sieves").status_code == 200
    assert len(read) == 1
    sieve_commands.add_sieve(lab.registry, NewSieve("S-0500", 500))
    assert "S-0500" in client.get("/sieves").text
    assert len(read) == 2
    lab.clock.set("2026-03-03")
    client.get("/sieves")
    assert len(read) == 3
