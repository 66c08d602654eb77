"""Every error the registry raises: a sentence to fill in, and an exit code of its own.

SievewardError                     (sieve_inspect.errors)
├── UsageError                     2
│   └── BadTextError               2   a name or note we cannot keep as written
├── RegistryError              30–39   the registry cannot do what was asked
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
├── IntegrityError             40–41   what was recorded is no longer what was recorded
│   ├── BrokenRecordError         40
│   └── EvidenceAlteredError      41
├── RuleError                  42–48   what was asked would contradict what is recorded
│   ├── RuleRefusedError          42
│   ├── UnknownRecordError        43
│   ├── StackError                44
│   ├── NetworkDriveError         45
│   ├── ArchiveError              46
│   ├── SignatureError            47
│   └── BadRowsError              48
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
    "NetworkDriveError",
    "NoRegistryError",
    "NoRightError",
    "RegistryError",
    "RegistryFileError",
    "RegistryLockedError",
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
    """The registry cannot do what was asked."""

    exit_code = 30


class RegistryLockedError(RegistryError):
    """Another program kept the registry busy for longer than we wait."""

    template = (
        "The registry {file} is being written by another program and stayed busy for "
        "{seconds:g} s: nothing was changed, try again in a moment."
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
    """The database gives this user no right to do that."""

    template = (
        "This user of the database may not do that in {file} ({reason}): an administrator gives "
        "the right with `sieveward grant USER record`, or sign."
    )


class UnknownSieveError(RegistryError):
    """No sieve of that name."""

    template = "There is no sieve {sieve!r} in the registry{hint}."
    exit_code = 32


class DuplicateSieveError(RegistryError):
    """A sieve of that name is there already."""

    template = "A sieve {sieve!r} is already in the registry: see it with `sieveward sieve show`."
    exit_code = 33


class SieveRetiredError(RegistryError):
    """The sieve left service before that day; nothing more is recorded of it."""

    template = (
        "Sieve {sieve!r} was retired on {date} ({reason}): nothing more is recorded of it "
        "from that day on."
    )
    exit_code = 34


class UnknownCheckError(RegistryError):
    """No check of that number."""

    template = "There is no check {check!r}: `sieveward sieve show SIEVE` lists those there are."
    exit_code = 35


class ForeignRegistryError(RegistryError):
    """Not a registry of ours, a damaged one, or one of a newer version."""

    template = "{file} cannot be used as a registry: {reason}. {advice}."
    exit_code = 36


class DateRefusedError(RegistryError):
    """A day that cannot be read, or that contradicts what is already recorded."""

    template = "{reason}: {advice}."
    exit_code = 37


class EvidenceError(RegistryError):
    """A file that should prove a check is missing, unreadable or changed while it was read."""

    template = "The evidence {name} cannot be used: {reason}."
    exit_code = 38


class NoRegistryError(RegistryError):
    """There is no registry yet where one was looked for."""

    template = (
        "There is no registry at {file} yet: begin one with `sieveward sieve add ID --nominal "
        "75um`, or name another with --registry."
    )
    exit_code = 39


class IntegrityError(SievewardError):
    """What was recorded is no longer what was recorded."""

    exit_code = 40


class BrokenRecordError(IntegrityError):
    """`verify` found the registry not to hold together."""

    template = (
        "The registry does not hold together ({count} to look at; first: {first}): "
        "`sieveward verify` lists all of it; keep this file untouched and restore a backup."
    )
    exit_code = 40


class EvidenceAlteredError(IntegrityError):
    """An evidence file no longer has the content it was stored with."""

    template = (
        "The evidence file {file} no longer holds what was stored in it: restore it from a backup."
    )
    exit_code = 41


class RuleError(SievewardError):
    """What was asked would contradict what is recorded, or leads away from it."""

    exit_code = 42


class RuleRefusedError(RuleError):
    """A sieve's life does not allow this; all that stands against it is named at once."""

    template = "Nothing was recorded of sieve {sieve!r}: {reason}."
    exit_code = 42


class UnknownRecordError(RuleError):
    """No event of that number, or one that cannot be corrected in that way."""

    template = "The record {record!r} cannot be corrected: {reason}."
    exit_code = 43


class StackError(RuleError):
    """No stack of that name, or one that cannot be as it was given."""

    template = "The stack {stack!r} {reason}."
    exit_code = 44


class NetworkDriveError(RuleError):
    """A registry file on a drive several computers share."""

    template = (
        "The registry {file} lies on a network drive ({system}), where two computers writing at "
        "once would break it (its write-ahead log needs shared memory): keep it on a local disk, "
        "or use a PostgreSQL server (--registry postgresql+psycopg://…)."
    )
    exit_code = 45


class ArchiveError(RuleError):
    """A backup or export that cannot be made, is not whole, or may not be read in here."""

    template = "{file} {reason}."
    exit_code = 46


class SignatureError(RuleError):
    """A key that cannot be read, or a signature that cannot be made."""

    template = "Nothing was signed with {file}: {reason}."
    exit_code = 47


class BadRowsError(RuleError):
    """A table of sieves or checks with rows that cannot be read in; none of it was."""

    template = (
        "{file} was not read in, none of it: {count} of its rows cannot be (first: line {line}, "
        "{reason})."
    )
    exit_code = 48


class UnforeseenError(SievewardError):
    """A fault nobody thought of: told in one sentence, with all of it on request."""

    template = (
        "Something unforeseen went wrong ({kind}: {reason}): what was recorded before is whole, "
        "run `sieveward verify`. With SIEVEWARD_DEBUG=1 set, all of it is printed to be reported."
    )
    exit_code = 49
