"""Moving a registry: every event as it is and every evidence file, so that the head stays.

An export is a folder, or a .zip file, of `manifest.json`, `events.jsonl` (one event a line, in
order) and `evidence/ab/abcdef….ext`. It does not depend on the kind of database, so it is also how
a registry is backed up, and how it moves between a file and a server.

No byte of it can change unnoticed: the chain protects the events (written in one way only), a hash
each evidence file, a hash of its own the manifest, and a .zip file ends in the SHA-256 (hex, as its
comment) of everything before that.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, BinaryIO

from sqlalchemy import Connection

from sieve_inspect.files import open_regular, parse_json
from sieve_registry.errors import ArchiveError, BrokenRecordError
from sieve_registry.ledger.canonical import canonical_text, read_payload
from sieve_registry.ledger.chain import ChainWalk, event_line
from sieve_registry.ledger.records import Event
from sieve_registry.store import listing, reader, writer
from sieve_registry.store.engine import Registry
from sieve_registry.store.evidence import Staged
from sieve_registry.store.projection import rows_of
from sieve_registry.store.writer import package_version

SCHEMA = "sieveward.export/2"
_UNSEALED = "sieveward.export/1"  # neither its manifest nor the .zip file carried a hash of itself
_SEAL_LENGTH = 64
_DAMAGED = (  # what reading a damaged archive may raise
    *(OSError, KeyError, ValueError, EOFError, RuntimeError),
    *(zipfile.BadZipFile, zlib.error),
)
_BATCH = 1000
_BLOCK = 1 << 20
_MOST_MANIFEST = 1 << 20
_MOST_LINE = 1 << 23  # bytes of one event; large ones have some kB
_MOST_UNPACKED, _MOST_RATIO = 100_000_000, 100  # exports of text shrink to a tenth
_SHA = re.compile(r"[0-9a-f]{64}", re.ASCII)
_EXTENSION = re.compile(r"(\.[a-z0-9]{1,8})?", re.ASCII)
_FIELDS = tuple(Event.__dataclass_fields__)


@dataclass(frozen=True)
class Manifest:
    """The content of an export, by its own statement."""

    events: int
    head: str | None
    evidence: int
    made_at: str
    software: str


class _Folder:
    def __init__(self, root: Path) -> None:
        self.root = root

    def write(self, name: str, data: bytes) -> None:
        self.copy(name, [data])

    def copy(self, name: str, pieces: Iterable[bytes], *, shrink: bool = False) -> None:  # noqa: ARG002
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("wb") as stream:
            stream.writelines(pieces)


class _Zip:
    def __init__(self, archive: zipfile.ZipFile) -> None:
        self.archive = archive

    def write(self, name: str, data: bytes) -> None:
        self.archive.writestr(name, data, zipfile.ZIP_DEFLATED)

    def copy(self, name: str, pieces: Iterable[bytes], *, shrink: bool = False) -> None:
        info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
        info.compress_type = zipfile.ZIP_DEFLATED if shrink else zipfile.ZIP_STORED
        with self.archive.open(info, "w", force_zip64=True) as stream:
            for piece in pieces:
                stream.write(piece)


def export_all(registry: Registry, out: Path) -> Manifest:
    """Write everything to a new folder or .zip file, completely or not at all.

    Raises `ArchiveError` when the target exists or cannot be written, and `BrokenRecordError` for
    a registry whose chain is broken: it must not become a backup.
    """
    try:
        if os.path.lexists(out) and (not out.is_dir() or any(out.iterdir())):
            raise ArchiveError(file=out, reason="exists already: choose another name")
        out.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=out.parent, prefix=".new-export-") as folder:
            draft = Path(folder) / "draft"
            if out.suffix.lower() == ".zip":
                with zipfile.ZipFile(draft, "w", allowZip64=True) as archive:
                    manifest = _export(registry, _Zip(archive))
                    archive.comment = b"0" * _SEAL_LENGTH
                with draft.open("r+b") as stream:
                    digest = _digest_before_seal(stream)
                    stream.write(digest)
            else:
                draft.mkdir()
                manifest = _export(registry, _Folder(draft))
            draft.replace(out)
    except OSError as error:
        reason = f"cannot be written ({error.strerror or error})"
        raise ArchiveError(file=out, reason=reason) from error
    return manifest


def _export(registry: Registry, sink: _Folder | _Zip) -> Manifest:
    walk = ChainWalk()
    with registry.reading() as connection:
        sink.copy("events.jsonl", _event_lines(connection, walk), shrink=True)
        if walk.broken is not None:
            first = f"{walk.broken.subject}: {walk.broken.message}"
            raise BrokenRecordError(count=1, first=first)
        kept = list(listing.evidence_files(connection))
    for sha256, extension, _, _ in kept:
        blocks = registry.evidence.blocks(sha256, extension)
        sink.copy(_evidence_name(sha256, extension), blocks)
    manifest = Manifest(
        events=walk.seq,
        head=walk.previous if walk.seq else None,
        evidence=len(kept),
        made_at=writer.utc_text(registry.now()),
        software=f"sieveward {package_version('sieveward')}",
    )
    sink.write("manifest.json", _manifest_bytes(manifest))
    return manifest


def _manifest_bytes(manifest: Manifest) -> bytes:
    fields = {"schema": SCHEMA, **asdict(manifest)}
    sha256 = hashlib.sha256(canonical_text(fields).encode()).hexdigest()
    return canonical_text({**fields, "sha256": sha256}).encode() + b"\n"


def _digest_before_seal(stream: BinaryIO) -> bytes:
    """SHA-256 (hex) of a file but for its last 64 bytes, before which the stream is left."""
    left = stream.seek(0, os.SEEK_END) - _SEAL_LENGTH
    stream.seek(0)
    digest = hashlib.sha256()
    while left > 0 and (block := stream.read(min(left, 1 << 20))):
        digest.update(block)
        left -= len(block)
    return digest.hexdigest().encode()


def _event_lines(connection: Connection, walk: ChainWalk) -> Iterator[bytes]:
    for event in reader.events(connection):
        walk.step(event)
        yield event_line(event)


def _evidence_name(sha256: str, extension: str) -> str:
    return f"evidence/{sha256[:2]}/{sha256}{extension}"


def read_manifest(source: Path) -> Manifest:
    """The manifest of an export or backup. Raises `ArchiveError`."""
    with _opened(source) as archive:
        return archive.manifest(check_seal=False)


def import_all(registry: Registry, source: Path) -> Manifest:
    """Read an export into an empty registry: the same events, the same head, or nothing.

    Raises `ArchiveError` when the registry is not empty, or the export is incomplete.
    """
    with _opened(source) as archive:
        manifest = archive.manifest()
        staged: list[Staged] = []
        try:
            with registry.writing() as connection:
                count = reader.count_events(connection)
                if count:
                    reason = f"holds {count} events already: name a new registry with --registry"
                    raise ArchiveError(file=registry.where, reason=reason)
                _import(connection, registry, archive, manifest, staged)
        finally:
            for item in staged:
                registry.evidence.discard(item)
    return manifest


def _import(
    connection: Connection,
    registry: Registry,
    archive: _Source,
    manifest: Manifest,
    staged: list[Staged],
) -> None:
    for batch in archive.batches(manifest):
        try:
            writer.insert_events(connection, batch)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise archive.error(f"holds an event that cannot be read ({error})") from error
    for sha256, extension, _, _ in listing.evidence_files(connection):
        if not _SHA.fullmatch(sha256) or not _EXTENSION.fullmatch(extension):
            raise archive.error("names evidence files that no registry writes")
        blocks = archive.blocks(_evidence_name(sha256, extension))
        item = registry.evidence.stage(blocks, extension)
        staged.append(item)
        archive.compare(sha256, item.sha256)
        registry.evidence.place(item, extension, connection)


def prove(source: Path) -> None:
    """Verify an export: every event along its chain, every file against its hash.

    Raises `ArchiveError`.
    """
    with _opened(source) as archive:
        manifest, kept = archive.manifest(), dict[str, str]()
        for batch in archive.batches(manifest):
            for event in batch:
                kept |= {row[0]: row[1] for row in rows_of(event).get("evidence", ())}
        if len(kept) != manifest.evidence:
            raise archive.error("is incomplete: write it again")
        for sha256, extension in kept.items():
            digest = hashlib.sha256()
            for block in archive.blocks(_evidence_name(sha256, extension)):
                digest.update(block)
            archive.compare(sha256, digest.hexdigest())


@dataclass(frozen=True)
class _Source:
    """An export opened for reading."""

    path: Path
    root: Path | zipfile.ZipFile

    def error(self, reason: str) -> ArchiveError:
        """The error that names this export."""
        return ArchiveError(file=self.path, reason=reason)

    def compare(self, sha256: str, actual: str) -> None:
        """Refuse a file of evidence whose content has another hash than its name."""
        if actual != sha256:
            raise self.error(f"holds altered evidence {sha256[:12]}…")

    def read(self, name: str) -> bytes:
        """The content of a file in it."""
        data = b"".join(self.blocks(name, _MOST_MANIFEST))
        if len(data) >= _MOST_MANIFEST:
            raise self.error(f"has a {name} of an impossible size")
        return data

    def blocks(self, name: str, most: int | None = None) -> Iterator[bytes]:
        """The content of a file in it, piece by piece, no more than about `most` bytes."""
        size = 0
        try:
            with self._open(name) as stream:
                while (most is None or size < most) and (block := stream.read(_BLOCK)):
                    size += len(block)
                    yield block
        except _DAMAGED as error:
            raise self.error(f"lacks {name}, or it is damaged") from error

    def _open(self, name: str) -> IO[bytes]:
        if isinstance(self.root, Path):
            return open_regular(self.root / name)
        return self.root.open(name)

    def _lines(self, name: str) -> Iterator[bytes]:
        with self._open(name) as stream:
            while line := stream.readline(_MOST_LINE):
                if len(line) == _MOST_LINE:
                    raise self.error("holds an event of an impossible size")
                yield line

    def manifest(self, *, check_seal: bool = True) -> Manifest:
        """The manifest; `check_seal` also compares a .zip file with the hash at its end."""
        data = self.read("manifest.json")
        try:
            fields = parse_json(data)
            schema = fields.pop("schema")
            if schema == SCHEMA:
                fields.pop("sha256")
            elif schema != _UNSEALED:
                raise self.error("was written by another version")
            manifest = Manifest(**fields)
            if schema == SCHEMA and data != _manifest_bytes(manifest):
                raise ValueError(data)
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise self.error("has a manifest that cannot be read") from error
        if check_seal and schema == SCHEMA and self.path.is_file():
            with self.path.open("rb") as stream:
                if _digest_before_seal(stream) != stream.read():
                    raise self.error("was altered after it was written")
        return manifest

    def batches(self, manifest: Manifest) -> Iterator[list[Event]]:
        """The events along their chain, up to the head that the manifest states."""
        walk, batch, length = ChainWalk(), list[Event](), 0
        try:
            for number, line in enumerate(self._lines("events.jsonl"), start=1):
                try:
                    fields = read_payload(line)
                    event = Event(**{name: fields[name] for name in _FIELDS})
                    if event_line(event) != line:
                        raise ValueError(line)
                except (ValueError, TypeError, KeyError, RecursionError):
                    raise self.error(f"cannot be read in line {number} of its events") from None
                walk.step(event)
                if walk.broken is not None:
                    broken = f"{walk.broken.subject} {walk.broken.message}"
                    raise self.error(f"is incomplete: {broken}")
                batch.append(event)
                length += len(line)
                if len(batch) == _BATCH or length > _MOST_LINE:
                    yield batch
                    batch, length = [], 0
        except _DAMAGED as error:
            raise self.error(f"is damaged ({error})") from error
        if batch:
            yield batch
        if (walk.seq, walk.previous if walk.seq else None) != (manifest.events, manifest.head):
            raise self.error(f"holds {walk.seq} events, its manifest states {manifest.events}")


@contextmanager
def _opened(source: Path) -> Iterator[_Source]:
    if source.is_dir():
        yield _Source(source, source)
        return
    with ExitStack() as opened:
        try:
            archive = zipfile.ZipFile(opened.enter_context(open_regular(source)))
        except _DAMAGED as error:
            reason = getattr(error, "strerror", None) or "it is not an archive, or it is damaged"
            raise ArchiveError(file=source, reason=f"cannot be opened: {reason}") from error
        opened.enter_context(archive)
        unpacked = sum(entry.file_size for entry in archive.infolist())
        if unpacked > _MOST_UNPACKED + _MOST_RATIO * source.stat().st_size:
            reason = f"unpacks to {unpacked / 1e6:.0f} MB, which no export does: do not use it"
            raise ArchiveError(file=source, reason=reason)
        yield _Source(source, archive)
