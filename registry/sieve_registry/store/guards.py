"""What a server itself does to protect the ledger, compared with what the migrations made.

The trigger that refuses changes of events, the policies that reserve signatures, and the rights of
every user: `verify` reports each that is missing, switched off or changed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from sqlalchemy import Connection

from sieve_registry.ledger.records import Finding

_SUBJECT = "database"
_BODY = (
    "BEGIN RAISE EXCEPTION 'the ledger is only ever appended to' "
    "USING ERRCODE = 'integrity_constraint_violation'; END"
)
_TRIGGER = (
    "CREATE TRIGGER event_no_change BEFORE DELETE OR UPDATE OR TRUNCATE ON event "
    "FOR EACH STATEMENT EXECUTE FUNCTION event_append_only()"
)
# By name: the command, and the expressions of USING and WITH CHECK as `_plain` leaves them.
_POLICIES = {
    "event_read": ("r", "true", ""),
    "event_append": (
        "a",
        "",
        "kind<>allarray['checksigned','headsigned']"
        "orhas_table_privilegecurrent_user,'signature','insert'",
    ),
}
_ALL = ("SELECT", "INSERT", "UPDATE", "DELETE", "TRUNCATE", "REFERENCES", "TRIGGER")
_READ = {("event", "SELECT", False), ("signature", "SELECT", False)}
_RECORD = _READ | {("event", "INSERT", False)}
_ROLES = (  # the rights of each role on the ledger: table, right, may be passed on
    _READ,
    _RECORD,
    _RECORD | {("signature", "INSERT", False)},
    {(table, right, True) for table in ("event", "signature") for right in _ALL},
)


def guard_findings(connection: Connection) -> list[Finding]:
    """Findings about trigger, policies and rights of a registry on a server."""
    messages = [*_triggers(connection), *_policies(connection), *_rights(connection)]
    return [Finding("guard", message, _SUBJECT) for message in messages]


def _triggers(connection: Connection) -> Iterator[str]:
    rows = connection.exec_driver_sql(
        "SELECT t.tgname, t.tgenabled, pg_get_triggerdef(t.oid), p.prosrc FROM pg_trigger t "
        "JOIN pg_proc p ON p.oid = t.tgfoid "
        "WHERE t.tgrelid = 'event'::regclass AND NOT t.tgisinternal"
    ).all()
    for name, enabled, definition, body in rows:
        if name != "event_no_change":
            yield f"a trigger '{name}' was added to the ledger"
        elif enabled not in ("O", "A"):
            yield "the trigger that refuses changes of the ledger is switched off"
        elif _plain(definition) != _plain(_TRIGGER) or _plain(body) != _plain(_BODY):
            yield "the trigger that refuses changes of the ledger was altered"
    if all(row[0] != "event_no_change" for row in rows):
        yield "the trigger that refuses changes of the ledger is missing"
    rules = connection.exec_driver_sql(
        "SELECT rulename FROM pg_rewrite WHERE ev_class = 'event'::regclass"
    )
    yield from (f"a rule '{name}' was added to the ledger" for (name,) in rules.all())


def _policies(connection: Connection) -> Iterator[str]:
    secured = connection.exec_driver_sql(
        "SELECT relrowsecurity FROM pg_class WHERE oid = 'event'::regclass"
    ).scalar_one()
    if not secured:
        yield "the rights to sign are switched off (row level security)"
    rows = connection.exec_driver_sql(
        "SELECT polname, polcmd, polpermissive, pg_get_expr(polqual, polrelid), "
        "pg_get_expr(polwithcheck, polrelid) FROM pg_policy WHERE polrelid = 'event'::regclass"
    ).all()
    there = {row[0]: row[1:] for row in rows}
    for name in sorted(there.keys() - _POLICIES.keys()):
        yield f"a policy '{name}' was added to the ledger"
    for name, (command, using, check) in _POLICIES.items():
        if name not in there:
            yield f"the policy '{name}' of the ledger is missing"
            continue
        is_command, permissive, is_using, is_check = there[name]
        same = (
            is_command == command
            and permissive
            and _plain(is_using or "") == _plain(using)
            and _plain(is_check or "") == _plain(check)
        )
        if not same:
            yield f"the policy '{name}' of the ledger was altered"


def _rights(connection: Connection) -> Iterator[str]:
    """Users other than the owner whose rights on the ledger are not those of a role."""
    rows = connection.exec_driver_sql(
        "SELECT coalesce(r.rolname, 'PUBLIC'), c.relname, a.privilege_type, a.is_grantable "
        "FROM pg_class c CROSS JOIN LATERAL aclexplode(c.relacl) a "
        "LEFT JOIN pg_roles r ON r.oid = a.grantee "
        "WHERE c.oid IN ('event'::regclass, 'signature'::regclass) AND a.grantee <> c.relowner"
    ).all()
    given: dict[str, set[tuple[str, str, bool]]] = {}
    for user, table, right, passed_on in rows:
        if right in _ALL:
            given.setdefault(user, set()).add((table, right, passed_on))
    for user, rights in sorted(given.items()):
        if rights not in _ROLES:
            yield f"{user} has rights on the ledger that no role gives: grant a role again"


_CAST = re.compile(r"::(text|name|regclass|character varying)(\[\])?")
_SPACE = re.compile(r"[\s()\"]+")


def _plain(text: str) -> str:
    """An expression without what the server adds: casts, brackets, spaces, the schema."""
    return _SPACE.sub("", _CAST.sub("", text.lower())).replace("public.", "")
