"""A sieve's wrong name is put right while only its own record and edits stand under it."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from program import Program
from sieve_registry.audit import verification
from sieve_registry.errors import DuplicateSieveError, RuleRefusedError, UnknownSieveError
from sieve_registry.quality import corrections
from sieve_registry.sieves import commands, queries, stacks
from sieve_registry.sieves.naming import rename_sieve
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry

ADA = RecordTerms(by="Ada Moss")


def test_the_new_name_has_details_corrections_and_edits(
    registry: Registry, add: Callable[..., Any]
) -> None:
    add("S-1", in_service=date(2026, 1, 1), serial="A 17", interval_uses=90)
    corrections.correct(registry, "1", {"serial": "A 71"}, "a slip", ADA)
    commands.edit_sieve(
        registry, "S-1", location="shelf 2", details={"warp": "x"}, on_date=date(2026, 2, 1)
    )
    before = queries.get_state(registry, "S-1")
    after = rename_sieve(registry, "S-1", "S-01", ADA)
    assert (after.sieve.serial, after.sieve.in_service) == ("A 71", date(2026, 1, 1))
    assert (after.location, after.details.warp) == ("shelf 2", "x")
    assert (after.interval_uses, after.due) == (before.interval_uses, before.due)
    assert queries.get_state(registry, "S-01", date(2026, 1, 15)).location == ""
    assert [s.sieve.id for s in queries.states(registry, registry.today())] == ["S-01"]
    with pytest.raises(UnknownSieveError, match="its name was corrected to 'S-01'"):
        queries.get_state(registry, "S-1")
    assert verification.verify(registry).ok


def test_the_mistaken_record_stays_and_names_its_successor(
    registry: Registry, add: Callable[..., Any]
) -> None:
    add("S-1")
    rename_sieve(registry, "S-1", "S-01", ADA)
    with registry.reading() as connection:
        assert list(reader.histories(connection, until=1)) == ["S-1"]  # as known then
        kept = [(e.seq, e.kind, e.subject) for e in reader.events(connection)]
    assert kept == [
        (1, "sieve added", "S-1"),
        (2, "record corrected", "S-1"),
        (3, "sieve added", "S-01"),
    ]
    with pytest.raises(DuplicateSieveError, match="once the wrong name"):
        add("S-1")
    with pytest.raises(DuplicateSieveError):
        rename_sieve(registry, "S-01", "S-1", ADA)


@pytest.mark.parametrize("other", ["use", "void use", "check", "stack"])
def test_after_any_other_record_the_name_stays(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any], other: str
) -> None:
    add("S-1")
    if other == "check":
        check()
    elif other == "stack":
        stacks.add(registry, "T-1", ["S-1"], ADA)
    else:
        commands.log_use(registry, "S-1", 3)
    if other == "void use":
        corrections.correct(registry, "2", {}, "a slip", ADA, void=True)
    events = verification.verify(registry).events
    with pytest.raises(RuleRefusedError, match=r"its name stays, because .+ \(event 2\) names it"):
        rename_sieve(registry, "S-1", "S-01", ADA)
    assert verification.verify(registry).events == events


def test_a_name_is_edited_at_the_command_line_with_other_changes(run: Program) -> None:
    assert run("sieve", "add", "S-1", "--nominal", "75mm").code == 0
    edited = run("sieve", "edit", "S-1", "--name", "S-01", "--nominal", "75um", "--location", "A")
    assert (edited.code, "Sieve S-1 is now S-01, 75 um" in edited.out) == (0, True)
    shown = json.loads(run("sieve", "show", "S-01", "--json", "-").out)
    assert (shown["nominal_um"], shown["location"]) == (75, "A")
    assert run("sieve", "show", "S-1").code == UnknownSieveError.exit_code
    assert "S-1 " not in run("sieve", "list").out
    assert run("sieve", "edit", "S-01", "--name", "S-01").code == 2
