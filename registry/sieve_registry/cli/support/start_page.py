"""What `sieveward` alone shows: the state of the registry, and the commands to go on with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.records import attention_words

if TYPE_CHECKING:
    import typer

    from sieve_registry.ledger.records import SieveState

_MOST_NAMED = 5
_DAILY = (
    ("sieveward due", "the next checks, overdue first"),
    ("sieveward check ID SCAN… --visual ok", "measure, judge, record"),
    ("sieveward use ID --count N", "log uses"),
    ("sieveward report CHECK", "one page to print"),
    ("sieveward bench", "all of it in a browser"),
)
_FIRST = (
    ("sieveward demo", "an invented laboratory, in a minute"),
    ("sieveward bench", "the first day, step by step, in a browser"),
    ("sieveward sieve add ID --nominal 75um", "the first sieve"),
    ("sieveward import sieves TABLE.csv", "or all of them from a table"),
    ("sieveward limits 75um", "what a standard allows"),
)


def show(context: typer.Context) -> None:
    """Print the state of the registry and the five commands to go on with."""
    from sieve_registry.audit.attention import attention
    from sieve_registry.errors import NoRegistryError
    from sieve_registry.sieves import queries

    try:
        with options.opened(context) as registry:
            where, states = registry.where, queries.states(registry)
            noted = attention(registry)
    except NoRegistryError as none:
        output.text(str(none))
        states, where, noted = [], "", []
    if states:
        _print_states(where, states)
        for finding in noted[:_MOST_NAMED]:
            output.text(attention_words(finding), "    ", first="  ")
    elif where:
        output.text(f"The registry {where} holds no sieves yet.")
    output.line()
    output.line("To go on:")
    commands = _DAILY if states else _FIRST
    width = max(len(command) for command, _ in commands)
    for command, meaning in commands:
        output.line(f"  {command:<{width}}  {meaning}"[:80])
    output.line()
    output.line("All commands: sieveward --help. Your defaults: sieveward settings.")


def _print_states(where: str, states: Sequence[SieveState]) -> None:
    from sieve_inspect.outcomes import FAILING
    from sieve_registry.sieves.state import IN_SERVICE, QUARANTINED

    serving = [state for state in states if state.status == IN_SERVICE]
    output.text(f"Registry {where}: {len(states)} sieves, {len(serving)} in service.")
    checked = [state for state in serving if not state.unchecked]
    rows = [
        ("overdue", [state for state in checked if state.overdue]),
        ("never checked", [state for state in serving if state.unchecked]),
        ("not passed", [s for s in checked if s.result in FAILING]),
        ("in quarantine", [state for state in states if state.status == QUARANTINED]),
        ("not signed off", [s for s in checked if s.sign_off and s.signed is None]),
    ]
    for title, found in rows:
        names = [state.sieve.id for state in found]
        more = [f"and {len(names) - _MOST_NAMED} more"] if len(names) > _MOST_NAMED else []
        named = ", ".join([*names[:_MOST_NAMED], *more])
        output.line(output.shortened(f"  {title:<14} {len(names):>5}  {named}".rstrip(), 80))
