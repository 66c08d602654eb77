"""Which scale a check uses: what a request may name, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from sieve_inspect.errors import MissingScaleError, SievewardError, UsageError
from sieve_inspect.scale import Scale
from sieve_registry.scales.choice import ScaleRequest, choose_scale, parse_stand_off_um
from sieve_registry.scales.errors import UnknownThingError
from sieve_registry.store.engine import Registry

DAY = ScaleRequest(date(2026, 3, 2))
SCALE = Scale(5.0, 5.1, 0.001, 0.001, source="a test")


def test_a_scale_already_read_or_typed_has_no_chain(registry: Registry) -> None:
    read = choose_scale(registry, replace(DAY, scale=SCALE), [])
    typed = choose_scale(registry, replace(DAY, um_per_px="5.0,5.1"), [])
    assert (read.scale, read.trace, read.doubts) == (SCALE, None, ())
    assert (typed.scale.um_per_px_x, typed.scale.um_per_px_y, typed.trace) == (5.0, 5.1, None)


def test_a_name_without_a_record_is_a_file(registry: Registry, tmp_path: Path) -> None:
    file = tmp_path / "scale.json"
    file.write_text(json.dumps(SCALE.to_dict()), encoding="utf-8")
    chosen = choose_scale(registry, replace(DAY, named=str(file)), [])
    assert (chosen.scale.um_per_px_y, chosen.trace) == (5.1, None)


@pytest.mark.parametrize(
    ("request_", "error", "message"),
    [
        (DAY, MissingScaleError, "scale"),
        (replace(DAY, setting="2400dpi"), MissingScaleError, "scale"),
        (replace(DAY, named="F-24", um_per_px="5"), UsageError, "not both"),
        (replace(DAY, named="F-24"), UnknownThingError, "F-24"),
        (replace(DAY, recorded="F-24"), UnknownThingError, "F-24"),
        (replace(DAY, um_per_px="5", region=(0, 0, 9, 9)), UsageError, "`target_in_scan`"),
        (replace(DAY, um_per_px="5", setting="2400dpi"), UsageError, "recorded scale"),
        (replace(DAY, um_per_px="5", stand_off_um=0.0), UsageError, "recorded scale"),
        (replace(DAY, scale=SCALE, accept_expired="old"), UsageError, "recorded scale"),
    ],
)
def test_what_is_refused(
    registry: Registry, request_: ScaleRequest, error: type[SievewardError], message: str
) -> None:
    with pytest.raises(error, match=message):
        choose_scale(registry, request_, [])


@pytest.mark.parametrize(
    ("text", "um"), [("0", 0.0), ("0 mm", 0.0), ("0,0um", 0.0), ("1mm", 1000.0)]
)
def test_a_stand_off_of_zero_needs_no_unit(text: str, um: float) -> None:
    assert parse_stand_off_um(text) == um


def test_a_stand_off_without_a_unit_is_refused() -> None:
    with pytest.raises(UsageError, match="unit"):
        parse_stand_off_um("1")
