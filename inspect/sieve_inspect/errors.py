"""Every error of the measuring core: a message template and an exit code for each class.

Arguments have exit code 2, inputs 10 to 29: scale artefacts add 25 and 26
(`scale.artefact.errors`). The registry has 30 to 69 (`sieve_registry.errors`).
"""

from __future__ import annotations

from functools import partial
from typing import ClassVar


class SievewardError(Exception):
    """Base of all errors: `template`, filled from keyword arguments, is the message.

    A message names parameters in backticks; the command line shows them as options.
    """

    template: ClassVar[str] = "{message}"
    exit_code: ClassVar[int] = 1

    def __init__(self, **fields: object) -> None:
        self.fields = fields
        super().__init__(self.template.format(**fields))

    def __reduce__(self) -> tuple[partial[SievewardError], tuple[()]]:
        """Keep the message when sent from another process."""
        return partial(type(self), **self.fields), ()


class UsageError(SievewardError):
    """An argument is wrong, missing or contradicts another."""

    exit_code = 2


class BadLengthError(UsageError):
    """Text that is neither a length with a unit nor a designation."""

    template = (
        "'{text}' is not a length. Write it with a unit, like 75um or 0.075mm, or as a published "
        "designation like 'No. 200'."
    )


class InputError(SievewardError):
    """An input that cannot be used."""

    exit_code = 10


class UnreadableImageError(InputError):
    """The file cannot be opened at all."""

    template = "{file} cannot be read: {reason}."
    exit_code = 10


class EmptyFileError(InputError):
    """Zero bytes."""

    template = "{file} is empty (0 bytes): scan it again."
    exit_code = 11


class TruncatedImageError(InputError):
    """The picture ends before it should."""

    template = "{file} is incomplete ({reason}): copy or scan it again."
    exit_code = 12


class NotAnImageError(InputError):
    """Not a picture format that can be read."""

    template = "{file} is not a PNG, JPEG, TIFF or BMP picture{hint}."
    exit_code = 13


class ImageTooLargeError(InputError):
    """More pixels than the limit."""

    template = (
        "{file} has {megapixels:.0f} megapixels, over the limit of {limit:.0f}: "
        "crop it to the cloth or scan a part."
    )
    exit_code = 14


class NoLatticeError(InputError):
    """No woven square mesh detected in the picture."""

    template = (
        "No square mesh of woven wire found in {file}: {reason}. Check that the cloth lies flat, "
        "is lit evenly from behind and fills the picture."
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
        "{nominal}; check the label, the nominal and the scale{hint}."
    )
    exit_code = 17


class MissingScaleError(InputError):
    """A width in pixels without micrometres per pixel."""

    template = "Scale missing: give `scale` or `um_per_px`."
    exit_code = 18


class NominalOutsideError(InputError):
    """Outside the range the standards cover."""

    template = "Nominal aperture {nominal}: the standards cover 20 um to 125 mm."
    exit_code = 19


class UnknownStandardError(InputError):
    """Neither a known edition nor a table file."""

    template = "Unknown standard '{standard}'. Use {known}, or the path of a table."
    exit_code = 20


class BadTableError(InputError):
    """A table with missing or contradictory values."""

    template = "The table {file} cannot be used: {reason}."
    exit_code = 21


class BadScaleFileError(InputError):
    """A scale file with missing or contradictory values."""

    template = "The scale {file} cannot be used: {reason}."
    exit_code = 22


class UnwritableOutputError(InputError):
    """An output file or folder cannot be written."""

    template = "{file} cannot be written: {reason}."
    exit_code = 23


class RefusedImageError(InputError):
    """The picture is not good enough to be measured; the message names what would help."""

    template = "{file} cannot be measured: {reason}. {advice}."
    exit_code = 24


class ClusterError(InputError):
    """The processes that share the work failed or cannot be reached."""

    template = (
        "The work cannot be shared with {where}: {reason}. Start a scheduler and workers of the "
        "same version there, or leave the option out."
    )
    exit_code = 27


class SameImageError(InputError):
    """The same picture given twice: the uncertainty would come out too small."""

    template = (
        "{first} and {second} are the same picture, byte for byte. Give it once; for more "
        "apertures, scan other places of the cloth."
    )
    exit_code = 28


class IlluminationError(InputError):
    """An illumination file, or the reference cloth of an illumination, that cannot be used."""

    template = "{what} cannot be used: {reason}. {advice}."
    exit_code = 29
