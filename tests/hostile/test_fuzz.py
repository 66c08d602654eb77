"""A small share of `tests/benchmarks/fuzz_inputs.py`, which tries thousands."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

SCRIPT = Path(__file__).parents[1] / "benchmarks" / "fuzz_inputs.py"


def test_altered_inputs_are_read_or_refused_with_a_sentence() -> None:
    spec = importlib.util.spec_from_file_location("fuzz_inputs", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    fuzz_inputs = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = fuzz_inputs
    spec.loader.exec_module(fuzz_inputs)
    outcomes = fuzz_inputs.fuzz(count=40, seed=7)
    assert [fault for outcome in outcomes.values() for fault in outcome.faults] == []
    assert sum(o.read + o.refused.total() for o in outcomes.values()) == 40
    assert all(o.read + o.refused.total() for o in outcomes.values())  # of every kind
