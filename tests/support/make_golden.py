"""Makes the golden registry of the schema version this code writes: run once per version.

    python tests/support/make_golden.py fixtures/registries/0004.zip
    python tests/support/make_golden.py fixtures/registries/0005.zip --cloth

It is never made again: `test_golden.py` opens every one ever released, forever.
"""

from __future__ import annotations

import json
import sys
import tempfile
import zipfile
from datetime import date
from pathlib import Path

import numpy as np

from clock import Clock
from made_cloth import Loom, seen, woven
from registry_made import SCALE, Measuring
from sieve_inspect.identity.cloth_map import ClothMap
from sieve_inspect.identity.codec import to_bytes
from sieve_registry.audit import verification
from sieve_registry.checks import commands as check_commands
from sieve_registry.ledger.events import CheckRecorded
from sieve_registry.ledger.records import NewSieve
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.facts import facts_of
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store import engine

_DAY = date(2025, 6, 2)


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
    terms = RecordTerms(by="Bo Reed")
    check_commands.check(
        registry, "S-1", [scan], scale=SCALE, terms=terms, accept_scan="drawn", measure=measuring
    )
    sieve_commands.retire(registry, "S-1", "worn", by="Ada Moss")
    sieve_commands.add_sieve(registry, NewSieve("=1+1 🧪", 90.0, grade="inspection"), by="Bo Reed")


def fill_cloth(registry: engine.Registry, clock: Clock, scan: Path) -> None:
    """Checks that know their cloth: worn from year to year, then found under another label."""
    rng = np.random.default_rng(76)
    cloth, other = woven(rng, (20, 22), Loom()), woven(rng, (20, 22), Loom())
    measuring = Measuring()

    def check(sieve: str, shown: ClothMap, reason: str = "") -> None:
        scan.write_bytes(to_bytes(shown))  # another file each time
        measuring.cloths = (shown,)
        terms = RecordTerms(by="Ada Moss")
        taken = check_commands.take(
            registry, sieve, [scan], scale=SCALE, encoding="auto", terms=terms, measure=measuring
        )
        check_commands.record(registry, check_commands.accepting(taken, reason), terms, "ok")

    for name in ("S-1", "S-2"):
        new = NewSieve(name, 75.0, frame_um=200_000.0, in_service=date(2025, 1, 10))
        sieve_commands.add_sieve(registry, new, by="Ada Moss")
    check("S-2", seen(other, rng))
    for number, day in enumerate(("2025-01-12", "2025-07-12", "2026-01-12")):
        clock.set(day)
        check("S-1", seen(cloth, rng, wear=0.2 * number))
    check("S-2", seen(cloth, rng, wear=0.4), "the rims were exchanged")


def expected(registry: engine.Registry) -> dict[str, object]:
    """The answers the golden registry must give forever."""
    states = sieve_queries.states(registry, _DAY)
    count, head = verification.ledger_head(registry)
    return {
        "events": count,
        "head": head,
        "states": {
            s.sieve.id: [s.status, s.location, s.uses_total, s.last_check and s.last_check.outcome]
            for s in states
        },
        "means": [str(c.x.mean_um) for c in sieve_queries.get_history(registry, "S-1").checks],
        "links": links(registry),
    }


def links(registry: engine.Registry) -> list[list[str]]:
    """What each check knows of its cloth: its sieve and number, the earlier check, the changes."""
    known = [
        (fact.subject, fact.payload.check, fact.payload.cloth)
        for fact in facts_of(registry, None, [CheckRecorded])
    ]
    return [
        [sieve, check, link.check, str(link.change_x_um), str(link.u_x_um), link.accepted]
        for sieve, check, link in known
        if link is not None
    ]


def main() -> None:
    target = Path(sys.argv[1])
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        scan = root / "field-1.tif"
        scan.write_bytes(b"a scan of some cloth")
        clock = Clock("2025-01-10")
        registry = engine.open_registry(root / "registry.sqlite", create=True, now=clock)
        (fill_cloth if "--cloth" in sys.argv else fill)(registry, clock, scan)
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
