"""A small laboratory whose checks were truly measured, on drawn scans; all names invented."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from clock import Clock
from sieve_inspect.scale import load_scale
from sieve_registry.checks import commands as check_commands
from sieve_registry.ledger.records import NewSieve
from sieve_registry.quality import corrections as quality_corrections
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry, open_registry

SCANS = Path(__file__).parents[2] / "demo_images"
LAST_DAY = "2023-06-01"
ODD_NAME = "<b>7 & 8"


def lab(folder: Path, day: str) -> Registry:
    return open_registry(str(folder / "registry.sqlite"), create=True, now=Clock(day))


def fill(folder: Path) -> None:
    """Three checks of one sieve, the last torn; the first one's day corrected; others unchecked."""
    scale = load_scale(SCANS / "scanner-4800dpi.json")
    for n, day in enumerate(("2021-05-02", "2022-05-04", "2023-05-06"), start=1):
        registry = lab(folder, day)
        if n == 1:
            for name in ("S-0125", ODD_NAME, "12"):
                new = NewSieve(name, 125.0, in_service=date(2021, 5, 1), maker="Example Weavers")
                sieve_commands.add_sieve(registry, new, by="R. Example")
        scan = SCANS / f"s0125-{n}.tif"
        check_commands.check(
            registry, "S-0125", [scan], scale=scale, terms=RecordTerms(by="R. Example")
        )
        sieve_commands.log_use(registry, "S-0125", 90, note="quartz", by="T. Sample")
        registry.close()
    registry = lab(folder, LAST_DAY)
    terms = RecordTerms(by="Q. Lead")
    quality_corrections.correct(
        registry, "C-0001", {"date": "2021-05-01"}, "wrong day typed", terms
    )
    sieve_commands.log_use(registry, "12", 3, by="T. Sample")
    registry.close()
