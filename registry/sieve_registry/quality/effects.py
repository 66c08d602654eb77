"""The effect of sieves in the registry on a size distribution, from their last checks."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from datetime import date

from sieve_inspect.errors import UsageError
from sieve_registry.checks import queries as check_queries
from sieve_registry.quality.curves import Curve
from sieve_registry.quality.effect_rules import SieveEffect, effect_of
from sieve_registry.quality.references import optical_mean
from sieve_registry.records import CheckDetail
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.store.engine import Registry


def effects_of(
    registry: Registry, sieve_ids: Sequence[str], curve: Curve, day: date | None = None
) -> list[SieveEffect]:
    """The effect of each sieve on a distribution, by its last check; coarse on top.

    Raises `UsageError` for a sieve never checked or checked without an uncertainty.
    """
    found = []
    for sieve_id in dict.fromkeys(sieve_ids):
        state = sieve_queries.get_state(registry, sieve_id, day)
        last = state.last_check
        optical = None if last is None else optical_mean(last)
        if last is None or optical is None:
            raise UsageError(
                message=f"Sieve {state.sieve.id!r} has no check with uncertainties: check it first."
            )
        mean, expanded = optical
        nominal = state.sieve.nominal_um
        widths = _widths(registry, check_queries.get_check(registry, last.id))
        reach = (min(nominal, mean), max(nominal, mean))
        found.append(
            effect_of(
                curve,
                state.sieve.id,
                last.id,
                nominal,
                mean,
                expanded,
                widths,
                inside=curve.covers(*reach),
            )
        )
    return sorted(found, key=lambda one: -one.nominal_um)


def _widths(registry: Registry, detail: CheckDetail) -> list[float]:
    """All sound widths of both directions kept with a check, um; empty where none were."""
    kept = next((file for file in detail.evidence if file.role == "apertures"), None)
    if kept is None:
        return []
    import pandas as pd

    names = ["width_x_um", "width_y_um"]
    data = io.BytesIO(check_queries.evidence_bytes(registry, kept.sha256))
    table = pd.read_csv(data, usecols=["state", *names], encoding="utf-8-sig")
    sound = table.loc[table["state"] == "ok", names].to_numpy(float).ravel()
    return [float(width) for width in sound if math.isfinite(width)]
