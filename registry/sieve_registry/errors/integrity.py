"""Errors of records or evidence that were altered or lost."""

from __future__ import annotations

from sieve_inspect.errors import SievewardError


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
