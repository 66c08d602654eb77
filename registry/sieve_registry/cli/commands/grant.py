"""`sieveward grant`: who may read, record or sign in a server's registry."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from sieve_registry.cli.support.options import opened
from sieve_registry.cli.support.output import JsonOption, emit_json, print_line


class Role(StrEnum):
    """What a user of the database may do."""

    READ = "read"
    RECORD = "record"
    SIGN = "sign"
    ADMIN = "admin"


def grant(
    context: typer.Context,
    user: Annotated[str, typer.Argument(metavar="USER", help="A user of the database.")],
    role: Annotated[Role, typer.Argument(help="read, record, sign or admin.")],
    json_path: JsonOption = None,
) -> None:
    """Let a user of the database read, record, sign or administer, in every program."""
    from sieve_registry.store import server

    with opened(context) as registry:
        server.grant(registry, user, role.value)
    if not emit_json(json_path, {"user": user, "role": role.value}):
        may = "administer" if role is Role.ADMIN else role.value
        print_line(f"{user} may {may} from now on.")
