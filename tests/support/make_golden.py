"""Makes the golden registry of the schema version this code writes: run once per version.

    python tests/support/make_golden.py fixtures/registries/0004.zip

It is never made again: `test_golden.py` opens every one ever released, forever.
"""

from __future__ import annotations

import json
import sys
import tempfile
import zipfile
from datetime import date
from pathlib import Path

from clock import Clock
from registry_made import SCALE, Measuring
from sieve_registry.audit import verification
from sieve_registry.checks import commands as check_commands
from sieve_registry.records import NewSieve
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import engine


def fill(registry: engine.Registry, clock: Clock, scan: Path) -> None:
    """What every version can record: a sieve's life from its start to its end, and another's."""
    new = NewSieve("S-1", 75.0, serial="A 17", frame_um=200_000.0, in_service=date(2025, 1, 10))
    sieve_commands.add_sieve(registry, new, by="Ada Moss")
    clock.set("2025-01-12")
    measuring = Measuring()
    check_commands.check(
        registry, "S-1", [scan], scale=SCALE, terms=RecordTerms(by="Ada Moss"), measure=measuring
    )
    sieve_commands.log_use(registry, "S-1", 12, note="lime µ", by="Bo Reed")
    clock.set("2025-06-01")
    sieve_commands.edit_sieve(registry, "S-1", interval_months=6, location="shelf 2", by="Ada Moss")
    measuring.outcome = "fail"
    check_commands.check(
        registry, "S-1", [scan], scale=SCALE, terms=RecordTerms(by="Bo Reed"), measure=measuring
    )
    sieve_commands.retire(registry, "S-1", "worn", by="Ada Moss")
    sieve_commands.add_sieve(registry, NewSieve("=1+1 🧪", 90.0, grade="inspection"), by="Bo Reed")


def expected(registry: engine.Registry) -> dict[str, object]:
    """The answers the golden registry must give forever."""
    states = sieve_queries.states(registry, date(2025, 6, 2))
    count, head = verification.ledger_head(registry)
    return {
        "events": count,
        "head": head,
        "states": {
            s.sieve.id: [s.status, s.location, s.uses_total, s.last_check and s.last_check.outcome]
            for s in states
        },
        "means": [str(c.x.mean_um) for c in sieve_queries.get_history(registry, "S-1").checks],
    }


def main() -> None:
    target = Path(sys.argv[1])
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        scan = root / "field-1.tif"
        scan.write_bytes(b"a scan of some cloth")
        clock = Clock("2025-01-10")
        registry = engine.open_registry(root / "registry.sqlite", create=True, now=clock)
        fill(registry, clock, scan)
        answers = json.dumps(expected(registry), indent=1)
        registry.close()
        scan.unlink()
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("expected.json", answers)
            for file in sorted(root.rglob("*")):
                if file.is_file():
                    archive.write(file, file.relative_to(root))


if __name__ == "__main__":
    main()
