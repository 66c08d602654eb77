"""Signing in: records by persons who proved who they are, and where passwords are kept.

ISO/IEC 17025:2017, 7.8.1.2 and 8.4.2: who authorised a result has to be known, not typed. The
hashes are argon2id (RFC 9106); a new password has ten letters, of eight NIST SP 800-63B asks for.
"""

from __future__ import annotations

import stat
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from program import Program
from quick_hashes import hash_quickly
from registry_kinds import file_only
from sieve_inspect.errors import UsageError
from sieve_registry.audit import verification
from sieve_registry.checks import commands as check_commands
from sieve_registry.exchange import archive
from sieve_registry.ledger.records import SieveState
from sieve_registry.people import commands, queries, sign_in
from sieve_registry.people.acts import Act
from sieve_registry.people.commands import NewPerson
from sieve_registry.people.errors import SignInError
from sieve_registry.people.recording import RecordTerms
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.store.engine import Registry
from sieve_registry.store.passwords import PasswordStore

ADA, BO = RecordTerms(by="Ada Moss"), RecordTerms(by="Bo Reed")
ADAS, BOS = "correct horse", "battery staple"


@pytest.fixture(autouse=True)
def hashed_quickly(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> None:
    if "real" not in request.node.name:
        hash_quickly(monkeypatch)


def signed_in(registry: Registry, who: str) -> Registry:
    """The registry as a face opens it for somebody who has signed in."""
    return replace(registry, identify=lambda _: who)


@pytest.fixture
def staff(registry: Registry) -> Registry:
    """Ada manages, Bo works; both have a password, and the laboratory demands sign-in."""
    commands.add_person(registry, NewPerson("AM", "Ada Moss"), ADA)
    commands.add_person(registry, NewPerson("BR", "Bo Reed"), ADA)
    commands.authorise(registry, "AM", Act.MANAGE, ADA)
    sign_in.set_password(registry, "AM", ADAS, ADA)
    sign_in.set_password(registry, "BR", BOS, BO)
    commands.set_rules(registry, ADA, sign_in=True)
    return registry


def use(registry: Registry, by: str) -> SieveState:
    return sieve_commands.log_use(registry, "S-1", 1, by=by)


def test_a_typed_name_alone_records_nothing_where_sign_in_is_demanded(
    registry: Registry, add: Callable[..., Any], check: Callable[..., Any]
) -> None:
    add()
    check()
    for person_id, name, password in (("AM", "Ada Moss", ADAS), ("BR", "Bo Reed", BOS)):
        commands.add_person(registry, NewPerson(person_id, name), ADA)
        sign_in.set_password(registry, person_id, password, ADA)
    commands.authorise(registry, "AM", Act.MANAGE, ADA)
    commands.set_rules(registry, ADA, sign_in=True)
    with pytest.raises(SignInError, match="Bo Reed has not signed in"):
        check_commands.sign_check(registry, "C-0001", "", BO)
    with pytest.raises(SignInError, match="Bo Reed has not signed in"):
        check_commands.sign_check(signed_in(registry, "AM"), "C-0001", "", BO)
    with pytest.raises(SignInError, match="Cy Dale has not signed in"):
        use(signed_in(registry, "Cy Dale"), "Cy Dale")
    state = check_commands.sign_check(signed_in(registry, "BR"), "C-0001", "", BO)
    assert state.signed is not None
    assert state.signed.person == "Bo Reed"
    assert verification.verify(registry).ok


def test_the_right_password_signs_in_and_every_other_says_the_same(staff: Registry) -> None:
    assert sign_in.sign_in(staff, "am", ADAS).name == "Ada Moss"
    assert sign_in.sign_in(staff, "ada moss", ADAS).id == "AM"
    sentences = set()
    for name, password in (("AM", BOS), ("AM", ""), ("AM", "x" * 10_000), ("Cy Dale", ADAS)):
        with pytest.raises(SignInError) as refused:
            sign_in.sign_in(staff, name, password)
        sentences.add(str(refused.value))
    assert len(sentences) == 1


def test_five_wrong_passwords_lock_a_person_out_for_a_quarter_of_an_hour(staff: Registry) -> None:
    moment = datetime(2026, 3, 2, 12, tzinfo=UTC)
    at = replace(staff, now=lambda: moment)
    for _ in range(4):
        with pytest.raises(SignInError, match="password is wrong"):
            sign_in.sign_in(at, "BR", ADAS)
    end = (moment + timedelta(minutes=15)).astimezone()
    with pytest.raises(SignInError, match=f"Bo Reed is locked out until {end:%H:%M}"):
        sign_in.sign_in(at, "BR", ADAS)
    with pytest.raises(SignInError, match="locked out"):
        sign_in.sign_in(at, "BR", BOS)
    assert sign_in.sign_in(at, "AM", ADAS).id == "AM"
    later = replace(staff, now=lambda: moment + timedelta(minutes=15))
    assert sign_in.sign_in(later, "BR", BOS).id == "BR"
    kept = PasswordStore(staff).get("BR")
    assert kept is not None
    assert (kept.failures, kept.locked_until) == (0, "")


def test_a_manager_sets_a_new_password_which_ends_a_lock_and_is_on_record(
    staff: Registry,
) -> None:
    for _ in range(5):
        with pytest.raises(SignInError):
            sign_in.sign_in(staff, "BR", ADAS)
    with pytest.raises(SignInError, match="set by that person or by somebody who may manage"):
        sign_in.set_password(signed_in(staff, "BR"), "AM", "a new password", BO)
    with pytest.raises(SignInError, match="set by that person"):
        sign_in.set_password(staff, "BR", "a new password", BO)
    before = sign_in.sign_in(staff, "AM", ADAS).password_event
    person = sign_in.set_password(signed_in(staff, "AM"), "BR", "a new password", ADA)
    assert person.password_event > before
    assert sign_in.sign_in(staff, "BR", "a new password").id == "BR"
    with pytest.raises(SignInError):
        sign_in.sign_in(staff, "BR", BOS)


@file_only
def test_the_real_hashes_are_argon2id_and_a_new_one_each_time(registry: Registry) -> None:
    """RFC 9106, 4: the second recommended parameters, 64 MiB, three passes, four lanes."""
    commands.add_person(registry, NewPerson("AM", "Ada Moss"), ADA)
    hashes = []
    for _ in range(2):
        sign_in.set_password(signed_in(registry, "AM"), "AM", ADAS, ADA)
        kept = PasswordStore(registry).get("AM")
        assert kept is not None
        hashes.append(kept.hash)
    assert hashes[0] != hashes[1]
    assert all(text.startswith("$argon2id$v=19$m=65536,t=3,p=4$") for text in hashes)
    assert sign_in.sign_in(registry, "AM", f" {ADAS} ").id == "AM"


def test_who_left_cannot_sign_in(staff: Registry) -> None:
    commands.person_left(signed_in(staff, "AM"), "BR", "", ADA)
    with pytest.raises(SignInError, match="password is wrong"):
        sign_in.sign_in(staff, "BR", BOS)


@pytest.mark.parametrize("password", ["short one", "aaaaaaaaaaaaaaa", "x1" * 200, "Adelheid Moss"])
def test_a_password_that_is_easily_guessed_is_refused(registry: Registry, password: str) -> None:
    commands.add_person(registry, NewPerson("AM", "Adelheid Moss"), ADA)
    with pytest.raises(UsageError, match="choose another"):
        sign_in.set_password(registry, "AM", password, ADA)
    assert not sign_in.has_password(registry, queries.roster(registry).persons["AM"])


@file_only
def test_hashes_lie_in_a_file_of_their_owner_and_nowhere_else(
    staff: Registry, tmp_path: Path
) -> None:
    kept = PasswordStore(staff).file
    assert kept is not None
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert b"$argon2id$" in kept.read_bytes()
    assert ADAS.encode() not in kept.read_bytes()
    archive.export_all(staff, tmp_path / "all")
    staff.close()
    others = [path for path in tmp_path.rglob("*") if path.is_file() and path != kept]
    assert staff.path in others
    assert [path.name for path in others if b"argon2" in path.read_bytes()] == []


@file_only
def test_a_restored_laboratory_is_told_that_its_passwords_are_not_there(
    staff: Registry, tmp_path: Path, run: Program
) -> None:
    archive.export_all(staff, tmp_path / "all.zip")
    restored = tmp_path / "restored.sqlite"
    ended = run("restore", str(tmp_path / "all.zip"), registry=restored)
    assert ended.code == 0
    assert "Passwords are not part of a backup" in ended.out
    assert not restored.with_suffix(".signin").exists()


@file_only
def test_without_any_managers_password_the_owner_of_the_file_recovers_and_it_is_on_record(
    staff: Registry,
) -> None:
    """After a restore no password is there: a manager's can be set again, no other."""
    kept = PasswordStore(staff).file
    assert kept is not None
    kept.unlink()
    with pytest.raises(SignInError):
        sign_in.set_password(staff, "BR", "a new password", BO)
    person = sign_in.set_password(staff, "AM", "a new password", ADA)
    with staff.reading() as connection:
        payload = connection.execute(
            text("SELECT payload FROM event WHERE seq = :seq"), {"seq": person.password_event}
        ).scalar_one()
    assert payload == '{"recovered":true}'


def test_on_the_command_line_the_password_comes_from_the_environment(
    run: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("person", "add", "AM", "--name", "Ada", "--by", "Ada")
    run("person", "authorise", "AM", "manage", "--by", "Ada")
    monkeypatch.setattr("sys.stdin", Lines(f"{ADAS}\n"))
    assert run("person", "password", "AM", "--stdin").code == 0
    run("person", "rules", "--sign-in", "yes", "--by", "AM")
    refused = run("sieve", "add", "S-1", "--nominal", "75um", "--by", "AM")
    assert (refused.code, "SIEVEWARD_PASSWORD" in refused.err) == (62, True)
    monkeypatch.setenv("SIEVEWARD_PASSWORD", BOS)
    refused = run("sieve", "add", "S-1", "--nominal", "75um", "--by", "AM")
    assert (refused.code, "password is wrong" in refused.err) == (62, True)
    monkeypatch.setenv("SIEVEWARD_PASSWORD", ADAS)
    assert run("sieve", "add", "S-1", "--nominal", "75um", "--by", "AM").code == 0
    monkeypatch.delenv("SIEVEWARD_PASSWORD")
    assert run("sieve", "show", "S-1").code == 0  # reading needs no password
    monkeypatch.setattr("sys.stdin", Lines("", terminal=True))
    monkeypatch.setattr("typer.prompt", lambda *_, **__: ADAS)
    assert run("quarantine", "S-1", "--reason", "dropped", "--by", "AM").code == 0


class Lines:
    """A standard input, at a terminal or not."""

    def __init__(self, line: str, *, terminal: bool = False) -> None:
        self.line, self.terminal = line, terminal

    def readline(self) -> str:
        return self.line

    def isatty(self) -> bool:
        return self.terminal
