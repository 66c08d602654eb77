"""Every error the measuring core raises: a sentence to fill in, and an exit code of its own.

    SievewardError
    ├── UsageError                     2   the call cannot be carried out as written
    │   └── BadLengthError             2
    └── InputError                 10–29   something given to us cannot be used
        ├── UnreadableImageError      10
        ├── EmptyFileError            11
        ├── TruncatedImageError       12
        ├── NotAnImageError           13
        ├── ImageTooLargeError        14
        ├── NoLatticeError            15
        ├── UnderResolvedError        16
        ├── NominalMismatchError      17
        ├── MissingScaleError         18
        ├── NominalOutsideError       19
        ├── UnknownStandardError      20
        ├── BadTableError             21
        ├── BadScaleFileError         22
        ├── UnwritableOutputError     23
        ├── RefusedImageError         24
        ├── ClusterError              27
        └── SameImageError            28

Scale artefacts add 25 and 26 (`scale.artefact.errors`), the registry its own from 30
to 49 (`sieve_registry.errors`) and from 50 (`sieve_registry.scales.errors`).
"""

from __future__ import annotations

from functools import partial
from typing import ClassVar


class SievewardError(Exception):
    """Base of all errors: `template` is filled from keyword arguments and is what a user reads."""

    template: ClassVar[str] = "{message}"
    exit_code: ClassVar[int] = 1

    def __init__(self, **fields: object) -> None:
        self.fields = fields
        super().__init__(self.template.format(**fields))

    def __reduce__(self) -> tuple[partial[SievewardError], tuple[()]]:
        """Sent from another process, it says the same."""
        return partial(type(self), **self.fields), ()


class UsageError(SievewardError):
    """The call contradicts itself or lacks something."""

    exit_code = 2


class BadLengthError(UsageError):
    """A length without a unit, or one that is neither a length nor a designation."""

    template = (
        "'{text}' is not a length we can read: write it with a unit, like 75um or 0.075mm, "
        "or as a published designation like 'No. 200'."
    )


class InputError(SievewardError):
    """Something given to us cannot be used."""

    exit_code = 10


class UnreadableImageError(InputError):
    """The file cannot be opened at all."""

    template = "{file} cannot be read: {reason}."
    exit_code = 10


class EmptyFileError(InputError):
    """Zero bytes."""

    template = "{file} is empty: scan it again, nothing was saved the last time."
    exit_code = 11


class TruncatedImageError(InputError):
    """The picture ends before it should."""

    template = "{file} is cut short ({reason}): copy or scan it again."
    exit_code = 12


class NotAnImageError(InputError):
    """Not one of the kinds we read."""

    template = "{file} is not a PNG, JPEG, TIFF or BMP picture{hint}."
    exit_code = 13


class ImageTooLargeError(InputError):
    """More pixels than the stated limit."""

    template = (
        "{file} has {megapixels:.0f} megapixels, over the limit of {limit:.0f}: "
        "crop it to the cloth or scan a part."
    )
    exit_code = 14


class NoLatticeError(InputError):
    """No woven square mesh found in the picture."""

    template = (
        "No square mesh of woven wire was found in {file}: {reason}. Check that the cloth lies "
        "flat, is lit evenly from behind and fills the picture."
    )
    exit_code = 15


class UnderResolvedError(InputError):
    """Too few pixels in each aperture, or too much blur for them."""

    template = (
        "{file} shows only {aperture_px:.1f} px per aperture{reason}; at least {needed:.0f} px "
        "are needed. {advice}, or check scale and nominal."
    )
    exit_code = 16


class NominalMismatchError(InputError):
    """The cloth seen is another size than the nominal given."""

    template = (
        "{file}: the apertures seen are about {seen}, {percent:+.0f} % from the nominal "
        "{nominal}; check the label, the nominal and the scale."
    )
    exit_code = 17


class MissingScaleError(InputError):
    """A width in pixels without micrometres per pixel."""

    template = (
        "No scale was given, and pixels alone are no micrometres: "
        "add --scale FILE or --um-per-px X."
    )
    exit_code = 18


class NominalOutsideError(InputError):
    """Outside the range the standards cover."""

    template = "A nominal aperture of {nominal} lies outside the standards' 20 um to 125 mm."
    exit_code = 19


class UnknownStandardError(InputError):
    """Not an edition we have and not a table file."""

    template = "'{standard}' is no standard we know: use one of {known}, or the path of a table."
    exit_code = 20


class BadTableError(InputError):
    """A limits table that does not hold together."""

    template = "The limits table {file} cannot be used: {reason}."
    exit_code = 21


class BadScaleFileError(InputError):
    """A scale file that does not hold together."""

    template = "The scale {file} cannot be used: {reason}."
    exit_code = 22


class UnwritableOutputError(InputError):
    """An output file or folder cannot be written."""

    template = "{file} cannot be written: {reason}."
    exit_code = 23


class RefusedImageError(InputError):
    """The picture cannot carry a measurement; the sentence says why and what would help."""

    template = "{file} cannot carry a measurement: {reason}. {advice}."
    exit_code = 24


class ClusterError(InputError):
    """Other processes that were to share the work, and do not."""

    template = (
        "The work cannot be shared with {where}: {reason}. See that a scheduler and workers with "
        "this very version run there, or leave the option out."
    )
    exit_code = 27


class SameImageError(InputError):
    """One picture given twice, under whatever names: counted twice it would look surer."""

    template = (
        "{first} and {second} are the very same picture, byte for byte: give it once, and scan "
        "other places of the cloth for more."
    )
    exit_code = 28
