"""Whether two maps show the same cloth, and the comparison as a document."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from sieve_inspect.identity.alignment import Alignment, Overlap
from sieve_inspect.identity.change import ChangedAperture, Changes, changes_of
from sieve_inspect.identity.cloth_map import TURNS, ClothMap
from sieve_inspect.identity.common_errors import Offset
from sieve_inspect.identity.fingerprint import Fingerprint
from sieve_inspect.identity.search import best_places
from sieve_inspect.identity.significance import Agreement, tail

SCHEMA = "sieveward.comparison/1"
P_SAME = 1e-6  # highest probability of a false match at which cloth is called the same
FEWEST_COMMON = 60  # openings below which nothing is said
_EXPECTED = 0.97  # share of a perfect correlation that damage and uneven wear leave at least
_CERTAIN = 1e-3  # of the highest probability: no other place is examined below it
_PLAIN_CHANCE = 1e-3  # above it an agreement is what chance gives


@dataclass(frozen=True)
class Match:
    """The best place of one map on another, and whether it proves the cloth the same.

    `same` is None where neither can be said; `reason` says why in one sentence.
    """

    same: bool | None
    reason: str
    common: int = 0
    p_false: float = 1.0
    agreement: Agreement | None = None
    overlap: Overlap | None = None


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two scans compared: the match and, of the same cloth, what changed.

    `um_per_px` is the scale of the scan after, for places in its pixels.
    """

    match: Match
    um_per_px: tuple[float, float]
    aligned: Alignment | None = None
    changes: Changes | None = None

    @property
    def same_cloth(self) -> bool | None:
        """True, False for another cloth, None where there is no common part or too little of it."""
        return self.match.same

    @property
    def p_false_match(self) -> float:
        """Probability that two other cloths agree as well."""
        return self.match.p_false

    @property
    def changed(self) -> tuple[ChangedAperture, ...]:
        """Openings that changed more than chance allows."""
        return self.changes.changed if self.changes is not None else ()

    def __repr__(self) -> str:
        words = {True: "same cloth", False: "another cloth", None: "not known whether the same"}
        text = f"{words[self.same_cloth]}, {self.match.common} common apertures"
        if self.changes is not None:
            x, y = (f"{d.mean_um:+.2g} ± {d.U_um:.2g} um" for d in self.changes.directions)
            text += f", change x {x}, y {y}"
        return f"<Comparison: {text}>"

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, schema `sieveward.comparison/1` (IDENTITY.md lists the fields)."""
        match, aligned, changes = self.match, self.aligned, self.changes
        out: dict[str, Any] = {
            "schema": SCHEMA,
            "same_cloth": match.same,
            "reason": match.reason,
            "common_apertures": match.common,
            "p_false_match": match.p_false,
            "correlation": None if match.agreement is None else _pair(match.agreement.r),
            "turned_deg": None,
            "turned_over": None,
            "shift_um": None,
            "change": None,
            "kinds": [],
            "changed": [self._entry(entry) for entry in self.changed],
        }
        if aligned is not None and changes is not None:
            out["turned_deg"] = round(aligned.turned_deg, 4)
            out["turned_over"] = aligned.overlap.place.turn.mirrored
            out["shift_um"] = [round(value, 3) for value in aligned.shift_um]
            x, y = changes.directions
            out["change"] = {"x": x.to_dict(), "y": y.to_dict()}
            out["kinds"] = [str(kind) for kind in changes.kinds]
        return out

    def _entry(self, entry: ChangedAperture) -> dict[str, Any]:
        x, y = (p / u for p, u in zip(entry.place_um, self.um_per_px, strict=True))
        return {
            "row": entry.row,
            "col": entry.column,
            "x_px": round(x, 2),
            "y_px": round(y, 2),
            "change_um": None if entry.change_um is None else round(entry.change_um, 4),
            "U_um": None if entry.U_um is None else round(entry.U_um, 4),
            "kind": str(entry.kind),
            "direction": entry.direction or None,
            "row_before": entry.row_before,
            "col_before": entry.column_before,
        }


def _pair(values: tuple[float, float]) -> list[float]:
    return [round(value, 6) for value in values]


def compare_maps(
    before: ClothMap, after: ClothMap, match: Match | None = None, offset: Offset | None = None
) -> Comparison:
    """Compare two maps, of pictures at any scale, turn and shift; `match` if they were matched.

    `offset` is what their devices differ by, by a reference cloth.
    """
    if match is None:
        prints = Fingerprint.of(before), Fingerprint.of(after)
        match = recognise(*prints, before.whole, after.whole)
    if not match.same or match.overlap is None:
        return Comparison(match, after.known.um_per_px)
    aligned = Alignment(before, after, match.overlap)
    return Comparison(match, after.known.um_per_px, aligned, changes_of(aligned, offset))


def recognise(
    first: Fingerprint,
    second: Fingerprint,
    first_whole: bool = False,
    second_whole: bool = False,
    others: int = 1,
    p_same: float = P_SAME,
) -> Match:
    """Whether two fingerprints are of the same cloth.

    `first_whole`, `second_whole` tell which of them shows the entire cloth: only then can the
    answer be no, since two fields may lie apart. `others` is the number of cloths among which this
    one is sought; the probability of a false match is that for all of them. `p_same` is the highest
    at which they are called the same.
    """
    fewest = min(int(first.known.sum()), int(second.known.sum()))
    if fewest < FEWEST_COMMON:
        return Match(
            None,
            f"A scan shows only {fewest} sound apertures: {FEWEST_COMMON} in common are needed",
            fewest,
        )
    best = _best(first, second, others, p_same)
    if best is not None and best.p_false <= p_same and best.common >= FEWEST_COMMON:
        return best
    return _undecided(first, second, best, (first_whole or second_whole), others)


def _undecided(
    first: Fingerprint, second: Fingerprint, best: Match | None, whole: bool, others: int
) -> Match:
    """The answer where nothing proves the cloth the same."""
    if best is not None and best.p_false < _PLAIN_CHANCE:
        few = best.common < FEWEST_COMMON
        reason = (
            f"Perhaps the same cloth, but only {best.common} common apertures, "
            f"{FEWEST_COMMON} are needed: scan places that overlap more"
            if few
            else f"Perhaps the same cloth: {best.common} common apertures agree, which two cloths "
            f"do with a probability of {best.p_false:.1g}; scan a larger common part"
        )
        return replace(best, same=None, reason=reason, overlap=None)
    if first.regular or second.regular:
        return Match(
            None,
            "The widths vary no more than the noise of the scan, so regular is the cloth or so "
            "noisy the scan: nothing distinguishes it",
        )
    if whole and _would_match(first, second, others):
        reason = "Another cloth: the entire cloth was searched and no part agrees"
        return Match(False, reason, p_false=1.0 if best is None else best.p_false)
    return Match(
        None,
        "No common part found: these are different places of a cloth, or different cloths",
        p_false=1.0 if best is None else best.p_false,
    )


def _best(first: Fingerprint, second: Fingerprint, others: int, p_same: float) -> Match | None:
    """The place that proves most; the first that is proof enough ends the search."""
    ways = _ways(first, second)
    best: Match | None = None
    for place in best_places(first, second):
        shapes = [(p.known.shape[0], p.known.shape[1]) for p in (first, second)]
        overlap = Overlap.of(place, shapes[0], shapes[1])
        agreement = overlap.agreement(first, second)
        p_false = min(1.0, others * agreement.p_false(*ways))
        if best is None or p_false < best.p_false:
            count = overlap.count(first, second)
            reason = f"The same cloth: {count} common apertures agree"
            best = Match(True, reason, count, p_false, agreement, overlap)
            if p_false < _CERTAIN * p_same and count >= FEWEST_COMMON:
                return best
    return best


def _ways(first: Fingerprint, second: Fingerprint) -> tuple[int, int, int]:
    """Ways to lay one grid on the other: all, and those that differ in rows and in columns."""
    rows, columns = (a + max(second.known.shape) for a in first.known.shape)
    return len(TURNS) * rows * columns, rows, columns


def _would_match(first: Fingerprint, second: Fingerprint, others: int) -> bool:
    """Whether the smaller map, were it a part of the other, would have been recognised there."""
    smaller = min(first, second, key=lambda p: int(p.known.sum()))
    rows, columns = smaller.known.shape
    expected = []
    for axis in (0, 1):
        r = _EXPECTED * (first.faithful[axis] * second.faithful[axis]) ** 0.5
        expected.append(tail(r, 0.7 * (columns, rows)[axis]))
    agreement = max(expected)
    ways = _ways(first, second)
    return others * 2 * max(ways[1:]) * agreement < P_SAME
