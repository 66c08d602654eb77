"""Stacks: whether sieves fit together, in what order, and how much may lie on each.

Two kinds of remark: a finding stands against a run, a note only tells.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise

from sieve_inspect.units import format_length
from sieve_registry.ledger.records import Finding, SieveState
from sieve_registry.sieves.state import IN_SERVICE, objections_to_use

PAN = "pan"
KEEP, CLEAN = "keep", "clean and recheck"  # actions
_REFERENCE_BAD = ("unsatisfactory", "scrap")
_SAME_FRAME_MM = 1.0  # 200 mm and 8 in (203.2 mm) are two frames and do not sit on each other
# The clear width is half an inch less than the frame's: 8 in clears 7.5 in (0.0285 m2), 12 in
# clears 11.5 in (0.0670 m2). Common practice, no source.
_RIM_MM = 12.7
# ASTM C136, from memory: at most 7 kg/m2 retained below 4.75 mm, from there 2.5 kg/m2 per mm.
_FINE_KG_M2 = 7.0
_COARSE_KG_M2_PER_MM = 2.5
_COARSE_FROM_MM = 4.75
_BALANCE = Decimal("0.003")  # fractions add up to the start within 0.3 % (ASTM C136, from memory)
_GAP = 1.7  # a step so much wider than the usual one of a stack: a sieve may be missing


def ready_findings(states: Sequence[SieveState]) -> list[Finding]:
    """All objections to running these sieves today, coarse on top."""
    objections = [finding for state in states for finding in objections_to_use(state)]
    return [*objections, *fit_findings(states)]


def fit_findings(states: Sequence[SieveState]) -> list[Finding]:
    """Frames that do not sit on each other, and sieves that are not finer than the one above."""
    findings = []
    framed = [s for s in states if s.sieve.frame_nm is not None]
    for first, other in ((framed[0], state) for state in framed[1:]):
        widths = [(state.sieve.frame_nm or 0) / 1e6 for state in (first, other)]
        if abs(widths[0] - widths[1]) > _SAME_FRAME_MM:
            message = (
                f"its frame of {_mm(widths[1])} does not fit {first.sieve.id} with {_mm(widths[0])}"
            )
            findings.append(Finding("frame", message, other.sieve.id))
    for above, below in pairwise(states):
        if below.sieve.nominal_nm == above.sieve.nominal_nm:
            message = f"has the apertures of {above.sieve.id} above it"
            findings.append(Finding("series", message, below.sieve.id))
        elif below.sieve.nominal_nm > above.sieve.nominal_nm:
            message = f"is coarser than {above.sieve.id} above it"
            findings.append(Finding("order", message, below.sieve.id))
    return findings


def standing_notes(states: Sequence[SieveState]) -> list[Finding]:
    """What speaks against sieves in service although their last check may have passed."""
    notes = []
    for state in states:
        last, reference = state.last_check, state.reference
        if state.status != IN_SERVICE or last is None or state.new_cloth is not None:
            continue
        kept = state.decided is not None and state.decided.payload.decided == KEEP
        if last.action == CLEAN and not kept:
            message = (
                f"{last.id} proposes to clean it, which is not recorded since"
                if state.cleaned is None
                else f"it was cleaned since {last.id}, and not checked again"
            )
            notes.append(Finding("cleaning", message, state.sieve.id))
        if reference is not None and reference.payload.outcome in _REFERENCE_BAD:
            result = f"{reference.payload.outcome} ({reference.payload.material})"
            message = f"its reference check of {reference.on_date} is {result}"
            notes.append(Finding("reference", message, state.sieve.id))
    return notes


def series_notes(states: Sequence[SieveState]) -> list[Finding]:
    """What cannot be told, or looks odd: frames nobody recorded, a step wider than the others."""
    notes = [
        Finding("frame", "its frame is not recorded", state.sieve.id)
        for state in states
        if state.sieve.frame_nm is None
    ]
    steps = [
        (above.sieve.nominal_nm / below.sieve.nominal_nm, above, below)
        for above, below in pairwise(states)
        if below.sieve.nominal_nm < above.sieve.nominal_nm
    ]
    if len(steps) >= 3:
        usual = sorted(ratio for ratio, _, _ in steps)[(len(steps) - 1) // 2]
        for ratio, above, below in steps:
            if math.log(ratio) > _GAP * math.log(usual):
                message = (
                    f"the step from {format_length(above.sieve.nominal_um)} to "
                    f"{format_length(below.sieve.nominal_um)} is {ratio:.2f}, the usual one here "
                    f"{usual:.2f}: is a sieve missing?"
                )
                notes.append(Finding("series", message, below.sieve.id))
    return notes


def load_limit_g(nominal_nm: int, frame_nm: int) -> Decimal:
    """The most that should lie on a sieve at the end, in whole grams.

    `frame_nm` is the frame's diameter; the effective area is that of its clear width.
    """
    clear_m = (frame_nm / 1e6 - _RIM_MM) / 1000
    opening_mm = nominal_nm / 1e6
    fine = opening_mm < _COARSE_FROM_MM
    per_m2 = _FINE_KG_M2 if fine else _COARSE_KG_M2_PER_MM * opening_mm
    grams = math.pi / 4 * clear_m**2 * per_m2 * 1000
    return Decimal(repr(round(grams, 6))).quantize(Decimal(1), ROUND_HALF_UP)


def load_findings(
    states: Sequence[SieveState], retained_g: Mapping[str, Decimal], mass_g: Decimal | None
) -> list[Finding]:
    """Sieves loaded beyond the usual limit, and fractions that do not add up to the start.

    `retained_g` goes by sieve id, and `pan`.
    """
    findings = []
    for state in states:
        mass, sieve = retained_g.get(state.sieve.id), state.sieve
        if mass is None or sieve.frame_nm is None:
            continue
        limit = load_limit_g(sieve.nominal_nm, sieve.frame_nm)
        if mass > limit:
            message = f"{mass} g retained, over the usual limit of {limit} g: split the sample"
            findings.append(Finding("load", message, sieve.id))
    if mass_g is not None and PAN in retained_g:
        lost = mass_g - sum(retained_g.values(), Decimal(0))
        if abs(lost) > _BALANCE * mass_g:
            total = mass_g - lost
            message = f"the fractions add up to {total} g, at the start there were {mass_g} g"
            findings.append(Finding("balance", message, PAN))
    return findings


def _mm(width: float) -> str:
    return f"{width:g} mm"
