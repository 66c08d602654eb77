"""`sieveward grant`: who may read, record or sign in a server's registry."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument


class Role(StrEnum):
    """What a user of the database may do."""

    READ = "read"
    RECORD = "record"
    SIGN = "sign"
    ADMIN = "admin"


def grant(
    context: typer.Context,
    user: Annotated[str, argument("A user of the database.", "USER")],
    role: Annotated[Role, argument("read, record, sign or admin.")],
    json_path: options.Json = None,
) -> None:
    """Let a user of the database read, record, sign or administer, in every program."""
    from sieve_registry.store import server

    with options.opened(context) as registry:
        server.grant(registry, user, role.value)
    if not output.emit(json_path, {"user": user, "role": role.value}):
        may = "administer" if role is Role.ADMIN else role.value
        output.line(f"{user} may {may} from now on.")
