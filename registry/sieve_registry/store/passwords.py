"""Hashes of passwords, kept apart from the ledger.

A ledger is never erased and is copied, exported and read by auditors, so no hash of a password
belongs into it. Beside a registry file LAB.sqlite the hashes lie in LAB.signin, which its owner
alone may read (0600); on a server in the table `sign_in`, which the role `read` may not see.
Neither is part of an export or a backup: after a restore passwords are set again, or LAB.signin
is copied beside the registry.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import (
    Column,
    Connection,
    Engine,
    Integer,
    MetaData,
    String,
    Table,
    create_engine,
    delete,
    insert,
    inspect,
    select,
    update,
)
from sqlalchemy.pool import NullPool

from sieve_registry.store.database_errors import plain_errors
from sieve_registry.store.engine import Registry
from sieve_registry.store.schema import SIGN_IN_TABLE
from sieve_registry.store.server import SIGN_IN_RIGHTS

_sign_in = Table(
    SIGN_IN_TABLE,
    MetaData(),
    Column("person", String, primary_key=True),
    Column("hash", String, nullable=False),
    Column("failures", Integer, nullable=False),
    Column("locked_until", String, nullable=False),  # ISO text in UTC, "" while not locked
)


@dataclass(frozen=True)
class KeptPassword:
    """The hash of a person's password, and how many wrong ones were given since the last right."""

    hash: str
    failures: int
    locked_until: str


@dataclass(frozen=True)
class PasswordStore:
    """The hashes of the passwords of one registry."""

    registry: Registry

    @property
    def file(self) -> Path | None:
        """The file of the hashes; None on a server."""
        path = self.registry.place.path
        return None if path is None else path.with_suffix(".signin")

    def get(self, person_id: str) -> KeptPassword | None:
        """The hash kept for a person, or None."""
        with self._connected(create=False) as connection:
            if connection is None:
                return None
            columns = (_sign_in.c.hash, _sign_in.c.failures, _sign_in.c.locked_until)
            row = connection.execute(select(*columns).where(_sign_in.c.person == person_id)).first()
        return None if row is None else KeptPassword(*row)

    def put(self, person_id: str, hashed: str) -> None:
        """Keep a hash in place of any earlier one; a lock ends."""
        with self._connected(create=True) as connection:
            assert connection is not None
            connection.execute(delete(_sign_in).where(_sign_in.c.person == person_id))
            row = {"person": person_id, "hash": hashed, "failures": 0, "locked_until": ""}
            connection.execute(insert(_sign_in).values(**row))

    def count_attempt(self, person_id: str) -> int:
        """Count an attempt before it is judged, so that many at once are counted; their number."""
        mine = _sign_in.c.person == person_id
        with self._connected(create=True) as connection:
            assert connection is not None
            counted = update(_sign_in).where(mine).values(failures=_sign_in.c.failures + 1)
            connection.execute(counted)
            return int(connection.execute(select(_sign_in.c.failures).where(mine)).scalar_one())

    def note(self, person_id: str, *, failures: int, locked_until: str) -> None:
        """Set the count of failures and the end of a lock."""
        values = {"failures": failures, "locked_until": locked_until}
        with self._connected(create=True) as connection:
            assert connection is not None
            changed = update(_sign_in).where(_sign_in.c.person == person_id).values(**values)
            connection.execute(changed)

    @contextmanager
    def _connected(self, *, create: bool) -> Iterator[Connection | None]:
        """A transaction on the table; None where there is none yet and none is created."""
        with plain_errors(self.registry.where, self.registry.busy_ms):
            engine = self._engine(create=create)
            if engine is None:
                yield None
                return
            try:
                with engine.begin() as connection:
                    if not inspect(connection).has_table(SIGN_IN_TABLE):
                        if not create:
                            yield None
                            return
                        _make_table(connection)
                    yield connection
            finally:
                if self.file is not None:
                    engine.dispose()

    def _engine(self, *, create: bool) -> Engine | None:
        if self.file is None:
            return self.registry.engine
        if not self.file.exists():
            if not create:
                return None
            os.close(os.open(self.file, os.O_CREAT | os.O_RDWR, 0o600))
        wait = {"timeout": self.registry.busy_ms / 1000}
        return create_engine(f"sqlite:///{self.file}", connect_args=wait, poolclass=NullPool)


def _make_table(connection: Connection) -> None:
    """Create the table; on a server, who may record may also use it."""
    _sign_in.create(connection)
    if connection.dialect.name != "postgresql":
        return
    users = connection.exec_driver_sql(
        "SELECT DISTINCT quote_ident(r.rolname) FROM pg_class c "
        "CROSS JOIN LATERAL aclexplode(c.relacl) a JOIN pg_roles r ON r.oid = a.grantee "
        "WHERE c.oid = 'event'::regclass AND a.privilege_type = 'INSERT' "
        "AND a.grantee <> c.relowner"
    ).all()
    for (user,) in users:
        connection.exec_driver_sql(f"GRANT {SIGN_IN_RIGHTS} ON {SIGN_IN_TABLE} TO {user}")
