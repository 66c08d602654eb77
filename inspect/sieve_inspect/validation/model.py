"""What a validation consists of: rows, each with its truth, its result, its limit and an answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

SCHEMA = "sieveward.validation/1"


class Group(StrEnum):
    """The kinds of row, in the order of the report."""

    CLEAN = "clean"
    HARD = "hard"
    COMB = "comb"
    LIGHT = "light"
    DAMAGE = "damage"
    REFUSAL = "refusal"
    UNCERTAINTY = "honesty"  # the value stands in reports already written


@dataclass(frozen=True)
class Row:
    """One case of the matrix. `figures` are numbers by name, in the unit the name ends with.

    `pixels_sha256` are hashes of the drawn pictures' pixels, before any file format.
    """

    group: Group
    name: str
    tried: str
    truth: str
    result: str
    limit: str
    holds: bool
    figures: Mapping[str, float | None] = field(default_factory=dict)
    pixels_sha256: tuple[str, ...] = ()
    seconds: float = 0.0

    @property
    def verdict(self) -> str:
        """The answer in words."""
        return "holds" if self.holds else "does not hold"

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "group": self.group.value,
            "name": self.name,
            "tried": self.tried,
            "truth": self.truth,
            "result": self.result,
            "limit": self.limit,
            "verdict": self.verdict,
            "figures": dict(self.figures),
            "pixels_sha256": list(self.pixels_sha256),
            "seconds": round(self.seconds, 2),
        }


@dataclass(frozen=True)
class Report:
    """All rows, and the machine and versions they ran on; `made` is a UTC time, ISO 8601."""

    rows: tuple[Row, ...]
    versions: Mapping[str, str]
    platform: str
    made: str
    quick: bool
    seconds: float

    @property
    def ok(self) -> bool:
        """Whether every row holds."""
        return all(row.holds for row in self.rows)

    def of(self, *groups: Group) -> list[Row]:
        """The rows of some groups, in their order."""
        return [row for row in self.rows if row.group in groups]

    def to_dict(self) -> dict[str, Any]:
        """The report as JSON-ready data, schema `sieveward.validation/1`."""
        return {
            "schema": SCHEMA,
            "ok": self.ok,
            "made": self.made,
            "quick": self.quick,
            "seconds": round(self.seconds, 1),
            "platform": self.platform,
            "versions": dict(self.versions),
            "rows": [row.to_dict() for row in self.rows],
        }
