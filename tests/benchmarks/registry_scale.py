"""How fast a large registry answers, as whole processes, and how that grows.

    python tests/benchmarks/registry_scale.py [--sieves 10000] [--checks 200000] [--keep FOLDER]

Each check has four margins and a payload as the program writes it, and shares one kept scan; one
sieve in a hundred was quarantined, one in fifty retired, one in twenty used. Times are the best of
three runs of the installed program, start included; of a single run for the longer commands. With
each come the seconds of computing of all its processes, which other work on the same cores changes
less, and the most memory of one of them.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from sieve_registry.ledger import events
from sieve_registry.ledger.chain import next_event
from sieve_registry.ledger.records import Event
from sieve_registry.store import reader, writer
from sieve_registry.store.engine import open_registry

FIRST = date(2016, 1, 1)
SCAN = b"one scan that stands for all"
# Seconds on two quiet cores, of 200,000 checks.
TARGETS = {
    "due": 1.0, "sieve show": 0.5, "audit": 8.0, "verify": 10.0, "backup": 60.0, "restore": 60.0,
}  # fmt: skip
MOST_MB = {"audit": 300.0}
BATCH = 2000


def direction(number: int) -> dict[str, Any]:
    mean = f"{75 + (number % 300) / 100:.2f}"
    known = {"mean_um": mean, "sd_um": "1.512", "max_um": "81.4", "u_mean_um": "0.203"}
    return {"count": 400, **known, "u_sd_um": "0.11", "u_max_um": "0.6", "wire_mean_um": "50.1"}


def check_payload(number: int, sha256: str) -> dict[str, Any]:
    outcome = ("pass", "pass", "pass", "conditional pass", "fail")[number % 5]
    margin = {
        "value_um": "75.12", "expanded_um": "0.41", "limit_low_um": "71.3",
        "limit_high_um": "78.7", "outcome": outcome,
    }  # fmt: skip
    names = [(name, axis) for name in ("mean", "largest") for axis in ("x", "y")]
    scan = {"sha256": sha256, "extension": ".tif", "size": len(SCAN)}
    return {
        "check": f"C-{number:04d}",
        "nominal_nm": 75_000,
        "standard": "iso3310-1:2016",
        "grade": "compliance",
        "rule": "guard-band",
        "outcome": outcome,
        "action": "keep" if outcome == "pass" else "clean and recheck",
        "action_reason": "Proposed: as the outcome says. You decide.",
        "reasons": ["the mean aperture lies within its limits with a guard band of 0.41 um"],
        "fit": "ok",
        "x": direction(number),
        "y": direction(number + 7),
        "margins": [{"name": name, "direction": axis, **margin} for name, axis in names],
        "images": [{"file": "field-1.tif", "sha256": sha256, "encoding": "srgb"}],
        "shares": [],
        "scale": {"um_per_px_x": "5.29", "um_per_px_y": "5.29", "source": "artefact A-7"},
        "evidence": [{**scan, "role": "scan", "name": "field-1.tif"}],
        "measured_with": {"python": "3.11", "numpy": "2", "scipy": "1"},
    }


def sieve_payload(sieve_id: str, number: int) -> dict[str, Any]:
    return {
        "id": sieve_id, "nominal_nm": 75_000, "standard": "iso3310-1:2016", "grade": "compliance",
        "serial": f"A {number}", "frame_nm": 200_000_000, "in_service": FIRST.isoformat(),
        "added_on": FIRST.isoformat(), "interval_months": 12,
        "interval_uses": 100 if number % 10 == 0 else None,
        "location": f"shelf {number % 40}", "maker": "Meadow Works", "details": {"height": "full"},
    }  # fmt: skip


def history(
    sieves: int, checks: int, sha256: str
) -> Iterator[tuple[str, str, date, dict[str, Any]]]:
    """Kind, subject, day and payload of everything, in the order of the days."""
    for number in range(sieves):
        sieve_id = f"S-{number:05d}"
        yield events.SieveAdded.KIND, sieve_id, FIRST, sieve_payload(sieve_id, number)
    for number in range(1, checks + 1):
        of = (number * 7919) % sieves
        day = FIRST + timedelta(days=number * 3600 // checks)
        yield events.CheckRecorded.KIND, f"S-{of:05d}", day, check_payload(number, sha256)
    last = FIRST + timedelta(days=3601)
    for number in range(0, sieves, 20):
        payload = {"count": 30, "note": "", "method": "wet"}
        yield events.UseLogged.KIND, f"S-{number:05d}", last, payload
    for number in range(1, sieves, 100):
        payload = {"reason": "dented", "damage": True}
        yield events.SieveQuarantined.KIND, f"S-{number:05d}", last, payload
    for number in range(2, sieves, 50):
        yield events.SieveRetired.KIND, f"S-{number:05d}", last, {"reason": "worn"}


def build(path: Path, sieves: int, checks: int) -> int:
    """A registry of that size; the number of its events."""
    registry = open_registry(path, create=True)
    sha256 = hashlib.sha256(SCAN).hexdigest()
    last: Event | None = None
    batch: list[Event] = []
    for kind, subject, day, payload in history(sieves, checks, sha256):
        moment = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
        last = next_event(
            last, kind=kind, subject=subject, on_date=day.isoformat(), payload=payload,
            recorded_at=writer.utc_text(moment), person="Ada Moss", software="sieveward 0",
        )  # fmt: skip
        batch.append(last)
        if len(batch) == BATCH:
            _insert(registry, batch)
            batch = []
    _insert(registry, batch)
    staged = registry.evidence.stage(SCAN, ".tif")
    with registry.reading() as connection:
        registry.evidence.place(staged, ".tif", connection)
    registry.close()
    assert last is not None
    return last.seq


def _count(path: Path) -> int:
    registry = open_registry(path)
    with registry.reading() as connection:
        count = reader.count_events(connection)
    registry.close()
    return count


def _insert(registry: Any, batch: list[Event]) -> None:
    with registry.writing() as connection:
        writer.insert_events(connection, batch)


@dataclass(frozen=True)
class Run:
    """A run of the program: seconds by the clock, of computing, and MB of its largest process."""

    wall_s: float
    cpu_s: float
    mb: float

    def __str__(self) -> str:
        return f"{self.wall_s:.2f} s ({self.cpu_s:.2f} s computing, {self.mb:.0f} MB)"


def run(path: Path, *typed: str) -> Run:
    program = Path(sys.executable).with_name("sieveward")
    command: list[str | Path] = [program, "--registry", path, *typed]
    # An installed program has its byte code kept.
    kept = {name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    began = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=kept) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    wall = time.perf_counter() - began
    assert process.returncode == 0, typed
    return Run(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def best_of(times: int, path: Path, *typed: str) -> Run:
    return min((run(path, *typed) for _ in range(times)), key=lambda made: made.wall_s)


def measure(path: Path, sieves: int, checks: int, times: int) -> dict[str, Any]:
    events = _count(path) if path.exists() else build(path, sieves, checks)
    day = (FIRST + timedelta(days=3601)).isoformat()
    out, saved = path.parent / "audit", path.parent / "backup.zip"
    saved.unlink(missing_ok=True)
    longer = 1 if checks > 50_000 else times
    taken = {
        "due": best_of(times, path, "due", "--as-of", day),
        "sieve show": best_of(times, path, "sieve", "show", "S-00021", "--as-of", day),
        "audit": best_of(longer, path, "audit", "--as-of", day, "--out", str(out)),
        "verify": best_of(longer, path, "verify"),
        "backup": run(path, "backup", str(saved)),
    }
    with tempfile.TemporaryDirectory() as folder:
        taken["restore"] = run(Path(folder) / "registry.sqlite", "restore", str(saved))
    size = round(path.stat().st_size / 1e6, 1)
    return {"sieves": sieves, "checks": checks, "events": events, "MB": size, **taken}


def main() -> int:
    asked = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    asked.add_argument("--sieves", type=int, default=10_000)
    asked.add_argument("--checks", type=int, default=200_000)
    asked.add_argument("--times", type=int, default=3)
    asked.add_argument("--only-largest", action="store_true", help="no growth from 1,000 on")
    asked.add_argument(
        "--keep", type=Path, help="build there and leave it; the one there is used again"
    )
    asked.add_argument("--json", action="store_true")
    given = asked.parse_args()
    sizes = [n for n in (1_000, 10_000, 50_000) if n < given.checks] + [given.checks]
    rows = []
    for checks in sizes[-1:] if given.only_largest else sizes:
        with tempfile.TemporaryDirectory() as folder:
            place = given.keep if given.keep and checks == given.checks else Path(folder)
            place.mkdir(parents=True, exist_ok=True)
            sieves = max(50, given.sieves * checks // given.checks)
            rows.append(measure(place / "registry.sqlite", sieves, checks, given.times))
        if not given.json:
            print("  ".join(f"{name} {value}" for name, value in rows[-1].items()), flush=True)
    if given.json:
        print(json.dumps(rows, indent=1, default=vars))
    missed = []
    for name, most_s in TARGETS.items():
        made, most_mb = rows[-1][name], MOST_MB.get(name)
        over = made.wall_s > most_s or (most_mb is not None and made.mb > most_mb)
        missed += [name] if over else []
        asked_for = f"{most_s:g} s" + ("" if most_mb is None else f", {most_mb:g} MB")
        sys.stderr.write(f"{name:12}{made!s:46} asked for {asked_for}{': missed' * over}\n")
    sys.stderr.write(f"missed: {', '.join(missed)}\n" if missed else "targets met\n")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
