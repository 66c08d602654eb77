"""The limits kept with a check are those it was judged by."""

from __future__ import annotations

import json
from pathlib import Path

from sieve_inspect.scale import load_scale
from sieve_registry.checks import commands as check_commands
from sieve_registry.checks import queries as check_queries
from sieve_registry.ledger.records import NewSieve
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

IMAGES = Path(__file__).parents[2] / "demo_images"


def test_a_limit_on_s_that_depends_on_the_count_is_kept_as_judged(registry: Registry) -> None:
    """The 2000 edition limits s by K(n): without a count it has no limit for 2 mm at all."""
    sieve_commands.add_sieve(
        registry, NewSieve("S-2", 2000.0, standard="iso3310-1:2000"), by="Ada Moss"
    )
    scale = load_scale(IMAGES / "scanner-600dpi.json")
    scans = [IMAGES / "s2000-1a.tif"]
    detail = check_commands.check(
        registry, "S-2", scans, scale=scale, terms=RecordTerms(by="Ada Moss")
    )
    (kept,) = (file for file in detail.evidence if file.role == "limits")
    limits = json.loads(check_queries.evidence_bytes(registry, kept.sha256))
    judged = {
        float(row.limit_high_um or 0) for row in detail.margins if row.name == "standard deviation"
    }
    assert judged == {limits["s_limit_um"]}
    assert limits["n"] == min(detail.check.x.count, detail.check.y.count)


def test_margins_are_recorded_with_their_coverage_factor(registry: Registry) -> None:
    sieve_commands.add_sieve(registry, NewSieve("S-5", 500.0), by="Ada Moss")
    scale = load_scale(IMAGES / "scanner-1200dpi.json")
    detail = check_commands.check(
        registry, "S-5", [IMAGES / "s0500-4a.png"], scale=scale, terms=RecordTerms(by="Ada Moss")
    )
    margin = json.loads(detail.event.payload)["margins"][0]
    k, expanded = float(margin["k"]), float(margin["expanded_um"])
    assert k > 2.0
    assert detail.check.x.u_mean_um is not None
    assert expanded == float(f"{k * float(detail.check.x.u_mean_um):.15g}") or (
        abs(expanded / (k * float(detail.check.x.u_mean_um)) - 1) < 1e-6
    )
