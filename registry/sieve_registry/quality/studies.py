"""Repeatability studies: read from a table, analysed, kept by name, fed into budgets on request."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

from sieve_inspect.errors import BadTableError
from sieve_inspect.summary.repeatability import Precision, precision
from sieve_registry.records import REPEATABILITY_STUDIED, Event
from sieve_registry.sieves.decision_rules import record_general_fact
from sieve_registry.sieves.recording import Told
from sieve_registry.store.engine import Registry

__all__ = ["keep", "read_study"]

_COLUMNS = (("group", "value_um"), ("group", "direction", "value_um"))
_MOST_BYTES = 4_000_000


def read_study(path: Path) -> dict[str, Precision]:
    """Analyse a CSV with the columns group,value_um or group,direction,value_um, by direction.

    Raises `BadTableError` with the line, or where there are too few groups or values.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(_MOST_BYTES + 1)
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise BadTableError(file=path, reason=error.strerror or "no access") from error
    except UnicodeDecodeError as error:
        raise BadTableError(file=path, reason="it is not UTF-8 text") from error
    if len(data) > _MOST_BYTES:
        raise BadTableError(file=path, reason="it is over 4 MB, which no study is")
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    values: dict[str, dict[str, list[float]]] = {}
    header: tuple[str, ...] = ()
    try:
        for cells in reader:
            named = tuple(cell.strip() for cell in cells)
            if not any(named):
                continue
            if header:
                direction, group, value = _line(header, named)
                values.setdefault(direction, {}).setdefault(group, []).append(value)
            elif named in _COLUMNS:
                header = named
            else:
                raise ValueError("the header has to be group,value_um or group,direction,value_um")
        found = {name: precision(groups) for name, groups in sorted(values.items())}
    except (ValueError, csv.Error) as error:
        reason = f"line {max(reader.line_num, 1)}: {error}"
        raise BadTableError(file=path, reason=reason) from error
    if not found:
        raise BadTableError(file=path, reason="it has no values")
    return found


def _line(header: tuple[str, ...], cells: tuple[str, ...]) -> tuple[str, str, float]:
    if len(cells) != len(header):
        raise ValueError(f"it has {len(cells)} cells where the header has {len(header)}")
    row = dict(zip(header, cells, strict=True))
    direction = row.get("direction", "")
    if "direction" in header and direction not in ("x", "y"):
        raise ValueError(f"the direction {direction!r} is neither x nor y")
    if not row["group"]:
        raise ValueError("the group is blank")
    try:
        value = float(row["value_um"])
    except ValueError:
        raise ValueError(f"value_um = {row['value_um'][:20]!r} is no number") from None
    if not math.isfinite(value):
        raise ValueError(f"value_um = {row['value_um']} is no number")
    return direction, row["group"], value


def keep(registry: Registry, name: str, found: dict[str, Precision], told: Told) -> Event:
    """Keep a study under a name; a later one of the same name takes its place from then on."""
    payload = {
        "directions": {
            direction or "both": {
                "groups": len(one.groups),
                "values": sum(one.counts),
                "mean_um": one.mean,
                "s_r_um": one.s_r,
                "s_L_um": one.s_L,
                "s_R_um": one.s_R,
                "dof": one.df_between if one.s_L > 0 else one.df_within,
            }
            for direction, one in found.items()
        }
    }
    return record_general_fact(registry, name, REPEATABILITY_STUDIED, payload, told)
