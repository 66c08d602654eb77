"""The scale of one check, with what a record keeps of where it came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sieve_inspect.scale.artefact.in_scan import InScan
    from sieve_inspect.scale.model import Scale


@dataclass(frozen=True)
class CheckScale:
    """A scale ready for a check.

    `trace` is the chain from the certificate to the check, None for a scale file or a scale given
    by hand. `doubts` are reasons why the check's outcome can only be conditional, such as an
    expired certificate that a person accepted. `in_scan` holds the scale of each single scan where
    an artefact lies beside the cloth; `scale` then stands for all of them. `accept_scale` is a
    reason, given by `accepted_by`, to use it for scans whose dpi tags contradict it. `turned_deg`
    is how far the sieve's label mark was turned from upright in the scans, None where not stated.
    """

    scale: Scale
    trace: Mapping[str, Any] | None = None
    doubts: tuple[str, ...] = ()
    in_scan: tuple[InScan, ...] = ()
    accept_scale: str = ""
    accepted_by: str | None = None
    turned_deg: float | None = None

    @property
    def device(self) -> str | None:
        """The device of a recorded scale; None where none is known."""
        link = (self.trace or {}).get("scale") or {}
        device = link.get("device")
        return None if device is None else str(device)

    @property
    def setting(self) -> str:
        """The setting of the device of a recorded scale, "" where none is known."""
        return str(((self.trace or {}).get("scale") or {}).get("setting") or "")

    @property
    def instruments(self) -> tuple[str, ...]:
        """The device, and the artefact in the scan, where they are on record."""
        artefact = ((self.trace or {}).get("artefact") or {}).get("id") if self.in_scan else None
        return tuple(str(name) for name in (self.device, artefact) if name)

    @classmethod
    def of(cls, scale: Scale | CheckScale) -> CheckScale:
        """The same, or a plain scale without a chain."""
        return scale if isinstance(scale, CheckScale) else cls(scale)
