"""A part of `verify` in a process of its own, so that two cores share a long ledger."""

from __future__ import annotations

import gc
import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict

from sieve_registry.ledger.records import Finding
from sieve_registry.store.location import Place
from sieve_registry.store.verify import Proof, verify_stretches


def verify_in_process(
    place: Place, heads: Sequence[str], after: int, until: int, chain_only: bool
) -> Proof | None:
    """Verification of events in another process, from `after` to `until`; None if it fails.

    The place goes over the pipe, not the command line, where others could read a password.
    """
    target = str(place.path) if place.url is None else place.url
    limits = {"after": after, "until": until, "rows": not chain_only}
    request = json.dumps({"target": target, "heads": list(heads), **limits})
    command = [sys.executable, "-m", "sieve_registry.store.verify_process"]
    try:
        done = subprocess.run(command, input=request, capture_output=True, text=True, check=True)
        answer = json.loads(done.stdout)
    except (OSError, ValueError, subprocess.SubprocessError):
        return None
    findings = [Finding(**finding) for finding in answer.pop("findings")]
    broken = answer.pop("broken")
    return Proof(**answer, findings=findings, broken=None if broken is None else Finding(**broken))


def main() -> None:
    """Read the request from standard input, verify, and write the result as JSON."""
    from sieve_registry.store.engine import open_registry

    gc.set_threshold(100_000, 50, 50)
    request = json.load(sys.stdin)
    registry = open_registry(request["target"])
    with registry.reading() as connection:
        proof = verify_stretches(
            connection, request["after"], request["until"], request["heads"], rows=request["rows"]
        )
    registry.close()
    json.dump(asdict(proof), sys.stdout)


if __name__ == "__main__":
    main()
