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
import json
import os
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from sqlalchemy import Connection

from sieve_registry.errors import ArchiveError, BrokenRecordError
from sieve_registry.ledger.canonical import canonical_text
from sieve_registry.ledger.chain import ChainWalk
from sieve_registry.records import Event
from sieve_registry.store import reader, writer
from sieve_registry.store.engine import Registry
from sieve_registry.store.evidence import Staged
from sieve_registry.store.projection import rows_of
from sieve_registry.store.software import package_version

SCHEMA = "sieveward.export/2"
_UNSEALED = "sieveward.export/1"  # neither its manifest nor the .zip file carried a hash of itself
_SEAL_LENGTH = 64
_DAMAGED = (  # what reading a damaged archive may raise
    *(OSError, KeyError, ValueError, EOFError, RuntimeError),
    *(zipfile.BadZipFile, zlib.error),
)
_BATCH = 1000
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


class _Sink(Protocol):
    def write(self, name: str, data: bytes) -> None: ...

    def copy_lines(self, name: str, lines: Iterator[str]) -> None: ...


class _Folder:
    def __init__(self, root: Path) -> None:
        self.root = root

    def write(self, name: str, data: bytes) -> None:
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)

    def copy_lines(self, name: str, lines: Iterator[str]) -> None:
        with (self.root / name).open("w", encoding="utf-8", newline="\n") as stream:
            stream.writelines(lines)

    def read(self, name: str) -> bytes:
        return (self.root / name).read_bytes()

    def lines(self, name: str) -> Iterator[str]:
        with (self.root / name).open(encoding="utf-8", newline="\n") as stream:
            yield from stream


class _Zip:
    def __init__(self, archive: zipfile.ZipFile) -> None:
        self.archive = archive

    def write(self, name: str, data: bytes) -> None:
        packed = zipfile.ZIP_STORED if name.startswith("evidence/") else zipfile.ZIP_DEFLATED
        self.archive.writestr(name, data, packed)

    def copy_lines(self, name: str, lines: Iterator[str]) -> None:
        info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
        info.compress_type = zipfile.ZIP_DEFLATED
        with self.archive.open(info, "w", force_zip64=True) as stream:
            for line in lines:
                stream.write(line.encode("utf-8"))

    def read(self, name: str) -> bytes:
        return self.archive.read(name)

    def lines(self, name: str) -> Iterator[str]:
        with self.archive.open(name) as stream:
            for line in stream:
                yield line.decode("utf-8")


def export_all(registry: Registry, out: Path) -> Manifest:
    """Write everything to a new folder or .zip file, completely or not at all.

    Raises `ArchiveError` when the target exists or cannot be written, and `BrokenRecordError` for
    a registry whose chain is broken: it must not become a backup.
    """
    if out.exists() and (out.is_file() or any(out.iterdir())):
        raise ArchiveError(file=out, reason="exists already: choose another name")
    try:
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


def _export(registry: Registry, sink: _Sink) -> Manifest:
    walk = ChainWalk()
    with registry.reading() as connection:
        sink.copy_lines("events.jsonl", _event_lines(connection, walk))
        if walk.broken is not None:
            first = f"{walk.broken.subject}: {walk.broken.message}"
            raise BrokenRecordError(count=1, first=first)
        kept = list(reader.evidence_files(connection))
    for sha256, extension, _, _ in kept:
        data = registry.evidence.read(sha256, extension)
        sink.write(_evidence_name(sha256, extension), data)
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


def _event_lines(connection: Connection, walk: ChainWalk) -> Iterator[str]:
    for event in reader.events(connection):
        walk.step(event)
        yield canonical_text(event.__dict__) + "\n"


def _evidence_name(sha256: str, extension: str) -> str:
    return f"evidence/{sha256[:2]}/{sha256}{extension}"


def read_manifest(source: Path) -> Manifest:
    """The manifest of an export or backup. Raises `ArchiveError`."""
    with _opened(source) as archive:
        return _manifest(source, archive)


def import_all(registry: Registry, source: Path) -> Manifest:
    """Read an export into an empty registry: the same events, the same head, or nothing.

    Raises `ArchiveError` when the registry is not empty, or the export is incomplete.
    """
    with _opened(source) as archive:
        manifest = _manifest(source, archive, check_seal=True)
        staged: list[Staged] = []
        try:
            with registry.writing() as connection:
                _refuse_filled(connection, registry)
                _import(connection, registry, source, archive, manifest, staged)
        finally:
            for item in staged:
                registry.evidence.discard(item)
    return manifest


def prove(source: Path) -> None:
    """Verify an export: every event along its chain, every file against its hash.

    Raises `ArchiveError`.
    """
    with _opened(source) as archive:
        manifest, walk = _manifest(source, archive, check_seal=True), ChainWalk()
        kept = dict[str, str]()
        for batch in _batches(source, archive):
            for event in batch:
                walk.step(event)
                if walk.broken:
                    break
                kept |= {r["sha256"]: r["extension"] for t, r in rows_of(event) if t == "evidence"}
        stated = (manifest.events, manifest.head, manifest.evidence)
        if walk.broken or (walk.seq, walk.previous if walk.seq else None, len(kept)) != stated:
            raise ArchiveError(file=source, reason="is incomplete: write it again")
        for sha256, extension in kept.items():
            data = _read(source, archive, _evidence_name(sha256, extension))
            if hashlib.sha256(data).hexdigest() != sha256:
                raise ArchiveError(file=source, reason=f"holds altered evidence {sha256[:12]}…")


def _refuse_filled(connection: Connection, registry: Registry) -> None:
    count = reader.count_events(connection)
    if count:
        raise ArchiveError(
            file=registry.where,
            reason=f"holds {count} events already: name a new registry with --registry",
        )


def _import(
    connection: Connection,
    registry: Registry,
    source: Path,
    archive: Any,
    manifest: Manifest,
    staged: list[Staged],
) -> None:
    walk = ChainWalk()
    for batch in _batches(source, archive):
        for event in batch:
            walk.step(event)
        if walk.broken is not None:
            raise ArchiveError(
                file=source,
                reason=f"is incomplete: {walk.broken.subject} {walk.broken.message}",
            )
        try:
            writer.insert_events(connection, batch)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            reason = f"holds an event that cannot be read ({error})"
            raise ArchiveError(file=source, reason=reason) from error
    if (walk.seq, walk.previous if walk.seq else None) != (manifest.events, manifest.head):
        raise ArchiveError(
            file=source, reason=f"holds {walk.seq} events, its manifest states {manifest.events}"
        )
    for sha256, extension, _, _ in reader.evidence_files(connection):
        if not _SHA.fullmatch(sha256) or not _EXTENSION.fullmatch(extension):
            raise ArchiveError(file=source, reason="names evidence files that no registry writes")
        data = _read(source, archive, _evidence_name(sha256, extension))
        item = registry.evidence.stage(data, extension)
        staged.append(item)
        if item.sha256 != sha256:
            raise ArchiveError(file=source, reason=f"holds altered evidence {sha256[:12]}…")
        registry.evidence.place(item, extension, connection)


def _batches(source: Path, archive: Any) -> Iterator[list[Event]]:
    batch: list[Event] = []
    try:
        for number, line in enumerate(archive.lines("events.jsonl"), start=1):
            try:
                fields = json.loads(line)
                event = Event(**{name: fields[name] for name in _FIELDS})
                if canonical_text(event.__dict__) + "\n" != line:
                    raise ValueError(line)
                batch.append(event)
            except (ValueError, TypeError, KeyError):
                reason = f"cannot be read in line {number} of its events"
                raise ArchiveError(file=source, reason=reason) from None
            if len(batch) == _BATCH:
                yield batch
                batch = []
    except _DAMAGED as error:
        raise ArchiveError(file=source, reason=f"is damaged ({error})") from error
    if batch:
        yield batch


def _manifest(source: Path, archive: Any, *, check_seal: bool = False) -> Manifest:
    """The manifest; `check_seal` also compares a .zip file with the hash at its end."""
    data = _read(source, archive, "manifest.json")
    try:
        fields = json.loads(data)
        schema = fields.pop("schema")
        if schema == SCHEMA:
            fields.pop("sha256")
        elif schema != _UNSEALED:
            raise ArchiveError(file=source, reason="was written by another version")
        manifest = Manifest(**fields)
        if schema == SCHEMA and data != _manifest_bytes(manifest):
            raise ValueError(data)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise ArchiveError(file=source, reason="has a manifest that cannot be read") from error
    if check_seal and schema == SCHEMA and source.is_file():
        with source.open("rb") as stream:
            if _digest_before_seal(stream) != stream.read():
                raise ArchiveError(file=source, reason="was altered after it was written")
    return manifest


def _read(source: Path, archive: Any, name: str) -> bytes:
    try:
        data: bytes = archive.read(name)
    except _DAMAGED as error:
        raise ArchiveError(file=source, reason=f"lacks {name}, or it is damaged") from error
    return data


@contextmanager
def _opened(source: Path) -> Iterator[Any]:
    if source.is_dir():
        yield _Folder(source)
        return
    try:
        archive = zipfile.ZipFile(source)
    except _DAMAGED as error:
        reason = getattr(error, "strerror", None) or "it is not an archive, or it is damaged"
        raise ArchiveError(file=source, reason=f"cannot be opened: {reason}") from error
    with archive:
        yield _Zip(archive)
