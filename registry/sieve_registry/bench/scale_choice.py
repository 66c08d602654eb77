"""Which scale a check is measured by: recorded ones, files named at the start, or one brought."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sieve_inspect.errors import BadScaleFileError, MissingScaleError, UsageError
from sieve_inspect.units import parse_length_um
from sieve_registry import events
from sieve_registry.scales.calibrations import kept_scale
from sieve_registry.scales.check_scale import CheckScale
from sieve_registry.scales.traceability import Circumstances, traced
from sieve_registry.sieves.decision_rules import facts_of
from sieve_registry.store.engine import Registry

if TYPE_CHECKING:
    from sieve_inspect.scale import Scale

__all__ = ["BROUGHT", "BY_HAND", "Offer", "choose", "given_scale", "offers"]

BROUGHT, BY_HAND = "file", "hand"


@dataclass(frozen=True)
class Offer:
    """A scale to choose: its key in the form, what it is, and whether it may be used today."""

    key: str
    words: str
    source: str
    expired: bool = False


def given_scale(path: Path) -> Scale:
    """A scale from a file, such as one named on the command line. Raises `BadScaleFileError`."""
    from sieve_inspect.scale import load_scale

    return load_scale(path)


def offers(registry: Registry, given: Sequence[tuple[str, Scale]]) -> list[Offer]:
    """The scales that can be chosen today: recorded ones first, then those named at the start."""
    today, found = registry.today(), []
    names = sorted({fact.subject for fact in facts_of(registry, None, [events.SCALE_CALIBRATED])})
    for name in names:
        kept = kept_scale(registry, name, today)
        if kept is None:  # declared void since
            continue
        x, y = kept.um_per_px
        expired = today > kept.valid_until
        until = f"expired on {kept.valid_until}" if expired else f"valid to {kept.valid_until}"
        words = f"{name}: {x:.5g} × {y:.5g} µm per px, {kept.setting}, {until}"
        source = kept.scale(registry).source
        found.append(Offer(f"kept:{name}", words, source, expired))
    for number, (name, scale) in enumerate(given):
        words = f"{name}: {scale.um_per_px_x:.5g} × {scale.um_per_px_y:.5g} µm per px"
        found.append(Offer(f"given:{number}", f"{words}, {scale.source}", scale.source))
    return found


def choose(
    registry: Registry,
    given: Sequence[tuple[str, Scale]],
    told: Mapping[str, str],
    brought: Path | None,
) -> CheckScale:
    """The scale the form names, held against the circumstances it tells.

    `brought` is our copy of a scale file that was sent along. Raises `MissingScaleError`,
    `BadScaleFileError`, `UsageError`, and what `traces.traced` refuses.
    """
    from sieve_inspect.scale import scale_from_text

    key = told.get("scale", "")
    kind, _, rest = key.partition(":")
    if kind == "kept":
        return _recorded(registry, rest, told)
    for name in ("stand_off", "temperature", "accept_expired"):
        if told.get(name, "").strip():
            raise UsageError(
                message="Height, temperature and a reason for an expired scale are held against a "
                "recorded scale: choose one, or leave them empty."
            )
    if kind == "given" and rest.isdecimal() and int(rest) < len(given):
        return CheckScale(given[int(rest)][1])
    if key == BROUGHT and brought is not None:
        return CheckScale(_read(brought))
    if key == BY_HAND and told.get("um_per_px", "").strip():
        return CheckScale(scale_from_text(told["um_per_px"].strip()))
    raise MissingScaleError()


def _recorded(registry: Registry, name: str, told: Mapping[str, str]) -> CheckScale:
    reason, who = (told.get(one, "").strip() for one in ("accept_expired", "accepted_by"))
    if reason and not who:
        raise UsageError(message="Say who accepts the expired scale: type the name beside it.")
    kept = kept_scale(registry, name, registry.today())
    if kept is None:
        raise UsageError(message=f"There is no recorded scale {name!r}: load the page again.")
    circumstances = Circumstances(
        registry.today(),
        stand_off_um=_length(told.get("stand_off", "")),
        temperature_c=_degrees(told.get("temperature", "")),
        accept_expired=reason,
        by=who or None,
    )
    return traced(registry, kept, circumstances)


def _length(text: str) -> float | None:
    text = text.strip()
    if not text:
        return None
    return 0.0 if text == "0" else parse_length_um(text)


def _degrees(text: str) -> float | None:
    try:
        return float(text.strip().replace(",", ".")) if text.strip() else None
    except ValueError:
        raise UsageError(message=f"The temperature {text!r} is no number.") from None


def _read(brought: Path) -> Scale:
    try:
        return given_scale(brought)
    except BadScaleFileError as error:  # where we put it concerns nobody
        raise BadScaleFileError(**{**error.fields, "file": brought.name}) from error
