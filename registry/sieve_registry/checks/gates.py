"""What a recorded check needs for a pass beside its measurement: eye, certified scale, environment.

The cloth is looked at as a whole against even light before apertures are measured (ISO 3310-1:2016:
weaving faults, creases, wrinkles, foreign matter), and the label has to be legible (ISO/IEC
17025:2017, 6.4.8). What a scale typed by hand adds to U is assumed, not known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from sieve_inspect.outcomes import PASSING, Action, Outcome
from sieve_registry.sieves.recording import RecordTerms, person
from sieve_registry.values import clean_text

if TYPE_CHECKING:
    from sieve_inspect.scale.model import Scale
    from sieve_inspect.verdict import Gate
    from sieve_registry.scales.environment import Fault

NO_FAULT = "ok"


@dataclass(frozen=True)
class Examination:
    """The visual examination of cloth and label: "ok", or the fault that was seen."""

    result: str

    @classmethod
    def of(cls, text: str) -> Examination | None:
        """As typed; None where nothing was. Raises `BadTextError`."""
        result = clean_text("visual examination", text)
        if not result:
            return None
        return cls(NO_FAULT if result.casefold() == NO_FAULT else result)

    @property
    def faultless(self) -> bool:
        """Whether no fault was seen."""
        return self.result == NO_FAULT

    def to_payload(self, terms: RecordTerms, day: date) -> dict[str, dict[str, str]]:
        """What the ledger keeps of it: the result, who looked, and when."""
        seen = {"result": self.result, "by": person(terms.by), "on": day.isoformat()}
        return {"visual": seen}


def gates_of(
    scale: Scale, examination: Examination | None, environment: Sequence[Fault] = ()
) -> tuple[Gate, ...]:
    """The conditions of a pass that a check does not meet, with faults of its environment."""
    from sieve_inspect.verdict import Gate

    unmet = []
    if examination is None:
        unmet.append(
            Gate(
                "the visual examination of cloth and label is not recorded",
                "look for faults, creases and corrosion against even light, read the label, and "
                "check again with --visual ok",
            )
        )
    if not scale.certified:
        unmet.append(
            Gate(
                "its scale comes from no certified artefact",
                "calibrate the device with a certified artefact (`sieveward scale`)",
            )
        )
    unmet += [Gate(fault.reason, fault.remedy) for fault in environment]
    return tuple(unmet)


def gated(
    figures: Mapping[str, Any], gates: Sequence[Gate], examination: Examination | None
) -> dict[str, Any]:
    """The figures of a check with its outcome by these conditions and by what was seen.

    A fault that was seen fails the sieve; conditions that are not met leave a pass conditional.
    """
    from sieve_inspect.verdict import with_remedies

    own = dict(figures)
    if examination is not None and not examination.faultless:
        fault = f"fault seen in the visual examination: {examination.result}"
        return own | {
            "outcome": str(Outcome.FAIL),
            "action": str(Action.RETIRE),
            "action_reason": f"Proposed: take it out of use, {fault}. If that can be put right, "
            "do so and check it again. You decide.",
            "reasons": [*figures["reasons"], f"{fault}."],
        }
    if not gates or figures["outcome"] not in PASSING:
        return own
    action, advice = with_remedies(Action(figures["action"]), figures["action_reason"], gates)
    return own | {
        "outcome": str(Outcome.CONDITIONAL_PASS),
        "action": str(action),
        "action_reason": advice,
        "reasons": [*figures["reasons"], *(f"{gate.reason}." for gate in gates)],
    }
