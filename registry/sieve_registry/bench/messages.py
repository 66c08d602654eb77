"""Errors in the three sentences a person at the bench needs: what, what is safe, what to do."""

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

__all__ = ["Trouble", "told"]

_SAFE = "Nothing was recorded. What was recorded before is whole."
_NEXT: tuple[tuple[type[SievewardError], str], ...] = (
    (MissingScaleError, "Choose the scale the scans were made at, then press Measure again."),
    (ImageTooLargeError, "Crop the scan to the cloth, then drop it here again."),
    (NotAnImageError, "Choose a picture as the scanner saved it."),
    (NominalMismatchError, "Compare the label on the frame with the name above, and the scale "
     "chosen with the resolution of the scan."),
    (NoLatticeError, "See that the right file was chosen and that it shows the cloth, then try "
     "again."),
    (SameImageError, "Tick or drop each scan once; for more, scan another place of the cloth."),
    (InputError, "Scan the cloth again as said, then drop the new scans."),
    (RegistryLockedError, "Wait a moment, then do the same again."),
    (UnknownSieveError, "Scan the label again, or choose the sieve from the list on the first "
     "page."),
    (SieveRetiredError, "Take the sieve away from the bench, or ask who retired it."),
    (IntegrityError, "Stop recording, keep the registry as it is, and tell who looks after it."),
    (UnforeseenError, "Load the page and try once more. If it happens again, tell who looks "
     "after this program."),
    (UsageError, "Correct what is named, then do the same again."),
)  # fmt: skip
_OTHERWISE = "Show this to whoever looks after the registry."


@dataclass(frozen=True)
class Trouble:
    """What happened, what is safe, what to do next."""

    what: str
    safe: str
    next: str


def told(error: SievewardError) -> Trouble:
    """An error for a person at the bench."""
    following = next((text for kind, text in _NEXT if isinstance(error, kind)), _OTHERWISE)
    what = with_micro(str(error))
    if isinstance(error, MissingScaleError):  # its sentence names options of a command
        what = "No scale was chosen, and pixels alone are no micrometres."
    if isinstance(error, UnknownSieveError):
        what = f"There is no sieve {error.fields['sieve']!r} in the registry."
    if isinstance(error, UnforeseenError):
        what = "A fault of this program ({kind}: {reason}).".format(**error.fields)
    return Trouble(what, _SAFE, following)
