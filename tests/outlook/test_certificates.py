"""Certificates of outside laboratories: recorded, in force, compared with own checks by E_n."""

from __future__ import annotations

import json
import re
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from foresee_lab import Lab
from program import Program
from registry_made import SCALE
from sieve_inspect.errors import UsageError
from sieve_registry.audit import verification
from sieve_registry.audit.queries import audit
from sieve_registry.errors import DateRefusedError, RuleRefusedError, SieveRetiredError
from sieve_registry.exchange import tables
from sieve_registry.ledger.events import CertificateRecorded
from sieve_registry.ledger.figures import CertifiedDirection
from sieve_registry.ledger.records import Fact
from sieve_registry.outlook.queries import outlook
from sieve_registry.quality import certificate_rules, corrections, queries
from sieve_registry.quality.lookback import lookback_of
from sieve_registry.report.history_page import history_view, render_sieve_history
from sieve_registry.report.record_rows import record_rows
from sieve_registry.report.timeline import timeline_svg
from sieve_registry.scales import equipment
from sieve_registry.scales.artefacts import Device, add_device
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.equipment import NewEquipment
from sieve_registry.scales.errors import EquipmentRefusedError
from sieve_registry.sieves import commands, state
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.certificates import NewCertificate, add_certificate
from sieve_registry.sieves.recording import RecordTerms

ADA = "Ada Moss"


def certify(lab: Lab, day: int, number: str = "EX-1", **changes: Any) -> Fact[CertificateRecorded]:
    """Record a certificate of sieve S-1 for a day of the laboratory."""
    x = CertifiedDirection(mean_um=Decimal("75.40"), expanded_um=Decimal("0.40"))
    y = CertifiedDirection(mean_um=Decimal("75.10"), expanded_um=Decimal("0.40"))
    given = {"laboratory": "Example Metrology", "outcome": "pass", "x": x, "y": y, **changes}
    file = given.pop("document", None)
    lab.clock.day = max(lab.clock.day, lab.day(day))
    terms = RecordTerms(lab.day(day), ADA, given.pop("late_reason", ""))
    return add_certificate(lab.registry, "S-1", NewCertificate(number=number, **given), terms, file)


def state_on(lab: Lab, day: int) -> Any:
    return sieve_queries.get_state(lab.registry, "S-1", lab.day(day))


def test_a_certificate_keeps_its_figures_exactly_and_its_document(lab: Lab, tmp_path: Path) -> None:
    paper = tmp_path / "EX-1.pdf"
    paper.write_bytes(b"%PDF-1.7 made for a test")
    lab.add()
    fact = certify(lab, 3, document=paper, accreditation="D-K-00000-01-00", k=Decimal("2.13"))
    (read,) = queries.certificates(lab.registry, "S-1")
    assert read == fact
    assert (str(read.payload.x.mean_um), str(read.payload.k)) == ("75.40", "2.13")
    assert verification.verify(lab.registry).ok
    (file,) = read.payload.evidence
    assert lab.registry.evidence.read(file.sha256, file.extension) == paper.read_bytes()
    assert (file.role, file.name) == ("certificate", "EX-1.pdf")


def test_the_same_certificate_is_never_recorded_twice(lab: Lab) -> None:
    lab.add()
    certify(lab, 3, "EX-1")
    with pytest.raises(RuleRefusedError, match="recorded already, as event"):
        certify(lab, 3, "ex-1", laboratory="example  metrology")
    certify(lab, 3, "EX-1", laboratory="Another Laboratory")
    assert len(queries.certificates(lab.registry)) == 2


@pytest.mark.parametrize(
    ("changes", "error", "words"),
    [
        ({"x": CertifiedDirection(mean_um=Decimal(754), expanded_um=None)}, UsageError, "unit"),
        ({"k": Decimal(0)}, UsageError, "coverage factor"),
        ({"outcome": "good"}, UsageError, "outcome"),
        ({"next_due": date(2024, 1, 9)}, DateRefusedError, "due again"),
    ],
)
def test_figures_that_cannot_be_meant_are_refused(
    lab: Lab, changes: dict[str, Any], error: type[Exception], words: str
) -> None:
    lab.add()
    with pytest.raises(error, match=words):
        certify(lab, 3, **changes)
    assert queries.certificates(lab.registry) == []


def test_a_stated_pass_counts_as_a_check_until_its_next_due_day(lab: Lab) -> None:
    lab.add(interval_months=6)
    assert state_on(lab, 1).due_because == "never checked"
    certify(lab, 3, next_due=lab.day(100))
    now = state_on(lab, 4)
    assert (now.due, now.due_because) == (lab.day(100), "next due by certificate EX-1")
    assert state.objections_to_use(now) == []
    late = state_on(lab, 101)
    assert late.overdue
    assert [finding.source for finding in state.objections_to_use(late)] == ["due"]


def test_without_a_next_due_day_the_interval_of_the_sieve_holds(lab: Lab) -> None:
    lab.add(interval_months=6)
    certify(lab, 3)
    assert state_on(lab, 4).due == date(2024, 7, 11)


def test_a_certificate_may_be_older_than_the_service_but_not_younger(lab: Lab) -> None:
    lab.add(interval_months=6)
    certify(lab, -31)  # 8 December 2023, a month before
    assert state_on(lab, 0).due == date(2024, 6, 8)
    lab.clock.day = lab.day(20)
    commands.retire(lab.registry, "S-1", "worn", by=ADA)
    certify(lab, 10, "EX-2")
    with pytest.raises(SieveRetiredError):
        certify(lab, 21, "EX-3")


def test_a_later_own_check_takes_the_place_of_a_certificate(lab: Lab) -> None:
    lab.add(interval_months=6)
    certify(lab, 3, next_due=lab.day(300))
    lab.check(10)
    now = state_on(lab, 11)
    assert now.certificate is None
    assert now.due == date(2024, 7, 18)
    (due,) = queries.certificates_due(lab.registry, lab.day(11))
    assert (due.due, due.overdue) == (lab.day(300), False)  # it stays listed


def test_a_certificate_without_an_outcome_proves_no_sieve(lab: Lab) -> None:
    lab.add()
    certify(lab, 3, outcome="not judged")
    assert state_on(lab, 4).unchecked
    assert state_on(lab, 4).due_because == "never checked"


def test_a_stated_fail_objects_and_opens_a_lookback(lab: Lab) -> None:
    lab.add()
    lab.check(1)
    lab.use(5, 40)
    certify(lab, 20, outcome="fail")
    (objection,) = state.objections_to_use(state_on(lab, 21))
    assert objection.message == "its certificate EX-1 of 2024-01-28 is a fail"
    review = lookback_of(sieve_queries.get_history(lab.registry, "S-1"), lab.day(21))
    assert review.cause is not None
    assert "certificate EX-1" in review.cause.reason
    assert review.uses == 40
    (open_,) = queries.open_lookbacks(lab.registry, lab.day(21))
    assert (open_.sieve_id, open_.uses) == ("S-1", 40)


def test_a_certificate_of_the_cloth_before_says_nothing_of_the_new_cloth(lab: Lab) -> None:
    from sieve_registry.outlook.commands import replace_cloth

    lab.add()
    certify(lab, 3)
    lab.clock.day = lab.day(9)
    replace_cloth(lab.registry, "S-1", "torn", RecordTerms(lab.day(9), ADA))
    assert state_on(lab, 10).due_because == "never checked"


def test_a_passed_certificate_lets_a_quarantined_sieve_return(lab: Lab) -> None:
    lab.add()
    lab.check(1)
    terms = RecordTerms(lab.day(5), ADA)
    lab.clock.day = lab.day(5)
    commands.quarantine(lab.registry, "S-1", "dropped", terms, damage=True)
    certify(lab, 9)
    lab.clock.day = lab.day(10)
    back = commands.return_to_service(
        lab.registry, "S-1", "certified", RecordTerms(lab.day(10), ADA)
    )
    assert back.status == "in service"


def test_short_histories_count_from_a_certificate_too(lab: Lab) -> None:
    lab.add(interval_uses=50)
    lab.check(1)
    lab.use(5, 40)
    certify(lab, 8)
    lab.use(9, 20)
    (short,) = sieve_queries.states(lab.registry, lab.day(10))
    assert short == state_on(lab, 10)
    assert (short.uses_since_check, short.overdue) == (20, False)


def test_a_correction_changes_or_withdraws_a_certificate(lab: Lab) -> None:
    lab.add()
    fact = certify(lab, 3, next_due=lab.day(100))
    terms = RecordTerms(by=ADA)
    change = {"next-due": "2024-06-30", "laboratory": "Example Metrology, North"}
    corrections.correct(lab.registry, str(fact.seq), change, "misread", terms)
    (read,) = queries.certificates(lab.registry, "S-1")
    assert read.payload.laboratory == "Example Metrology, North"
    assert state_on(lab, 3).due == date(2024, 6, 30)
    corrections.correct(lab.registry, str(fact.seq), {}, "another sieve's", terms, void=True)
    assert queries.certificates(lab.registry, "S-1") == []
    assert state_on(lab, 3).due_because == "never checked"


def test_a_correction_changes_figures_and_with_them_e_n_and_the_due_day(lab: Lab) -> None:
    # E_n by hand: (75.50 − 75.75) / √(0.30² + 0.40²) = −0.50 once k is 2 and not 1.
    lab.add(interval_months=6)
    wrong = CertifiedDirection(mean_um=Decimal("77.75"), expanded_um=Decimal("0.40"))
    fact = certify(lab, 3, x=wrong, k=Decimal(1), outcome="fail")
    lab.check(1)
    change = {"mean-x": "0.07575mm", "k": "2", "outcome": "Pass", "sd-x": "3,1 um", "count-y": "90"}
    made = corrections.correct(lab.registry, str(fact.seq), change, "misread", RecordTerms(by=ADA))
    assert made.was["x.mean_um"] == "77.75"
    assert made.now["x.mean_um"] == "75.75"
    (read,) = queries.certificates(lab.registry, "S-1")
    assert (read.payload.x.mean_um, read.payload.x.sd_um) == (Decimal("75.75"), Decimal("3.1"))
    assert (read.payload.y.count, read.payload.y.mean_um) == (90, Decimal("75.10"))
    (compared,) = queries.comparisons(lab.registry)
    assert compared.directions[0].e_n == pytest.approx(-0.5)
    assert state_on(lab, 3).due_because == "6 months after certificate EX-1"
    assert queries.open_lookbacks(lab.registry) == []
    corrections.correct(
        lab.registry, str(fact.seq), {"sd-x": ""}, "not stated", RecordTerms(by=ADA)
    )
    (read,) = queries.certificates(lab.registry, "S-1")
    assert read.payload.x.sd_um is None
    assert verification.verify(lab.registry).ok


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"mean-x": "754um"}, UsageError, "check the unit"),
        ({"mean-x": "75.4"}, UsageError, "unit"),
        ({"mean-y": ""}, UsageError, "length"),
        ({"k": "0"}, UsageError, "coverage factor"),
        ({"next-due": "2024-01-01"}, DateRefusedError, "due again"),
        ({"number": "EX-2"}, RuleRefusedError, "recorded already"),
    ],
)
def test_a_corrected_certificate_is_held_to_the_same_rules(
    lab: Lab, change: dict[str, str], error: type[Exception], words: str
) -> None:
    lab.add()
    fact = certify(lab, 3)
    certify(lab, 4, "EX-2")
    with pytest.raises(error, match=words):
        corrections.correct(lab.registry, str(fact.seq), change, "misread", RecordTerms(by=ADA))
    assert queries.certificates(lab.registry, "S-1")[0] == fact


# --- E_n ----------------------------------------------------------------------------------------


def test_e_n_is_that_of_iso_13528_with_both_u_at_k_2(lab: Lab) -> None:
    # By hand: U_own = 2 · 0.15 = 0.30; U_cert = 2 · 0.39 / 1.95 = 0.40; √(0.09 + 0.16) = 0.50.
    # x: (75.50 − 75.25) / 0.50 = +0.50; y: (75.20 − 75.90) / 0.50 = −1.40.
    lab.add()
    certify(
        lab, 3, k=Decimal("1.95"),
        x=CertifiedDirection(mean_um=Decimal("75.25"), expanded_um=Decimal("0.39")),
        y=CertifiedDirection(mean_um=Decimal("75.90"), expanded_um=Decimal("0.39")),
    )  # fmt: skip
    lab.check(8)
    (made,) = queries.comparisons(lab.registry)
    x, y = made.directions
    assert [x.e_n, y.e_n] == pytest.approx([0.5, -1.4])
    assert (x.satisfactory, y.satisfactory, made.satisfactory) == (True, False, False)
    assert made.days_apart == 5
    words = certificate_rules.conclusion([made], 30)
    assert "1 of 2 E_n are satisfactory" in words
    assert "Look for the cause" in words


def test_the_nearest_check_of_the_same_cloth_within_the_days_counts(lab: Lab) -> None:
    lab.add()
    lab.check(1)
    near = lab.check(18)
    certify(lab, 20)
    lab.check(60)
    (made,) = queries.comparisons(lab.registry, "S-1")
    assert made.check is not None
    assert (made.check.id, made.days_apart) == (near.check.id, -2)
    (none,) = queries.comparisons(lab.registry, "S-1", within_days=1)
    assert none.check is None
    assert "within 1 days" in none.problem


def test_a_past_day_compares_only_with_the_checks_up_to_it(lab: Lab) -> None:
    lab.add()
    certify(lab, 3)
    lab.check(8)
    (then,) = queries.comparisons(lab.registry, "S-1", day=lab.day(5))
    assert then.check is None
    (table,) = [t for t in audit(lab.registry, lab.day(5)).tables if t.name == "certificates"]
    (row,) = [dict(zip(table.columns, cells, strict=True)) for cells in table.rows]
    assert (row["own check"], row["days apart"], row["E_n"]) == ("", "", "")
    (now,) = queries.comparisons(lab.registry, "S-1", day=lab.day(8))
    assert now.days_apart == 5


def test_new_cloth_between_leaves_nothing_to_compare(lab: Lab) -> None:
    from sieve_registry.outlook.commands import replace_cloth

    lab.add()
    lab.check(1)
    lab.clock.day = lab.day(2)
    replace_cloth(lab.registry, "S-1", "torn", RecordTerms(lab.day(2), ADA))
    certify(lab, 3)
    (made,) = queries.comparisons(lab.registry)
    assert made.satisfactory is None


def test_without_u_on_the_certificate_there_is_no_e_n(lab: Lab) -> None:
    bare = CertifiedDirection(mean_um=Decimal("75.4"), expanded_um=None)
    lab.add()
    lab.check(1)
    certify(lab, 3, x=bare, y=bare)
    (made,) = queries.comparisons(lab.registry)
    assert (made.directions, made.problem) == ((), "the certificate states no U")


# --- wear ---------------------------------------------------------------------------------------


def test_another_instrument_does_not_read_as_wear(lab: Lab) -> None:
    # Own checks do not change; the outside laboratory stands 1.5 um higher by its own instrument.
    lab.add()
    for day in (1, 60, 120):
        lab.use(day, 100)
        lab.check(day + 1)
    before = outlook(lab.registry, "S-1", lab.day(200)).wear.trends[0]
    high = CertifiedDirection(mean_um=Decimal("77.00"), expanded_um=Decimal("0.20"))
    certify(lab, 190, x=high, y=high)
    seen = outlook(lab.registry, "S-1", lab.day(200)).wear
    (trend,) = (t for t in seen.trends if (t.name, t.direction) == ("mean", "x"))
    assert before.slope is not None
    assert trend.slope == pytest.approx(before.slope, abs=1e-9)
    assert trend.now_um == pytest.approx(75.5, abs=0.01)
    assert not trend.significant
    assert [check.id for check in seen.certificates] == ["certificate EX-1"]


def test_two_certificates_of_one_laboratory_tell_of_wear(lab: Lab) -> None:
    # 1.0 um in 1000 uses, by both instruments.
    lab.add()
    for number, (day, mean) in enumerate(((1, 75.0), (200, 76.0))):
        certify(
            lab, day, f"EX-{number}",
            x=CertifiedDirection(mean_um=Decimal(str(mean)), expanded_um=Decimal("0.20")),
        )  # fmt: skip
        lab.check(day + 1, x=mean + 0.3)
        lab.use(day + 2, 1000)
    trend = outlook(lab.registry, "S-1", lab.day(201)).wear.trends[0]
    assert trend.checks == 4
    assert trend.slope == pytest.approx(1.0, abs=1e-6)


def test_a_device_in_quarantine_measures_nothing_and_a_damaged_one_is_noted(lab: Lab) -> None:
    chain = CheckScale(SCALE, {"scale": {"device": "SCAN-1"}})
    lab.add()
    lab.clock.day = lab.day(1)
    device = Device("SCAN-1", "scanner", "SN-7", "4800dpi", "transmitted", "srgb", 0, 1000, 3e5)
    add_device(lab.registry, device, RecordTerms(lab.day(1), ADA))
    equipment.add_equipment(
        lab.registry, NewEquipment(id="SCAN-1", kind="device"), RecordTerms(lab.day(1), ADA)
    )
    lab.check(2, chain=chain)
    for day, act in ((3, "damage"), (5, "quarantine")):
        lab.clock.day = lab.day(day)
        terms = RecordTerms(lab.day(day), ADA)
        equipment.log_equipment(lab.registry, "SCAN-1", act, terms, note="lid cracked")
        if act == "damage":
            noted = lab.check(4, chain=chain)
    warnings = json.loads(noted.event.payload)["warnings"]
    assert "SCAN-1: damaged on 2024-01-11: lid cracked" in warnings
    with pytest.raises(EquipmentRefusedError, match="'SCAN-1' cannot be used: it is quarantined"):
        lab.check(6, chain=chain)


def test_the_audit_lists_certificates_with_e_n_and_their_document(lab: Lab, tmp_path: Path) -> None:
    paper = tmp_path / "EX-1.pdf"
    paper.write_bytes(b"%PDF-1.7 made for a test")
    lab.add()
    certify(lab, 3, document=paper)
    lab.check(8)
    made = {table.name: table for table in audit(lab.registry, lab.day(8)).tables}
    (row,) = made["certificates"].rows
    cells = dict(zip(made["certificates"].columns, row, strict=True))
    assert (cells["number"], cells["own check"], cells["days apart"]) == ("EX-1", "C-0001", "5")
    assert cells["E_n"] == "x +0.20, y +0.20"  # 0.10 um of √(0.30² + 0.40²)
    names = [row[made["evidence"].columns.index("name")] for row in made["evidence"].rows]
    assert "EX-1.pdf" in names


def test_history_page_and_timeline_show_certificates(lab: Lab) -> None:
    lab.add()
    certify(lab, 3, accreditation="EX-0001")
    history = sieve_queries.get_history(lab.registry, "S-1")
    rows = record_rows(history, [], lab.day(4))
    (details,) = (row.details for row in rows if row.what == "certificate recorded")
    assert "EX-1 of Example Metrology: x 75.40 ± 0.40 um" in details
    assert "accreditation EX-0001" in details
    assert "certificate EX-1, 2024-01-11: pass" in str(timeline_svg(history, [], lab.day(4)))
    page = render_sieve_history(history_view(lab.registry, "S-1", lab.day(4)))
    assert "certificate EX-1 of 2024-01-11: pass. Next check by" in page


# --- import -------------------------------------------------------------------------------------

TABLE = """Sieve,Date,Number,Laboratory,Mean_x,Mean_y,U_x,U_y,k,Max_x,Outcome,Next_due,Operator
S-1,2024-01-11,EX-1,Example Metrology,75.40,75.10,0.40,0.40,2,90.1,pass,2025-01-11,C.
S-2,2024-01-11,EX-1,Example Metrology,"74,90","75,00","0,38","0,38",,,,,C.
"""


def read_in(lab: Lab, text: str) -> tables.Imported:
    path = lab.scan.with_name("certificates.csv")
    path.write_text(text, "utf-8")
    lab.clock.day = lab.day(20)
    terms, mapping = RecordTerms(by=ADA), tables.TableMapping()
    return tables.import_table(lab.registry, path, "certificates", mapping, terms, dry_run=False)


def test_a_table_of_certificates_is_imported_once_with_unknown_columns_named(lab: Lab) -> None:
    lab.add()
    lab.add("S-2")
    done = read_in(lab, TABLE)
    assert (done.rows, done.recorded, done.ignored) == (2, True, ("Operator",))
    one, two = queries.certificates(lab.registry)
    assert (one.payload.outcome, one.payload.next_due) == ("pass", date(2025, 1, 11))
    assert one.payload.x.max_um == Decimal("90.1")
    assert (two.payload.outcome, two.payload.k, two.subject) == ("not judged", Decimal(2), "S-2")
    assert two.payload.x.mean_um == Decimal("74.90")
    assert one.payload.imported == {"event": one.seq - 1, "line": 2}
    again = read_in(lab, TABLE)
    assert not again.recorded
    assert [row.line for row in again.bad] == [2, 3]
    assert "recorded already" in again.bad[0].reason
    assert len(queries.certificates(lab.registry)) == 2


def test_a_row_with_an_error_is_named_and_nothing_is_imported(lab: Lab) -> None:
    lab.add()
    lab.add("S-2")
    wrong = TABLE.replace('"75,00"', "750").replace("S-1,", "S-9,")
    done = read_in(lab, wrong)
    assert not done.recorded
    assert [(row.line, row.reason.split(":")[0]) for row in done.bad] == [
        (2, "There is no sieve 'S-9' in the registry"),
        (3, "A mean of 750 um in y does not belong to a nominal of 75 um"),
    ]
    assert queries.certificates(lab.registry) == []


# --- the program --------------------------------------------------------------------------------


def test_the_command_line_adds_lists_shows_and_compares(run: Program, lab: Lab) -> None:
    lab.add()
    lab.check(8)
    paper = lab.scan.with_name("paper.pdf")
    paper.write_bytes(b"%PDF-1.7")
    made = run(
        *("certificate", "add", "S-1", "--number", "EX-7", "--laboratory", "Example Metrology"),
        *("--mean-x", "75.30um", "--mean-y", "0.0751mm", "--u-mean", "0.4um", "--outcome", "Pass"),
        *("--file", str(paper), "--date", "2024-01-10", "--next-due", "2025-01-10", "--json", "-"),
    )
    answer = json.loads(made.out)
    assert answer["directions"]["y"] == {
        "mean_um": 75.1, "U_um": 0.4, "sd_um": None, "max_um": None, "wire_mean_um": None,
        "count": None,
    }  # fmt: skip
    assert answer["evidence"][0]["name"] == "paper.pdf"
    assert "EX-7" in run("certificate", "list").out
    papers = lab.scan.with_name("papers")
    shown = run("certificate", "show", "S-1", "--documents", papers).out
    (copy,) = papers.iterdir()
    assert copy.name.endswith("-paper.pdf")
    assert copy.read_bytes() == paper.read_bytes()
    assert re.search(r"x +75\.3 +0\.4", shown)
    assert "x 75.3 ± 0.4 um, y 75.1 ± 0.4 um" in run("sieve", "show", "S-1").out
    chart = lab.scan.with_name("e_n.svg")
    compared = json.loads(run("certificate", "compare", "--plot", str(chart), "--json", "-").out)
    (comparison,) = compared["comparisons"]
    assert comparison["days_apart"] == 6
    assert comparison["directions"]["x"]["e_n"] == pytest.approx(0.2 / 0.5)
    assert chart.read_text("utf-8").startswith("<svg")
    assert "2 of 2 E_n are satisfactory" in run("certificate", "compare").out
    state_shown = json.loads(run("sieve", "show", "S-1", "--json", "-").out)
    assert [c["number"] for c in state_shown["certificates"]] == ["EX-7"]
