"""What may be recorded of a sieve, by whom, for which day, and how exactly it is kept."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from registry_made import Measuring, evidence_folder
from sieve_inspect.errors import UnknownStandardError, UsageError
from sieve_inspect.scale.model import Scale
from sieve_inspect.standard import DEFAULT_STANDARD as THEIR_DEFAULT
from sieve_registry.audit import verification
from sieve_registry.checks import commands as check_commands
from sieve_registry.checks import queries as check_queries
from sieve_registry.errors import (
    BadTextError,
    DateRefusedError,
    DuplicateSieveError,
    EvidenceAlteredError,
    EvidenceError,
    SieveRetiredError,
    UnknownCheckError,
    UnknownSieveError,
)
from sieve_registry.ledger.records import NewSieve
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import Registry
from sieve_registry.values import DEFAULT_STANDARD

SCALE = Scale(5.29, 5.29, 0.001, 0.001, certified=True)


def files_in(registry: Registry) -> list[Path]:
    folder = evidence_folder(registry).folder
    return sorted(p for p in folder.rglob("*") if p.is_file()) if folder.exists() else []


def count_events(registry: Registry) -> int:
    return verification.ledger_head(registry)[0]


# --- sieves ---


def test_the_default_standard_is_that_of_the_measuring_package() -> None:
    assert DEFAULT_STANDARD == THEIR_DEFAULT


def test_a_sieve_keeps_its_details_with_lengths_in_nanometres(registry: Registry) -> None:
    new = NewSieve(
        "S-1",
        31.5,
        serial="A 17",
        frame_um=203_200.0,
        in_service=date(2026, 1, 2),
        interval_months=6,
        interval_uses=100,
        location=" shelf\t2 ",
        maker="Meadow Works",
    )
    sieve = sieve_commands.add_sieve(registry, new, by="Ada Moss").sieve
    assert (sieve.nominal_nm, sieve.frame_nm) == (31_500, 203_200_000)
    assert (sieve.serial, sieve.location, sieve.maker) == ("A 17", "shelf 2", "Meadow Works")
    assert (sieve.in_service, sieve.added_on) == (date(2026, 1, 2), date(2026, 3, 2))
    assert (sieve.person, sieve.recorded_at) == ("Ada Moss", "2026-03-02T12:00:00Z")


def test_without_a_name_the_login_name_is_recorded(
    registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOGNAME", "moss")
    assert sieve_commands.add_sieve(registry, NewSieve("S-1", 75.0)).sieve.person == "moss"


@pytest.mark.parametrize(
    "hostile",
    ["../../x", "=1+1", "🧪👩‍🔬", "'; DROP TABLE sieve; --", "<b>x</b>", "x" * 64, "%s{0}"],
)
def test_a_hostile_id_is_a_name_like_any_other(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], hostile: str
) -> None:
    add(hostile)
    check(hostile)
    assert sieve_queries.get_state(registry, hostile).sieve.id == hostile
    assert all(evidence_folder(registry).folder in file.parents for file in files_in(registry))
    assert verification.verify(registry).ok


@pytest.mark.parametrize(
    "bad", ["", "   ", "a\nb", "a\x1b[31m", "x" * 65, "a\u202eb", "\ud800", "a\x00b"]
)
def test_an_id_nobody_can_read_is_refused(
    registry: Registry, add: Callable[..., Any], bad: str
) -> None:
    with pytest.raises(BadTextError):
        add(bad)
    assert count_events(registry) == 0


def test_two_spellings_of_one_letter_are_one_id(add: Callable[..., Any]) -> None:
    add("M\u00fcller")
    with pytest.raises(DuplicateSieveError):
        add("Mu\u0308ller ")


def test_a_standard_nobody_has_is_refused_before_anything_is_recorded(
    registry: Registry, add: Callable[..., Any]
) -> None:
    with pytest.raises(UnknownStandardError):
        add(standard="iso3310-1:1066")
    assert count_events(registry) == 0


@pytest.mark.parametrize(
    "wrong", [{"interval_months": 0}, {"interval_months": 1201}, {"interval_uses": 0}]
)
def test_an_impossible_interval_is_refused(add: Callable[..., Any], wrong: Any) -> None:
    with pytest.raises(UsageError):
        add(**wrong)


def test_service_does_not_begin_in_the_future(add: Callable[..., Any]) -> None:
    with pytest.raises(DateRefusedError, match="future"):
        add(in_service=date(2026, 3, 3))


def test_an_unknown_sieve_is_refused_with_the_nearest_name(
    registry: Registry, add: Callable[..., Any]
) -> None:
    add("Tower-75")
    with pytest.raises(UnknownSieveError, match="Tower-75"):
        sieve_commands.log_use(registry, "tower-57", 1)


# --- days ---


def test_nothing_is_recorded_for_a_day_to_come(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], measuring: Measuring
) -> None:
    add()
    tomorrow = date(2026, 3, 3)
    for deed in (
        lambda: check(on="2026-03-03"),
        lambda: sieve_commands.log_use(registry, "S-1", 1, on_date=tomorrow),
        lambda: sieve_commands.retire(registry, "S-1", "worn", on_date=tomorrow),
        lambda: sieve_commands.edit_sieve(registry, "S-1", interval_months=3, on_date=tomorrow),
    ):
        with pytest.raises(DateRefusedError, match="future"):
            deed()
    assert count_events(registry) == 1
    assert measuring.calls == []


def test_nothing_is_recorded_for_a_day_before_service(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add(in_service=date(2026, 2, 1))
    with pytest.raises(DateRefusedError, match="before"):
        check(on="2026-01-31")
    with pytest.raises(DateRefusedError, match="before"):
        sieve_commands.log_use(registry, "S-1", 1, on_date=date(2026, 1, 31))
    with pytest.raises(DateRefusedError, match="before"):
        sieve_commands.retire(registry, "S-1", "worn", on_date=date(2026, 1, 31))


def test_a_retired_sieve_is_neither_checked_nor_used_nor_retired_again(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add(in_service=date(2026, 1, 1))
    sieve_commands.retire(registry, "S-1", "torn at the rim", on_date=date(2026, 2, 1))
    for deed in (
        check,
        lambda: check(on="2026-02-01"),
        lambda: sieve_commands.log_use(registry, "S-1", 1),
        lambda: sieve_commands.retire(registry, "S-1", "again"),
        lambda: sieve_commands.edit_sieve(registry, "S-1", location="bin"),
    ):
        with pytest.raises(SieveRetiredError, match="torn at the rim"):
            deed()
    check(on="2026-01-31")  # an older paper may still be entered


def test_a_sieve_is_not_retired_before_it_was_last_used(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add(in_service=date(2026, 1, 1))
    check(on="2026-02-10")
    with pytest.raises(DateRefusedError, match="2026-02-10"):
        sieve_commands.retire(registry, "S-1", "worn", on_date=date(2026, 2, 9))
    assert (
        sieve_commands.retire(registry, "S-1", "worn", on_date=date(2026, 2, 10)).status
        == "retired"
    )


def test_a_retirement_needs_a_reason(registry: Registry, add: Callable[..., Any]) -> None:
    add()
    with pytest.raises(BadTextError):
        sieve_commands.retire(registry, "S-1", "  ")


@pytest.mark.parametrize("count", [0, -3, 1_000_001])
def test_a_number_of_uses_must_be_a_number(
    registry: Registry, add: Callable[..., Any], count: int
) -> None:
    add()
    with pytest.raises(UsageError):
        sieve_commands.log_use(registry, "S-1", count)


# --- checks ---


def test_a_check_measures_with_what_the_sieve_is(
    add: Callable[..., Any], check: Callable[..., Any], measuring: Measuring
) -> None:
    add(grade="inspection")
    check()
    (call,) = measuring.calls
    assert (call["nominal_um"], call["judging"].grade) == (75.0, "inspection")
    assert call["judging"].standard == DEFAULT_STANDARD


def test_a_check_records_figures_verdict_and_margins_exactly(
    add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    detail = check()
    found = detail.check
    assert (found.id, found.sieve_id, found.on_date) == ("C-0001", "S-1", date(2026, 3, 2))
    assert found.x.mean_um == Decimal("75.12345")  # every digit, no binary rounding
    assert (found.x.count, found.x.u_max_um) == (400, Decimal("0.6"))
    assert (found.outcome, found.action, found.rule) == ("pass", "keep", "guard-band")
    assert found.reasons == (f"the mean is {75.12345:g} um",)
    assert [m.direction for m in detail.margins] == ["x", "y"]
    assert detail.margins[0].limit_high_um == Decimal("78.7")


def test_a_check_records_the_software_that_computed_it(
    add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    detail = check()
    made_with = json.loads(detail.event.payload)["measured_with"]
    assert detail.check.software.startswith("sieveward ")
    assert {"python", "numpy", "opencv-python-headless"} <= made_with.keys()
    assert "unknown" not in made_with.values()


def test_a_check_keeps_scans_drawings_figures_and_scale_as_evidence(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], scan: Path
) -> None:
    add()
    evidence = check().evidence
    roles = ["scan", "overlay", "measurement", "apertures", "scale", "limits"]
    assert [f.role for f in evidence] == roles
    assert check_queries.evidence_bytes(registry, evidence[0].sha256) == scan.read_bytes()
    for file in evidence:
        data = check_queries.evidence_bytes(registry, file.sha256)
        assert (hashlib.sha256(data).hexdigest(), len(data)) == (file.sha256, file.size)
        folder = evidence_folder(registry).folder / file.sha256[:2]
        assert (folder / f"{file.sha256}{file.extension}").is_file()


def test_the_same_scan_is_kept_once_whatever_its_name(
    registry: Registry, add: Callable[..., Any], scan: Path, measuring: Measuring, tmp_path: Path
) -> None:
    add()
    twin = tmp_path / "copy.TIFF"
    twin.write_bytes(scan.read_bytes())
    first, second = (
        check_commands.check(
            registry, "S-1", scans, scale=SCALE, accept_scan="drawn", measure=measuring
        )
        for scans in ([scan], [twin, scan])
    )
    kept = {f.sha256 for f in (*first.evidence, *second.evidence)}
    assert len(files_in(registry)) == len(kept)
    assert second.evidence[0].extension == ".tif"
    assert [f.name for f in second.evidence[:2]] == ["copy.TIFF", "field-1.tif"]
    assert verification.verify(registry).ok


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_a_scan_may_have_any_name_its_folder_allows(
    registry: Registry, add: Callable[..., Any], scan: Path, measuring: Measuring
) -> None:
    add()
    odd = scan.with_name(os.fsdecode(b"a\xff\x1b[31m\nb.tif"))
    scan.rename(odd)
    detail = check_commands.check(registry, "S-1", [odd], scale=SCALE, measure=measuring)
    assert detail.evidence[0].name == "a\ufffd\ufffd[31m\ufffdb.tif"
    assert verification.verify(registry).ok


def test_a_check_that_cannot_be_measured_leaves_nothing(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], measuring: Measuring
) -> None:
    add()

    def fall_over() -> None:
        raise UsageError(message="no mesh here")

    measuring.during = fall_over
    with pytest.raises(UsageError, match="no mesh here"):
        check()
    assert count_events(registry) == 1
    assert files_in(registry) == []


def test_a_scan_that_changes_while_it_is_measured_is_refused(
    registry: Registry,
    add: Callable[..., Any],
    check: Callable[..., Any],
    measuring: Measuring,
    scan: Path,
) -> None:
    add()
    measuring.during = lambda: scan.write_bytes(b"another picture")
    with pytest.raises(EvidenceError, match="changed"):
        check()
    assert files_in(registry) == []


def test_a_scan_that_vanishes_is_refused(
    registry: Registry,
    add: Callable[..., Any],
    check: Callable[..., Any],
    measuring: Measuring,
    scan: Path,
) -> None:
    add()
    measuring.during = scan.unlink
    with pytest.raises(EvidenceError):
        check()
    assert files_in(registry) == []


def test_a_check_that_cannot_be_recorded_takes_its_evidence_away(
    registry: Registry,
    add: Callable[..., Any],
    check: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    add()
    before = check() and files_in(registry)

    def fall_over(event: object) -> None:
        raise RuntimeError("the disk is gone")

    monkeypatch.setattr("sieve_registry.store.writer.rows_of", fall_over)
    monkeypatch.setattr("sieve_registry.checks.evidence._json_bytes", lambda _: b"new content")
    with pytest.raises(RuntimeError):
        check()
    assert files_in(registry) == before
    assert count_events(registry) == 2


def test_a_sieve_retired_while_its_scans_are_measured_gets_no_check(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], measuring: Measuring
) -> None:
    add()
    measuring.during = lambda: sieve_commands.retire(registry, "S-1", "dropped")
    with pytest.raises(SieveRetiredError):
        check()
    assert files_in(registry) == []


def test_a_new_check_does_not_lean_on_altered_evidence(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    scan = check().evidence[0]
    kept = evidence_folder(registry).path_of(scan.sha256, scan.extension)
    kept.chmod(0o644)
    kept.write_bytes(b"altered")
    with pytest.raises(EvidenceAlteredError):
        check()
    with pytest.raises(EvidenceAlteredError):
        check_queries.evidence_bytes(registry, scan.sha256)
    assert count_events(registry) == 2


def test_the_limits_applied_are_kept_as_they_were(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    kept = next(f for f in check().evidence if f.role == "limits")
    limits = json.loads(check_queries.evidence_bytes(registry, kept.sha256))
    assert (limits["standard"], limits["nominal_um"]) == (DEFAULT_STANDARD, 75.0)


def test_a_laboratorys_own_table_is_kept_with_the_check(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], tmp_path: Path
) -> None:
    own = tmp_path / "own.csv"
    own.write_text("nominal_um,y_um,x_um\n75,3,20\n")
    add(standard=str(own))
    kept = next(f for f in check().evidence if f.role == "table")
    assert check_queries.evidence_bytes(registry, kept.sha256) == own.read_bytes()


def test_what_few_apertures_cannot_give_is_recorded_as_unknown(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], measuring: Measuring
) -> None:
    add()
    measuring.unknown = ("sd_um", "u_sd_um", "u_mean_um", "max_um", "u_max_um", "wire_mean_um")
    found = check().check.x
    assert (found.sd_um, found.max_um, found.u_mean_um) == (None, None, None)
    assert verification.verify(registry).ok


@pytest.mark.parametrize("typed", ["C-0001", "c-1", "1", "C1", " 0001 "])
def test_a_check_is_found_however_its_number_is_typed(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], typed: str
) -> None:
    add()
    check()
    assert check_queries.get_check(registry, typed).check.id == "C-0001"


@pytest.mark.parametrize("typed", ["C-0002", "0", "S-1", "", "1" * 30, "C-0001; --"])
def test_a_check_that_is_not_there_is_unknown(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], typed: str
) -> None:
    add()
    check()
    with pytest.raises(UnknownCheckError):
        check_queries.get_check(registry, typed)


def test_evidence_no_check_refers_to_is_not_given(registry: Registry) -> None:
    with pytest.raises(EvidenceError):
        check_queries.evidence_bytes(registry, "0" * 64)
