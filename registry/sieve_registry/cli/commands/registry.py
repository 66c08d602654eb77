"""`sieveward export|import|backup|restore|verify|grant`: the registry as a file or a server's."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_inspect.errors import UsageError
from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, flag, option
from sieve_registry.cli.support.output import fields
from sieve_registry.cli.support.records import finding_dicts
from sieve_registry.cli.support.running import busy

if TYPE_CHECKING:
    from sieve_registry.exchange.archive import Manifest
    from sieve_registry.exchange.tables import Imported
    from sieve_registry.ledger.proof import Verification
    from sieve_registry.sieves.recording import RecordTerms

_MANIFEST = "events head evidence made_at software"  # of an export or backup
_TABLES = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm")


class What(StrEnum):
    """The kind of table."""

    SIEVES = "sieves"
    CHECKS = "checks"
    CERTIFICATES = "certificates"


class Role(StrEnum):
    """What a user of the database may do."""

    READ = "read"
    RECORD = "record"
    SIGN = "sign"
    ADMIN = "admin"


def export(
    context: typer.Context,
    out: Annotated[Path, argument("Folder or .zip: everything; .csv or .xlsx: a table.", "PATH")],
    *,
    what: Annotated[What, option("Kind of table.")] = What.SIEVES,
    json_path: options.Json = None,
) -> None:
    """Export the complete registry as JSON Lines with its evidence, or a table."""
    from sieve_registry.exchange import archive, sheets, table_export

    suffix = out.suffix.lower()
    is_table = suffix in (".csv", ".xlsx")
    output.check_outputs([("The table", out if is_table else None)], json_path)
    with options.opened(context) as registry:
        if not is_table:
            with busy("Exporting"):
                manifest = archive.export_all(registry, out)
            if not output.emit(json_path, {"file": str(out), **fields(manifest, _MANIFEST)}):
                _print_manifest(manifest, "Exported", f"to {out}")
            return
        rows = {
            What.SIEVES: table_export.sieve_rows,
            What.CHECKS: table_export.check_rows,
            What.CERTIFICATES: table_export.certificate_rows,
        }[what](registry)
    data = sheets.xlsx_bytes(what.value, rows) if suffix == ".xlsx" else sheets.csv_bytes(rows)
    output.write_bytes(out, data)
    if not output.emit(json_path, {"file": str(out), "rows": len(rows) - 1}):
        output.line(f"Exported {len(rows) - 1} {what.value} to {out}.")


def _print_manifest(manifest: Manifest, done: str, place: str) -> None:
    many = manifest.evidence != 1
    files = f"{manifest.evidence} evidence file{'s' if many else ''}"
    output.line(f"{done} {manifest.events} events and {files} {place}.")
    output.line(f"Ledger head: {manifest.head or '-'}")


def import_(
    context: typer.Context,
    source: Annotated[Path, argument("A .csv or .xlsx table; or an export.", "PATH")],
    *,
    what: Annotated[What, option("Kind of rows.")] = What.SIEVES,
    mapping: Annotated[
        Path | None, option("Names of your columns (TOML).", "FILE", name="--map")
    ] = None,
    dry_run: Annotated[
        bool, flag("--dry-run", "Import nothing; list every row with errors.")
    ] = False,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Import a table of sieves, past checks or certificates, all rows or none; or an export.

    Columns of sieves: id, nominal; optional: standard, grade, serial,
    location, maker, frame, in_service, interval_months, interval_uses,
    type, height, cloth, certificate, warp, label.

    Columns of past checks: sieve, date, outcome, mean_x, mean_y; optional:
    sd_x, sd_y, max_x, max_y, u_mean_x, u_mean_y (k = 1), count, certificate,
    by, note.

    Columns of certificates: sieve, date, number, laboratory, mean_x, mean_y;
    optional: u_x, u_y (U as printed), k (2), sd_x, sd_y, max_x, max_y, wire_x,
    wire_y, count, accreditation, standard, outcome, next_due, by, note.

    A mapping file gives your names of columns, your format of dates, and your
    words for outcomes:

    \b
    \\[columns]
    id = "Sieve no."
    nominal = "Mesh"
    \\[dates]
    format = "%d.%m.%Y"
    \\[words]
    "OK" = "pass"
    """
    output.check_outputs([], json_path, [("the table", source), ("the mapping", mapping)])
    if source.suffix.lower() in _TABLES:
        terms = options.terms(None, by, why_late)
        _import_table(context, source, what, mapping, dry_run, terms, json_path)
        return
    from sieve_registry.exchange import archive

    archive.read_manifest(source)
    with options.opened(context, create=True) as registry, busy("Importing"):
        manifest = archive.import_all(registry, source)
    if not output.emit(json_path, {"registry": registry.where, **fields(manifest, _MANIFEST)}):
        _print_manifest(manifest, "Imported", f"into {registry.where}")


def _import_table(
    context: typer.Context,
    source: Path,
    what: What,
    mapping: Path | None,
    dry_run: bool,
    terms: RecordTerms,
    json_path: str | None,
) -> None:
    from sieve_registry.errors import BadRowsError
    from sieve_registry.exchange import tables

    mapped = tables.read_mapping(mapping)
    create = what is What.SIEVES and not dry_run
    with options.opened(context, create=create) as registry, busy("Importing"):
        done = tables.import_table(registry, source, what.value, mapped, terms, dry_run=dry_run)
    payload = {
        "file": str(source),
        **fields(done, "what rows recorded"),
        "ignored_columns": list(done.ignored),
        "bad_rows": [fields(row, "line reason") for row in done.bad],
    }
    if not output.emit(json_path, payload):
        _print_imported(done, source)
    if done.bad:
        first = done.bad[0]
        raise BadRowsError(file=source, count=len(done.bad), line=first.line, reason=first.reason)


def _print_imported(done: Imported, source: Path) -> None:
    for row in done.bad:
        output.text(f"line {row.line}: {row.reason}", "  ")
    if done.ignored:
        output.text(f"Not imported, unknown columns: {', '.join(done.ignored)}.")
    if done.recorded:
        output.line(f"Imported {done.rows} {done.what} from {source}.")
    elif not done.bad:
        output.line(f"{done.rows} {done.what} can be imported. Nothing was imported: --dry-run.")


def backup(
    context: typer.Context,
    out: Annotated[Path, argument("The file to write.", "FILE.zip")],
    json_path: options.Json = None,
) -> None:
    """Back up the registry with its evidence, and prove the backup by reading it once."""
    from sieve_registry.exchange import archive

    if out.suffix.lower() != ".zip":
        raise UsageError(message=f"A backup is a .zip file: name it {out.name}.zip.")
    with options.opened(context) as registry, busy("Backing up"):
        manifest = archive.export_all(registry, out)
        archive.prove(out)
    if not output.emit(json_path, {"file": str(out), **fields(manifest, _MANIFEST)}):
        _print_manifest(manifest, "Backed up", f"to {out}")
        output.line("Keep it on another disk. To restore it: sieveward restore FILE.zip")


def restore(
    context: typer.Context,
    source: Annotated[Path, argument("The backup.", "FILE.zip")],
    json_path: options.Json = None,
) -> None:
    """Restore a registry from a backup to the place --registry names, and verify it."""
    from sieve_registry.audit import verification
    from sieve_registry.exchange import archive
    from sieve_registry.people.queries import laboratory_rules

    manifest = archive.read_manifest(source)  # before the registry is created
    with options.opened(context, create=True) as registry, busy("Restoring and verifying"):
        archive.import_all(registry, source)
        verification.refuse_lost(registry, "The backup was restored, but later events are missing")
        proof = verification.verify(registry, manifest.head)
        signing_in = laboratory_rules(registry).sign_in
    _refuse_broken(proof)
    answer = {"registry": registry.where, **fields(manifest, _MANIFEST), "ok": proof.ok}
    if not output.emit(json_path, answer):
        _print_manifest(manifest, "Restored", f"to {registry.where}")
        output.line("Verified: everything is as recorded.")
        if signing_in:
            output.text(
                "Passwords are not part of a backup: copy the .signin file too, or set one with "
                "sieveward person password ID."
            )


def verify(
    context: typer.Context,
    head: Annotated[
        str | None, option("An earlier head that must be part of the ledger.", "HASH")
    ] = None,
    key: Annotated[
        str | None,
        option("Public key of the newest signature (default: that of sign --trust).", "KEY"),
    ] = None,
    accept_loss: Annotated[
        str | None, option("Record that events are lost for good, and why.", "REASON")
    ] = None,
    report: Annotated[
        str | None, option("Prove this issued report instead, or only show it.", "NUMBER")
    ] = None,
    file: Annotated[
        Path | None, option("Is this file an issued report, and does it still stand?", "FILE")
    ] = None,
    sha256: Annotated[
        str | None, option("The same for the SHA-256 of a file.", "HASH", name="--hash")
    ] = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Prove the chain of events, the records derived from it, and every evidence file.

    With --report, --file or --hash: whether a file is a report as it was issued.
    """
    from sieve_registry.audit import commands, verification

    if (report, file, sha256) != (None, None, None):
        from sieve_registry.cli.support import issued

        with options.opened(context) as registry:
            issued.prove(registry, report, file, sha256, json_path)
        return

    with options.opened(context) as registry:
        if accept_loss is not None:
            commands.accept_loss(registry, accept_loss, options.terms(None, by, why_late))
        with busy("Verifying"):
            proof = verification.verify(registry, head, key=_trusted(key))
    written = output.emit(json_path, _proof_dict(proof))
    if not written:
        _print_records(proof)
    _refuse_broken(proof)
    if written:
        return
    output.line(f"Everything is as recorded: {proof.events} events and their evidence agree.")
    output.line(f"Ledger head: {proof.head or '-'}")
    if proof.sealed is False:
        output.text(
            "Unused file space was not verified: a program was stopped before it sealed the "
            "file, or has the file open now."
        )


def _proof_dict(proof: Verification) -> dict[str, Any]:
    """`verify --json`."""
    return {
        **fields(proof, "ok events head sealed"),
        "findings": finding_dicts(proof.findings),
        "losses": [
            {**fields(fact, "event=seq on_date person reason=payload.reason"),
             "lost": [fields(head, "events head where") for head in fact.payload.lost]}
            for fact in proof.losses
        ],
        "signers": [fields(s, "event person public_key events fault") for s in proof.signers],
        "stamps": [
            fields(s, "event events stamped_at authority unchecked fault") for s in proof.stamps
        ],
    }  # fmt: skip


def _print_records(proof: Verification) -> None:
    """The signatures, time stamps and losses of the ledger, and the findings."""
    for signer in proof.signers:
        output.text(
            f"Event {signer.event}: events 1 to {signer.events} signed by {signer.person} with "
            f"the key {signer.public_key}."
        )
    for stamp in proof.stamps:
        checked = f" (checked: {stamp.unchecked})" if stamp.unchecked else ", verified"
        output.text(
            f"Event {stamp.event}: events 1 to {stamp.events} time-stamped at "
            f"{stamp.stamped_at} by {stamp.authority or 'an authority not named'}{checked}."
        )
    for fact in proof.losses:
        output.text(
            f"Event {fact.seq}: {fact.person} confirmed on {fact.on_date} that events were "
            f"lost ({fact.payload.reason})."
        )
    for finding in proof.findings:
        output.text(f"{finding.source}: {finding.subject}: {finding.message}", "  ")


def _trusted(key: str | None) -> str:
    """The key that has to have signed last, "" where none is required."""
    from sieve_registry.ledger import signing
    from sieve_registry.settings import load_settings

    wanted = key or load_settings().trusted_key
    return signing.public_key(wanted) if wanted else ""


def _refuse_broken(proof: Verification) -> None:
    from sieve_registry.errors import BrokenRecordError

    if not proof.ok:
        first = proof.findings[0]
        message = f"{first.subject}: {first.message}"
        raise BrokenRecordError(count=len(proof.findings), first=message)


def grant(
    context: typer.Context,
    user: Annotated[str, argument("A user of the database.", "USER")],
    role: Annotated[Role, argument("read, record, sign or admin.")],
    json_path: options.Json = None,
) -> None:
    """Let a user of the database read, record, sign or administer, in every program."""
    from sieve_registry.audit import commands

    with options.opened(context) as registry:
        commands.grant(registry, user, role.value)
    if not output.emit(json_path, {"user": user, "role": role.value}):
        may = "administer" if role is Role.ADMIN else role.value
        output.line(f"{user} may {may} from now on.")
