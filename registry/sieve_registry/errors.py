"""Every error the registry raises: a message template and an exit code.

SievewardError                     (sieve_inspect.errors)
├── UsageError                     2
│   └── BadTextError               2   a name or note that cannot be recorded as written
├── RegistryError              30–39   the registry cannot carry out the request
│   ├── RegistryLockedError       30
│   ├── RegistryFileError         31
│   │   └── NoRightError          31   the database gives this user no right to it
│   ├── UnknownSieveError         32
│   ├── DuplicateSieveError       33
│   ├── SieveRetiredError         34
│   ├── UnknownCheckError         35
│   ├── ForeignRegistryError      36
│   ├── DateRefusedError          37
│   ├── EvidenceError             38
│   └── NoRegistryError           39
├── IntegrityError      40, 41, …    records or evidence were altered or lost
│   ├── BrokenRecordError         40
│   ├── EvidenceAlteredError      41
│   ├── LostEventsError           58   the newest known event is not in the registry
│   └── ReportDiffersError        68   a file is no report as it was issued
├── RuleError                  42–69   the request contradicts the records or a rule
│   ├── RuleRefusedError          42
│   ├── UnknownRecordError        43
│   ├── StackError                44
│   ├── NetworkDriveError         45
│   ├── ArchiveError              46
│   ├── SignatureError            47
│   ├── BadRowsError              48
│   └── …                     50–69   in `errors` of checks, scales, people, audit
└── UnforeseenError               49   a fault of the program itself
"""

from __future__ import annotations

from sieve_inspect.errors import SievewardError, UsageError

__all__ = [
    "ArchiveError",
    "BadRowsError",
    "BadTextError",
    "BrokenRecordError",
    "DateRefusedError",
    "DuplicateSieveError",
    "EvidenceAlteredError",
    "EvidenceError",
    "ForeignRegistryError",
    "IntegrityError",
    "LostEventsError",
    "NetworkDriveError",
    "NoRegistryError",
    "NoRightError",
    "RegistryError",
    "RegistryFileError",
    "RegistryLockedError",
    "ReportDiffersError",
    "RuleError",
    "RuleRefusedError",
    "SieveRetiredError",
    "SignatureError",
    "StackError",
    "UnforeseenError",
    "UnknownCheckError",
    "UnknownRecordError",
    "UnknownSieveError",
]


class BadTextError(UsageError):
    """A name or note that is empty, too long, or holds characters that cannot be printed."""

    template = "The {what} {text!r} cannot be kept: {reason}."


class RegistryError(SievewardError):
    """The registry cannot carry out the request."""

    exit_code = 30


class RegistryLockedError(RegistryError):
    """Another program wrote to the registry for longer than the waiting time."""

    template = (
        "The registry {file} is busy: another program has been writing to it for {seconds:g} s. "
        "Nothing was changed; try again in a moment."
    )
    exit_code = 30


class RegistryFileError(RegistryError):
    """The registry, or the folder it lies in, cannot be read or written."""

    template = (
        "The registry {file} cannot be used ({reason}): check the path, the free space and the "
        "right to write there, or choose another with --registry."
    )
    exit_code = 31


class NoRightError(RegistryFileError):
    """The database user lacks a right."""

    template = (
        "The database user lacks the right to do this in {file} ({reason}): ask an administrator "
        "to give it with `sieveward grant USER record`, or sign."
    )


class UnknownSieveError(RegistryError):
    """No sieve of that name."""

    template = "There is no sieve {sieve!r} in the registry{hint}."
    exit_code = 32


class DuplicateSieveError(RegistryError):
    """A sieve of that name exists."""

    template = (
        "Sieve {sieve!r} exists already, or was once the wrong name of another sieve: show it with "
        "`sieveward sieve show`, or choose another id."
    )
    exit_code = 33


class SieveRetiredError(RegistryError):
    """The sieve was retired on or before that day."""

    template = (
        "Sieve {sieve!r} was retired on {date} ({reason}): nothing can be recorded for it from "
        "that day on. Check the id and the date."
    )
    exit_code = 34


class UnknownCheckError(RegistryError):
    """No check of that number."""

    template = (
        "There is no check {check!r}: `sieveward sieve show SIEVE` lists the checks of a sieve."
    )
    exit_code = 35


class ForeignRegistryError(RegistryError):
    """Not a registry of this program, a damaged registry, or one of a newer version."""

    template = "{file} cannot be used as a registry: {reason}. {advice}."
    exit_code = 36


class DateRefusedError(RegistryError):
    """A date that cannot be read, or that contradicts the records."""

    template = "{reason}: {advice}."
    exit_code = 37


class EvidenceError(RegistryError):
    """An evidence file is missing, unreadable or changed while it was read."""

    template = "The evidence {name} cannot be used: {reason}."
    exit_code = 38


class NoRegistryError(RegistryError):
    """There is no registry at the place given."""

    template = (
        "There is no registry at {file} yet: create it with `sieveward sieve add ID --nominal "
        "75um`, or choose another with --registry."
    )
    exit_code = 39


class UnforeseenError(SievewardError):
    """An unexpected fault: one sentence, with details on request."""

    template = (
        "The program failed unexpectedly ({kind}: {reason}). Earlier records are unaffected: "
        "confirm with `sieveward verify`. For a report, repeat with SIEVEWARD_DEBUG=1 set."
    )
    exit_code = 49

    @classmethod
    def of(cls, fault: Exception) -> UnforeseenError:
        """An unexpected exception as an error of one sentence."""
        reason = " ".join(str(fault).split())[:200].rstrip(".") or "no further details"
        return cls(kind=type(fault).__name__, reason=reason)


class IntegrityError(SievewardError):
    """Records or evidence were altered after recording."""

    exit_code = 40


class BrokenRecordError(IntegrityError):
    """The registry failed its integrity check."""

    template = (
        "The registry failed its integrity check (findings: {count}; first: {first}): "
        "`sieveward verify` lists all of them. Leave this file untouched and restore a backup."
    )
    exit_code = 40


class EvidenceAlteredError(IntegrityError):
    """An evidence file no longer has the content it was stored with."""

    template = "The evidence file {file} was altered after it was stored: restore it from a backup."
    exit_code = 41


class LostEventsError(IntegrityError):
    """The registry lacks the newest event known of it, or the note of it was damaged."""

    template = (
        "The registry {file} {reason}. {done}: put the newest file back, or restore the newest "
        "backup; if later records are lost for good, confirm that with `sieveward verify "
        "--accept-loss REASON`."
    )
    exit_code = 58

    @classmethod
    def of(
        cls, place: str, count: int, head: str, where: str, done: str = "Nothing was recorded"
    ) -> LostEventsError:
        """The error for a known event that is not in the chain; `done` says what was done."""
        reason = (
            f"lacks its newest known event (number {count}, hash {head[:12]}…, noted {where}): an "
            "older copy was put back or its end was lost"
        )
        return cls(file=place, reason=reason, done=done)


class ReportDiffersError(IntegrityError):
    """A file that is not the one issued under a number of a report."""

    template = (
        "{file} is not {what} as it was issued: another version, an altered copy, or issued "
        "elsewhere. `sieveward report --number N` writes the issued files."
    )
    exit_code = 68


class RuleError(SievewardError):
    """The request contradicts the records or a rule."""

    exit_code = 42


class RuleRefusedError(RuleError):
    """A sieve's records do not allow this; the message lists every objection."""

    template = "Nothing was recorded for sieve {sieve!r}: {reason}."
    exit_code = 42


class UnknownRecordError(RuleError):
    """No event of that number, or a field of it that cannot be corrected."""

    template = "The record {record!r} cannot be corrected: {reason}."
    exit_code = 43


class StackError(RuleError):
    """No stack of that name, or a stack that cannot be made as given."""

    template = "The stack {stack!r} {reason}."
    exit_code = 44


class NetworkDriveError(RuleError):
    """A registry file on a drive several computers share."""

    template = (
        "The registry {file} is on a network drive ({system}), where two computers writing at "
        "once would damage it (its write-ahead log needs shared memory): use a local disk, "
        "or use a PostgreSQL server (--registry postgresql+psycopg://…)."
    )
    exit_code = 45


class ArchiveError(RuleError):
    """A backup or export that cannot be made, is incomplete, or cannot be imported here."""

    template = "{file} {reason}."
    exit_code = 46


class SignatureError(RuleError):
    """A key that cannot be read, or a signature that cannot be made."""

    template = "Nothing was {done} with {file}: {reason}."
    exit_code = 47


class BadRowsError(RuleError):
    """A table of sieves or checks with faulty rows; nothing was imported."""

    template = (
        "Nothing was imported from {file}: rows with errors: {count} (first: line {line}, "
        "{reason}). Correct them and import again."
    )
    exit_code = 48
