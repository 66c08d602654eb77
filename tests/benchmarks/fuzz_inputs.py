"""Damaged and hostile inputs: each is read, or refused with a sentence, and nothing else happens.

    python tests/benchmarks/fuzz_inputs.py [--count 2400] [--seed 1]

Small files of every kind the program reads are altered at random: bytes flipped, removed, repeated,
numbers made huge, texts nested. A fault is an exception without a sentence, a letter on the error
stream, over 20 s, or over 1 GB of memory. Prints a line for each kind, and every fault.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import random
import resource
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from sieve_inspect.errors import SievewardError
from sieve_inspect.illumination.model import Illumination, load_illumination
from sieve_inspect.image.bands import open_source
from sieve_inspect.image.reading import load_scan
from sieve_inspect.scale.model import load_scale, scale_from_dpi
from sieve_inspect.standard.tablefile import read_table
from sieve_inspect.workers.cache import CacheKey, ResultCache
from sieve_inspect.workers.plain_form import from_bytes, to_bytes
from sieve_registry.audit import verification
from sieve_registry.errors import UnforeseenError
from sieve_registry.exchange import archive, sheets, tables
from sieve_registry.ledger.records import NewSieve
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import open_registry

MOST_S, MOST_MB = 20.0, 1000.0
Reader = Callable[[Path], object]
TABLE = "nominal,y,x\n75um,2.9um,25um\n90um,3.3um,28um\n"
SIEVES = 'id;nominal;location\nS-1;75um;=1+1\nS-2;90um;"a;b"\n'
MAPPING = '[columns]\nid = "No."\n[dates]\nformat = "%d.%m.%Y"\n[words]\n"OK" = "pass"\n'


@dataclass
class Outcome:
    """What became of the inputs of one kind."""

    read: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)


def pictures(folder: Path) -> Iterator[tuple[str, Path]]:
    import tifffile
    from PIL import Image

    rng = np.random.default_rng(1)
    grey = rng.integers(0, 256, (61, 67), np.uint8)
    colour = rng.integers(0, 256, (61, 67, 3), np.uint8)
    for name, array in (("grey", grey), ("colour", colour)):
        for kind in ("png", "jpg", "bmp"):
            Image.fromarray(array).save(folder / f"{name}.{kind}")
            yield "picture", folder / f"{name}.{kind}"
        plain, packed = folder / f"{name}.tif", folder / f"{name}-packed.tif"
        tifffile.imwrite(plain, array)
        tifffile.imwrite(packed, array, compression="zlib", tile=(32, 32))
        yield "picture", plain
        yield "picture", packed
    deep = folder / "deep.png"
    Image.fromarray(grey.astype(np.uint16) * 257).save(deep)
    yield "picture", deep


def samples(folder: Path) -> list[tuple[str, Path]]:
    """A sound file of every kind, in a folder."""
    made = list(pictures(folder))
    texts = {
        "scale": json.dumps(scale_from_dpi(4800).to_dict()),
        "illumination": json.dumps(Illumination.stated(4, 0).to_dict()),
        "limits table": TABLE,
        "table of sieves": SIEVES,
        "mapping": MAPPING,
    }
    for kind, text in texts.items():
        path = folder / f"{kind.replace(' ', '-')}.{'toml' if kind == 'mapping' else 'csv'}"
        path.write_text(text)
        made.append((kind, path))
    cells = [("id", "nominal"), ("S", "75um")]
    (folder / "sheet.xlsx").write_bytes(sheets.xlsx_bytes("sieves", cells))
    made.append(("workbook", folder / "sheet.xlsx"))
    (folder / "one.kept").write_bytes(to_bytes((np.arange(30.0), ("a", None, 3))))
    made.append(("kept result", folder / "one.kept"))
    place = folder / "lab" / "registry.sqlite"
    day = datetime(2026, 3, 2, tzinfo=UTC)
    registry = open_registry(place, create=True, now=lambda: day)
    sieve_commands.add_sieve(registry, NewSieve("S-1", 75.0), by="Ada Moss")
    sieve_commands.log_use(registry, "S-1", 3, by="Ada Moss")
    archive.export_all(registry, folder / "export.zip")
    registry.close()
    return [*made, ("archive", folder / "export.zip"), ("registry", registry.path)]


def read_picture(path: Path) -> None:
    try:
        open_source(path).rows(0, 5)
    finally:
        load_scan(path)


def read_archive(path: Path) -> None:
    archive.read_manifest(path)
    archive.prove(path)


def read_registry(path: Path) -> None:
    registry = open_registry(path)
    try:
        verification.verify(registry)
        sieve_queries.due(registry)
    finally:
        registry.close()


def read_kept(path: Path) -> None:
    """As the cache reads it: whatever is wrong is a remark, and the work is done again."""
    path.with_name("k").mkdir(exist_ok=True)
    mark = CacheKey("one.kept", "one", {})
    cache: ResultCache[int, object] = ResultCache(
        path.with_name("k"), lambda _: mark, lambda result, *_: result, lambda _: None
    )
    (cache.folder / mark.file).write_bytes(path.read_bytes())
    assert list(cache(lambda task, _: task, [7], lambda *_: None)) == [(0, 7)]
    with suppress(ValueError, TypeError, LookupError, AttributeError, MemoryError, RecursionError):
        from_bytes(path.read_bytes())  # the cache turns these into a remark


READERS: dict[str, Reader] = {
    "picture": read_picture,
    "scale": load_scale,
    "illumination": load_illumination,
    "limits table": read_table,
    "table of sieves": sheets.read_rows,
    "workbook": sheets.read_rows,
    "mapping": tables.read_mapping,
    "archive": read_archive,
    "kept result": read_kept,
    "registry": read_registry,
}
_WORDS = (
    *(b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff", b"-1", b"NaN", b";=1"),
    *(b"9" * 30, b"[" * 3000),
)


def altered(data: bytes, rng: random.Random) -> bytes:
    """The bytes with one to four alterations."""
    changed = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        # Headers are hit more often than pixels.
        at = rng.randrange(len(changed) or 1) if rng.random() < 0.5 else rng.randrange(200)
        at = min(at, len(changed))
        how = rng.randrange(5)
        if how == 0 and at < len(changed):
            changed[at] ^= 1 << rng.randrange(8)
        elif how == 1:
            changed[at : at + 4] = rng.choice(_WORDS)
        elif how == 2:
            del changed[at : at + rng.randint(1, 400)]
        elif how == 3:
            part = changed[at : at + rng.randint(1, 60)]
            changed[at:at] = part * rng.randint(1, 50)
        else:
            changed[at : at + 1] = rng.randbytes(rng.randint(1, 8))
    return bytes(changed)


@contextmanager
def error_stream() -> Iterator[Callable[[], str]]:
    """What anything in this process writes to the error stream meanwhile, also from C."""
    sys.stderr.flush()
    with tempfile.TemporaryFile() as caught:
        kept = os.dup(2)
        os.dup2(caught.fileno(), 2)
        last = 0

        def written() -> str:
            nonlocal last
            caught.seek(last)
            text = caught.read().decode("utf-8", "replace")
            last = caught.tell()
            return text

        try:
            yield written
        finally:
            os.dup2(kept, 2)
            os.close(kept)


def one(kind: str, path: Path, outcome: Outcome, written: Callable[[], str], name: str) -> None:
    """Read one input, and count what became of it."""
    began = time.monotonic()
    try:
        READERS[kind](path)
        outcome.read += 1
    except UnforeseenError as error:
        outcome.faults.append(f"{name}: {error}")
    except SievewardError as error:
        outcome.refused[type(error).__name__] += 1
        if "\n" in str(error).strip():
            outcome.faults.append(f"{name}: more than a sentence: {str(error)[:80]!r}")
    except BaseException as error:
        outcome.faults.append(f"{name}: {type(error).__name__}: {str(error)[:200]}")
    said = written()
    if said:
        outcome.faults.append(f"{name}: wrote {said[:200]!r}")
    if time.monotonic() - began > MOST_S:
        outcome.faults.append(f"{name}: took {time.monotonic() - began:.0f} s")


def fuzz(count: int, seed: int) -> dict[str, Outcome]:
    """So many altered inputs, evenly of every sound file; what became of them by kind."""
    outcomes: dict[str, Outcome] = {kind: Outcome() for kind in READERS}
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3  # of what ran earlier here
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sound = samples(folder)
        with error_stream() as written:
            for number in range(count):
                kind, source = sound[number % len(sound)]
                rng = random.Random(f"{seed}:{number}")
                where = folder / "now" / source.name
                where.parent.mkdir(exist_ok=True)
                for left in where.parent.glob(f"{source.stem}*"):
                    if left.is_file():
                        left.unlink()
                where.write_bytes(altered(source.read_bytes(), rng))
                one(kind, where, outcomes[kind], written, f"{source.name}, input {number}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    if peak > max(MOST_MB, before):
        outcomes["picture"].faults.append(f"all together: {peak:.0f} MB")
    return outcomes


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--count", type=int, default=2400)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    outcomes = fuzz(given.count, given.seed)
    out = io.StringIO()
    for kind, outcome in outcomes.items():
        refused = outcome.refused.total()
        tried = outcome.read + refused + len(outcome.faults)
        out.write(f"{kind:16} {tried:5} tried, {outcome.read:5} read, {refused:5} refused ")
        out.write(f"{dict(outcome.refused)}, {len(outcome.faults)} faults\n")
        for fault in outcome.faults:
            out.write(f"    {fault}\n")
    print(out.getvalue(), end="")
    return 1 if any(outcome.faults for outcome in outcomes.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
