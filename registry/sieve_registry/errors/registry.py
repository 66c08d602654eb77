"""Errors of the registry and of what is typed for it."""

from __future__ import annotations

from sieve_inspect.errors import SievewardError, UsageError


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
