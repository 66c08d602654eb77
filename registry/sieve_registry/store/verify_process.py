"""A part of `verify` in a process of its own, so that two cores share a long ledger."""

from __future__ import annotations

import gc
import json
import subprocess
import sys
from collections.abc import Sequence

from sieve_registry.records import Finding
from sieve_registry.store.location import Place
from sieve_registry.store.verify import Proof, verify_stretches


def elsewhere(
    place: Place, heads: Sequence[str], after: int, until: int, chain_only: bool
) -> Proof | None:
    """What another process finds in the events after one number up to another; None if it cannot.

    The place goes over the pipe, not the command line, where others could read a password.
    """
    target = str(place.path) if place.url is None else place.url
    limits = {"after": after, "until": until, "rows": not chain_only}
    asked = json.dumps({"target": target, "heads": list(heads), **limits})
    command = [sys.executable, "-m", "sieve_registry.store.verify_process"]
    try:
        done = subprocess.run(command, input=asked, capture_output=True, text=True, check=True)
        told = json.loads(done.stdout)
    except (OSError, ValueError, subprocess.SubprocessError):
        return None
    findings = [Finding(**one) for one in told["findings"]]
    broken = None if told["broken"] is None else Finding(**told["broken"])
    return Proof(told["events"], told["head"], findings, broken, told["unmet"])


def main() -> None:
    """Read what to go through from standard input, and tell what was found."""
    from sieve_registry.store.engine import open_registry

    gc.set_threshold(100_000, 50, 50)
    asked = json.load(sys.stdin)
    registry = open_registry(asked["target"])
    with registry.reading() as connection:
        found = verify_stretches(
            connection, asked["after"], asked["until"], asked["heads"], rows=asked["rows"]
        )
    registry.close()
    told = {
        "events": found.events,
        "head": found.head,
        "findings": [dict(one.__dict__) for one in found.findings],
        "broken": None if found.broken is None else dict(found.broken.__dict__),
        "unmet": found.unmet,
    }
    json.dump(told, sys.stdout)


if __name__ == "__main__":
    main()
