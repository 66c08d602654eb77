"""Errors in three sentences for a person at the bench: what, what is safe, what to do."""

from __future__ import annotations

from dataclasses import dataclass

from sieve_inspect.errors import (
    ImageTooLargeError,
    InputError,
    MissingScaleError,
    NoLatticeError,
    NominalMismatchError,
    NotAnImageError,
    SameImageError,
    SievewardError,
    UsageError,
)
from sieve_registry.errors import (
    IntegrityError,
    RegistryLockedError,
    SieveRetiredError,
    UnforeseenError,
    UnknownSieveError,
)
from sieve_registry.report.formatting import with_micro

__all__ = ["Trouble", "explained"]

_SAFE = "Nothing was recorded. Earlier records are unaffected."
_NEXT: tuple[tuple[type[SievewardError], str], ...] = (
    (MissingScaleError, "Choose the scale of the scans, then press Measure again."),
    (ImageTooLargeError, "Crop the scan to the cloth, then choose it again."),
    (NotAnImageError, "Choose a picture file as saved by the scanner."),
    (NominalMismatchError, "Compare the label on the frame with the sieve above, and the chosen "
     "scale with the resolution of the scan."),
    (NoLatticeError, "Check that the right file is chosen and that it shows the cloth, then try "
     "again."),
    (SameImageError, "Choose each scan once. For more fields, scan another part of the cloth."),
    (InputError, "Scan the cloth again as described, then choose the new scans."),
    (RegistryLockedError, "Wait a moment, then try again."),
    (UnknownSieveError, "Scan the label again, or choose the sieve on the first page."),
    (SieveRetiredError, "Take the sieve away from the bench, or ask the person who retired it."),
    (IntegrityError, "Stop recording, leave the registry as it is, and tell its administrator."),
    (UnforeseenError, "Load the page again and retry. If it happens again, tell the "
     "administrator."),
    (UsageError, "Fix this, then try again."),
)  # fmt: skip
_OTHERWISE = "Show this to the administrator of the registry."


@dataclass(frozen=True)
class Trouble:
    """What happened, what is safe, what to do next."""

    what: str
    safe: str
    next: str


def explained(error: SievewardError) -> Trouble:
    """An error as a person at the bench reads it."""
    following = next((text for kind, text in _NEXT if isinstance(error, kind)), _OTHERWISE)
    what = with_micro(str(error))
    if isinstance(error, MissingScaleError):  # its own sentence names parameters
        what = "Scale missing."
    if isinstance(error, UnknownSieveError):
        what = f"There is no sieve {error.fields['sieve']!r} in the registry."
    if isinstance(error, UnforeseenError):
        what = "Program fault ({kind}: {reason}).".format(**error.fields)
    return Trouble(what, _SAFE, following)
