"""The registry's file: how it is made, kept up to date, shared, and told from other files."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from clock import Clock
from sieve_inspect.errors import UsageError
from sieve_registry import store
from sieve_registry.audit import verification
from sieve_registry.errors import (
    BrokenRecordError,
    ForeignRegistryError,
    NoRegistryError,
    RegistryFileError,
    RegistryLockedError,
)
from sieve_registry.ledger.records import NewSieve
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store import schema
from sieve_registry.store.engine import Registry, _put_in_place, open_registry
from sieve_registry.store.location import evidence_folder, registry_path

DATABASES = ("sqlite",)  # what only a file can suffer


def sql(path: Path, *statements: str) -> None:
    connection = sqlite3.connect(path)
    try:
        with connection:
            for statement in statements:
                connection.execute(statement)
    finally:
        connection.close()


def test_the_tables_the_migrations_make_are_the_tables_the_code_expects(registry: Registry) -> None:
    with registry.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, schema.metadata) == []


def test_the_head_revision_is_the_newest_migration() -> None:
    config = Config()
    folder = Path(store.__file__).parent / "migrations"
    config.set_main_option("script_location", str(folder))
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_heads() == [schema.HEAD_REVISION]


def test_an_up_to_date_registry_opens_without_the_migration_machinery(
    registry: Registry, path: Path
) -> None:
    code = (
        "import sys; from sieve_registry.sieves.queries import due; "
        "from sieve_registry.store.engine import open_registry; "
        "due(open_registry(sys.argv[1])); print('alembic' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "False"


def test_a_new_registry_is_complete_with_its_guards(
    as_on_a_desk: None, registry: Registry, path: Path
) -> None:
    assert sorted(p.name for p in path.parent.iterdir() if "-" not in p.name) == [path.name]
    with registry.reading() as connection:
        pragma = connection.exec_driver_sql
        assert pragma("PRAGMA journal_mode").scalar() == "wal"
        assert pragma("PRAGMA foreign_keys").scalar() == 1
        assert pragma("PRAGMA synchronous").scalar() == 2


@pytest.mark.parametrize("statement", ["UPDATE event SET person = 'x'", "DELETE FROM event"])
def test_the_database_itself_refuses_to_change_the_ledger(
    add: Callable[..., Any], path: Path, statement: str
) -> None:
    add()
    with pytest.raises(sqlite3.IntegrityError, match="only ever appended"):
        sql(path, statement)


def test_a_second_maker_keeps_the_registry_of_the_first(tmp_path: Path) -> None:
    first, draft = tmp_path / "r.sqlite", tmp_path / "draft"
    first.write_bytes(b"first")
    draft.write_bytes(b"second")
    _put_in_place(draft, first)
    assert first.read_bytes() == b"first"


def test_a_file_system_without_hard_links_will_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(self: Path, target: Path) -> None:
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "hardlink_to", refuse)
    open_registry(tmp_path / "r.sqlite", create=True).close()
    assert sieve_queries.states(open_registry(tmp_path / "r.sqlite")) == []


def test_asking_never_makes_a_registry(path: Path) -> None:
    with pytest.raises(NoRegistryError, match="sieve add"):
        open_registry(path)
    assert not path.parent.exists()


def test_a_path_may_hold_any_letter(tmp_path: Path) -> None:
    odd = tmp_path / "a b?c#d%41 µ" / "r.sqlite"
    open_registry(odd, create=True).close()
    assert odd.is_file()
    assert open_registry(f"sqlite:///{str(odd).replace('%', '%25')}").path == odd


def test_the_evidence_lies_beside_the_registry(tmp_path: Path) -> None:
    assert evidence_folder(tmp_path / "lab.sqlite") == tmp_path / "lab.evidence"


def test_the_default_lies_in_the_users_data_folder(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert registry_path(None) == registry_path("")
    assert registry_path(None).name == "registry.sqlite"
    assert registry_path(None).parent.name == "sieveward"


def test_another_kind_of_database_is_refused_plainly() -> None:
    with pytest.raises(UsageError, match=r"kind 'mysql' are not supported.*postgresql\+psycopg"):
        registry_path("mysql://lab/sieves")


@pytest.mark.parametrize(
    "content", [b"", b"a letter to the lab", b"SQLite format 3\x00 and then nothing of the kind"]
)
@pytest.mark.parametrize("create", [True, False])
def test_another_file_is_neither_read_nor_overwritten(
    tmp_path: Path, content: bytes, create: bool
) -> None:
    other = tmp_path / "other.sqlite"
    other.write_bytes(content)
    with pytest.raises(ForeignRegistryError):
        open_registry(other, create=create)
    assert other.read_bytes() == content


def test_a_database_of_another_program_is_not_touched(tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    sql(other, "CREATE TABLE alembic_version (version_num)", "CREATE TABLE sieve (id)")
    before = other.read_bytes()
    with pytest.raises(ForeignRegistryError, match="database of another program"):
        open_registry(other, create=True)
    assert other.read_bytes() == before


def test_a_registry_of_a_newer_version_is_refused(registry: Registry, path: Path) -> None:
    registry.close()
    sql(path, "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(ForeignRegistryError, match="newer"):
        open_registry(path)


def test_a_truncated_registry_is_reported_as_damaged(
    registry: Registry, add: Callable[..., Any], path: Path
) -> None:
    for number in range(40):
        add(f"S-{number}")
    registry.close()
    path.write_bytes(path.read_bytes()[:9000])
    with pytest.raises(ForeignRegistryError, match=r"damaged|something else"):
        sieve_queries.states(open_registry(path))


def test_a_path_below_a_file_is_no_place_for_a_registry(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"x")
    for create in (True, False):
        with pytest.raises(RegistryFileError, match="is not a folder"):
            open_registry(tmp_path / "file" / "r.sqlite", create=create)


def test_a_folder_is_no_registry(tmp_path: Path) -> None:
    with pytest.raises(RegistryFileError, match="it is a folder"):
        open_registry(tmp_path)


def test_a_folder_that_cannot_be_written_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(self: Path, *_: object, **__: Any) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(RegistryFileError, match="Permission denied"):
        open_registry(tmp_path / "lab" / "r.sqlite", create=True)


def test_a_registry_that_cannot_be_written_is_an_error(
    registry: Registry, add: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    add()

    def read_only(connection: Connection) -> None:
        connection.exec_driver_sql("PRAGMA query_only=ON")

    monkeypatch.setattr("sieve_registry.store.writer.last_event", read_only)
    with pytest.raises(RegistryFileError, match="readonly"):
        add("S-2")


def test_an_archived_copy_can_be_read_but_not_written(
    registry: Registry, add: Callable[..., Any], path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add()
    registry.close()
    monkeypatch.setattr("os.access", lambda *_: False)  # a folder without the right to write
    archived = open_registry(path)
    assert len(sieve_queries.states(archived)) == 1
    assert verification.verify(archived).ok
    with pytest.raises(RegistryFileError, match="readonly"):
        sieve_commands.add_sieve(archived, NewSieve("S-2", 75.0))
    assert {p.name for p in path.parent.iterdir()} == {path.name, registry.head_note.name}


def test_a_registry_kept_busy_gives_up_after_the_time_set(
    registry: Registry, add: Callable[..., Any], path: Path, clock: Clock
) -> None:
    add()
    waiting = open_registry(path, busy_ms=50, now=clock)
    with registry.writing():
        assert len(sieve_queries.states(waiting)) == 1  # reading goes on
        with pytest.raises(RegistryLockedError, match=r"0\.05 s"):
            sieve_commands.add_sieve(waiting, NewSieve("S-2", 75.0))
    sieve_commands.add_sieve(waiting, NewSieve("S-2", 75.0))
    assert len(sieve_queries.states(registry)) == 2


def test_what_fails_half_way_leaves_nothing(
    registry: Registry, add: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    add()
    monkeypatch.setattr("sieve_registry.store.writer.rows_of", lambda _: {"sieve": [("no",)]})
    with pytest.raises(Exception, match="no"):
        add("S-2")
    monkeypatch.undo()
    assert verification.ledger_head(registry)[0] == 1
    assert verification.verify(registry).ok


def test_a_row_that_can_no_longer_be_read_points_to_verify(
    registry: Registry, add: Callable[..., Any], path: Path
) -> None:
    add()
    sql(path, "UPDATE sieve SET added_on = 'some day'")
    with pytest.raises(BrokenRecordError, match="sieveward verify"):
        sieve_queries.states(registry)


@pytest.mark.parametrize("name", ["lab.head", "lab.evidence"])
def test_a_file_named_like_what_lies_beside_it_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError, match=r"name it lab\.sqlite"):
        open_registry(tmp_path / name, create=True)
