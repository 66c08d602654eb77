"""A registry in a PostgreSQL database: one writer at a time, and rights of users.

The database itself enforces the rights, not this program:

    read     may read                                  SELECT
    record   may also record, but not sign             + INSERT, except into `signature`
    sign     may also sign                             + INSERT into `signature`
    admin    owns the tables; migrates them and names the others

A policy on `event` refuses signing events from users who may not insert into `signature`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, create_engine, inspect

from sieve_inspect.errors import UsageError
from sieve_registry.errors import RegistryFileError
from sieve_registry.store import schema
from sieve_registry.store.database_errors import plain_errors
from sieve_registry.store.evidence import DatabaseEvidence, EvidenceKeeper, EvidenceStore
from sieve_registry.store.location import Place

if TYPE_CHECKING:
    from sieve_registry.store.engine import Registry

READING: dict[str, Any] = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
# The rights of each role: read, record, sign, give rights.
_PRIVILEGES = (
    ("event", "SELECT"),
    ("event", "INSERT"),
    ("signature", "INSERT"),
    ("event", "INSERT WITH GRANT OPTION"),
)
_RIGHTS = {
    "read": (True, False, False, False),
    "record": (True, True, False, False),
    "sign": (True, True, True, False),
    "admin": (True, True, True, True),
}
ROLES = tuple(_RIGHTS)
SIGN_IN_RIGHTS = "SELECT, INSERT, UPDATE, DELETE"  # on passwords, for all roles but `read`
_WRITER_LOCK = 0x51EE_6A4D  # any number, the same for every writer of a registry


def connect(place: Place) -> tuple[Engine, EvidenceKeeper]:
    """The engine and the evidence of a registry on a server.

    Raises `UsageError` without the database driver, `RegistryFileError` for a bad address.
    """
    assert place.url is not None
    try:
        engine = create_engine(place.url, connect_args={"connect_timeout": 10})
    except ModuleNotFoundError:
        raise UsageError(
            message='A PostgreSQL registry needs an extra part: pip install "sieveward[postgres]".'
        ) from None
    except Exception as error:
        raise RegistryFileError(file=place.shown, reason=str(error)) from error
    folder = place.evidence
    return engine, DatabaseEvidence(engine) if folder is None else EvidenceStore(folder)


def on_begin(connection: Connection, busy_ms: int, writing: bool) -> None:
    """Wait until no other program writes, no longer than `busy_ms`.

    What is recorded is on the server's disk before it is acknowledged, whatever the server's own
    setting of `synchronous_commit`.
    """
    if writing:
        connection.exec_driver_sql("SET LOCAL synchronous_commit = on")
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {int(busy_ms)}")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITER_LOCK})")


def grant(registry: Registry, user: str, role: str) -> None:
    """Give a database user a role; earlier rights are revoked.

    Raises `UsageError` for a registry that is a file, another role, or rights that the
    server did not change as requested: then nothing is changed.
    """
    if registry.place.url is None:
        raise UsageError(message="Who may use a registry file is set by the rights of its folder.")
    if role not in ROLES:
        raise UsageError(message=f"Role {role!r} is not known: choose {', '.join(ROLES)}.")
    with plain_errors(registry.where, registry.busy_ms), registry.engine.begin() as connection:
        quoted = connection.dialect.identifier_preparer.quote_identifier(user)
        statements = _grants(quoted, role)
        if inspect(connection).has_table(schema.SIGN_IN_TABLE):
            statements += _sign_in_grants(quoted, role)
        for statement in statements:
            connection.exec_driver_sql(statement)
        if _rights_of(connection, user) != _RIGHTS[role]:
            raise UsageError(
                message=f"{user} did not get the role {role!r}, and nothing was changed. Only an "
                "owner of the tables or a user with the role admin gives rights; rights that "
                "another user gave, and those of an owner, cannot be taken back."
            )


def _rights_of(connection: Connection, user: str) -> tuple[bool, ...]:
    """Whether a user may read, record, sign, and give rights.

    The server reports no error where it grants or revokes nothing.
    """
    privileges = ", ".join(f"has_table_privilege(%s, '{t}', '{right}')" for t, right in _PRIVILEGES)
    return tuple(
        connection.exec_driver_sql(f"SELECT {privileges}", (user,) * len(_PRIVILEGES)).one()
    )


def _grants(user: str, role: str) -> list[str]:
    names = [table.name for table in schema.metadata.tables.values()] + ["alembic_version"]
    tables = ", ".join(names)
    written = [n for n in names if n not in ("alembic_version", "registry_info", "signature")]
    statements = [
        f"REVOKE ALL ON {tables} FROM {user}",
        f"GRANT SELECT ON {tables} TO {user}",
    ]
    if role in ("record", "sign", "admin"):
        statements.append(f"GRANT INSERT ON {', '.join(written)} TO {user}")
    if role in ("sign", "admin"):
        statements.append(f"GRANT INSERT ON signature TO {user}")
    if role == "admin":
        statements.append(f"GRANT ALL ON {tables} TO {user} WITH GRANT OPTION")
    return statements


def _sign_in_grants(user: str, role: str) -> list[str]:
    """Passwords are checked by programs that record; who only reads may not see their hashes."""
    revoked = f"REVOKE ALL ON {schema.SIGN_IN_TABLE} FROM {user}"
    given = f"GRANT {SIGN_IN_RIGHTS} ON {schema.SIGN_IN_TABLE} TO {user}"
    return [revoked] if role == "read" else [revoked, given]
