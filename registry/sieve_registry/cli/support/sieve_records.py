"""Recording something of one sieve, and the answer every such command gives."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.records import due_words, state_dict

if TYPE_CHECKING:
    from sieve_registry.records import SieveHistory, SieveState
    from sieve_registry.store.engine import Registry


def record_of_sieve(
    context: typer.Context, json_path: str | None, record: Callable[[Registry], SieveState]
) -> tuple[SieveState, SieveHistory] | None:
    """Call `record` with the open registry; the sieve afterwards, to be printed.

    None where the answer went to the terminal as JSON already. Raises what `record` raises.
    """
    from sieve_registry.sieves import queries

    with options.opened(context) as registry:
        state = record(registry)
        history = queries.get_history(registry, state.sieve.id)
    if output.emit(json_path, state_dict(state, history)):
        return None
    return state, history


def print_next_check(state: SieveState) -> None:
    """When the sieve's next check is due."""
    output.text(f"Its next check is due: {due_words(state)} ({state.due_because}).")


def print_undo(history: SieveHistory) -> None:
    """The number of the newest record of a sieve, and the command that withdraws it."""
    retirement = () if history.retirement is None else (history.retirement,)
    newest = max((*history.uses, *history.acts, *history.edits, *retirement), key=lambda r: r.seq)
    output.text(
        f"Recorded as event {newest.seq}. To withdraw it: "
        f"sieveward correct {newest.seq} --void --reason T"
    )
