"""Which cloth a check shows, by the maps that earlier checks kept.

A new check is compared with the earlier checks of its sieve, the oldest of its present cloth first,
so that changes add up from one check. Where none of them has a part in common, with the last check
of every other sieve of that nominal, retired sieves included.

The wires are the sieve's, whatever lay upright: x and y of a check are those of the cloth as its
first check has them. Scans that lay a quarter turn from where their label says are turned so; where
the turn of the label was stated, nothing is recorded.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from itertools import groupby
from typing import TYPE_CHECKING

from sieve_registry.checks import queries
from sieve_registry.checks.errors import OtherClothError, OtherTurnError
from sieve_registry.errors import IntegrityError, RegistryError
from sieve_registry.ledger.events import CheckRecorded, ClothReplaced
from sieve_registry.ledger.figures import ClothLink, EvidenceFile, SharedByChanges
from sieve_registry.ledger.records import SieveHistory, facts_of_type
from sieve_registry.outlook.cloth_history import cloth_history
from sieve_registry.sieves.facts import facts_of
from sieve_registry.store import reader
from sieve_registry.store.engine import Registry
from sieve_registry.values import clean_text

if TYPE_CHECKING:
    from sieve_inspect.identity.change import DirectionChange
    from sieve_inspect.identity.cloth_map import ClothMap
    from sieve_inspect.identity.comparison import Comparison
    from sieve_inspect.identity.fingerprint import Fingerprint


class Recognised(StrEnum):
    """What is known of the cloth of a check."""

    OWN = "that of an earlier check"
    OTHERS = "that of another sieve"
    REPLACED = "no longer that of its sieve"
    UNKNOWN = "not known"


@dataclass(frozen=True)
class Recognition:
    """The cloth of a check as recognised; `sentence` says it, "" where nothing is known.

    `link` is the earlier check that shows the same cloth, `remarks` what else to note of it,
    `turned` whether each scan lay a quarter turn from where its label says (None: not known).
    """

    state: Recognised = Recognised.UNKNOWN
    sentence: str = ""
    link: ClothLink | None = None
    remarks: tuple[str, ...] = ()
    turned: tuple[bool | None, ...] = ()

    @property
    def contradicts(self) -> bool:
        """Whether the cloth is not the one that the sieve's record says."""
        return self.state in (Recognised.OTHERS, Recognised.REPLACED)

    @property
    def notice(self) -> str:
        """What it was recognised as, "" where a caution says so."""
        return "" if self.contradicts else self.sentence

    @property
    def cautions(self) -> list[str]:
        """What a person should consider before the check is recorded."""
        return [*([self.sentence] if self.contradicts else []), *self.remarks]

    def accepted(self, reason: str) -> Recognition:
        """The same, recorded for a reason. Raises `OtherClothError` without a reason."""
        reason = clean_text("reason", reason)
        if not self.contradicts:
            return self
        if not reason:
            raise OtherClothError(reason=self.sentence)
        link = None if self.link is None else replace(self.link, accepted=reason)
        return replace(self, link=link, sentence=f"{self.sentence}; recorded because: {reason}")


NOT_RECOGNISED = Recognition()
_NOT_SHARED = (
    " (most of ± is edge bias and light: smaller for a sieve laid alike on one recorded device "
    "under one lamp)"
)


@dataclass(frozen=True)
class _Kept:
    """The maps an earlier check kept."""

    sieve_id: str
    check_id: str
    on_date: date
    seq: int
    files: tuple[EvidenceFile, ...]

    def maps(self, registry: Registry) -> list[ClothMap]:
        """The maps that can be read: what is damaged is `verify`'s to report."""
        from sieve_inspect.identity.codec import from_bytes

        out = []
        for file in self.files:
            try:
                out.append(from_bytes(queries.evidence_bytes(registry, file.sha256)))
            except (ValueError, RegistryError, IntegrityError):
                continue
        return out


@dataclass
class ClothSearch:
    """Tells how the scans of a sieve lay by its cloth, and keeps what it was recognised as.

    `stated_deg` is how far its label was stated to be turned, None where that was not stated.
    """

    registry: Registry
    history: SieveHistory
    day: date
    stated_deg: float | None
    result: Recognition = NOT_RECOGNISED

    def __call__(self, maps: Sequence[ClothMap]) -> tuple[bool | None, ...]:
        """Whether each scan lay a quarter turn from where its label says, by its map.

        Raises `OtherTurnError` where one did whose turn was stated.
        """
        self.result = found = recognise_cloth(self.registry, self.history, self.day, maps)
        if self.stated_deg is not None and found.link is not None and found.link.turned:
            raise OtherTurnError(
                stated=self.stated_deg, check=found.link.check, common=found.link.common
            )
        return found.turned


def recognise_cloth(
    registry: Registry, history: SieveHistory, day: date, maps: Sequence[ClothMap]
) -> Recognition:
    """Which cloth the scans of a sieve show, by the maps on record up to a day.

    The maps have x and y by the label.
    """
    if not maps:
        return NOT_RECOGNISED
    sieve = history.sieve
    with registry.reading() as connection:
        kept = list(_by_check(reader.cloth_files(connection, sieve.nominal_nm)))
    kept = [check for check in kept if check.on_date <= day]
    if not kept:
        return NOT_RECOGNISED
    new = [act for act in facts_of_type(history.acts, ClothReplaced) if act.on_date <= day]
    begin = max(((act.on_date, act.seq) for act in new), default=(date.min, -1))
    own = [check for check in kept if check.sieve_id == sieve.id]
    present = [check for check in own if (check.on_date, check.seq) > begin]
    past = [check for check in own if check not in present]
    seen = _Scans(registry, maps)
    another: _Kept | None = None
    for check in present:
        matches, differs = seen.compared(check)
        if matches:
            askew = check.check_id in _askew(registry, history, day)
            return _own(check, matches, len(maps), askew)
        another = check if differs else another
    others = _last_of_each(check for check in kept if check.sieve_id != sieve.id)
    for check in [*reversed(past), *others]:
        matches, _ = seen.compared(check, others=len(others) + len(past))
        if matches:
            link = _link(check, [match for _, match in matches])
            return _of_other(registry, link, check, sieve.id)
    if another is not None:
        return Recognition(
            Recognised.REPLACED,
            f"This is another cloth than that of sieve {sieve.id} in check {another.check_id} on "
            f"{another.on_date}: it is another sieve, or new cloth, which `sieveward recloth` "
            "records",
        )
    return NOT_RECOGNISED


def _by_check(files: Iterable[tuple[str, str, date, int, EvidenceFile]]) -> Iterator[_Kept]:
    for (sieve_id, check_id, on_date, seq), group in groupby(files, key=lambda row: row[:4]):
        yield _Kept(sieve_id, check_id, on_date, seq, tuple(row[4] for row in group))


def _last_of_each(checks: Iterable[_Kept]) -> list[_Kept]:
    """The last check of each sieve, the newest first."""
    last = {check.sieve_id: check for check in checks}
    return sorted(last.values(), key=lambda check: (check.on_date, check.seq), reverse=True)


def _askew(registry: Registry, history: SieveHistory, day: date) -> set[str]:
    """The checks of the present cloth that are recorded a quarter turn from it."""
    from sieve_registry.outlook.changes import Linked  # brings NumPy

    facts = facts_of(registry, history.sieve.id, [CheckRecorded])
    links = {fact.payload.check: link for fact in facts if (link := fact.payload.cloth) is not None}
    checks = cloth_history(history, day).checks
    return {checks[number].id for number in Linked.of(checks, links).exchanged}


def _own(check: _Kept, matches: Sequence[_Matched], scans: int, askew: bool) -> Recognition:
    """The cloth of an earlier check, which itself may be recorded a quarter turn from it."""
    of_scan = {number: _swaps(match) != askew for number, match in matches}
    turned = tuple(of_scan.get(number) for number in range(scans))
    link = _link(check, [match for _, match in matches])
    link = replace(link, exchanged=askew, turned=True in turned)
    remarks: tuple[str, ...] = ()
    if link.turned:
        which = f"in {turned.count(True)} of {scans} scans it" if False in turned else "the sieve"
        remarks = (
            f"by its cloth {which} lay a quarter turn from where its label says: x and y are set "
            f"by the cloth, as in check {check.check_id}",
        )
    apart = any(d.remedy for _, m in matches if m.changes is not None for d in m.changes.directions)
    return Recognition(
        Recognised.OWN,
        f"Cloth recognised: that of check {check.check_id} on {check.on_date} "
        f"({link.common} common apertures). Change since: x {_change(link, 'x')}, "
        f"y {_change(link, 'y')}{_NOT_SHARED if apart else ''}",
        link,
        remarks,
        turned,
    )


def _swaps(comparison: Comparison) -> bool:
    """Whether x of one scan is y of the other."""
    assert comparison.aligned is not None
    return comparison.aligned.overlap.place.turn.swaps


def _change(link: ClothLink, direction: str) -> str:
    mean, u = getattr(link, f"change_{direction}_um"), getattr(link, f"u_{direction}_um")
    return f"{mean:+.2f} ± {2 * u:.2f} um"


def _of_other(registry: Registry, link: ClothLink, check: _Kept, sieve_id: str) -> Recognition:
    if check.sieve_id == sieve_id:
        return Recognition(
            Recognised.OTHERS,
            f"This is still the cloth of check {check.check_id} on {check.on_date}, though new "
            f"cloth was recorded for sieve {sieve_id} since",
            link,
        )
    with registry.reading() as connection:
        history = reader.histories(connection, check.sieve_id)[check.sieve_id]
    retired = history.retirement
    ended = "" if retired is None else f", retired on {retired.on_date} ({retired.reason})"
    return Recognition(
        Recognised.OTHERS,
        f"This is the cloth last seen as {check.sieve_id} in check {check.check_id} on "
        f"{check.on_date}{ended}, under the label {sieve_id} ({link.common} common apertures, "
        f"probability of a false match below {max(link.p_false, 1e-99):.0e})",
        link,
    )


_Matched = tuple[int, "Comparison"]  # the number of a scan, from 0


class _Scans:
    """The maps of a new check, compared with earlier ones."""

    def __init__(self, registry: Registry, maps: Sequence[ClothMap]) -> None:
        from sieve_inspect.identity.fingerprint import Fingerprint

        self.registry = registry
        self.maps: list[tuple[ClothMap, Fingerprint]] = [(m, Fingerprint.of(m)) for m in maps]

    def compared(self, check: _Kept, others: int = 1) -> tuple[list[_Matched], bool]:
        """Where an earlier check shows the same cloth, and whether it shows another one.

        `others` is the number of checks among which the cloth is sought.
        """
        from sieve_inspect.identity.comparison import compare_maps, recognise
        from sieve_inspect.identity.fingerprint import Fingerprint

        matches: list[_Matched] = []
        differs = False
        for before in check.maps(self.registry):
            print_before = Fingerprint.of(before)
            for number, (after, print_after) in enumerate(self.maps):
                match = recognise(print_before, print_after, before.whole, after.whole, others)
                if match.same:
                    matches.append((number, compare_maps(before, after, match)))
                differs |= match.same is False
        return matches, differs


def _link(check: _Kept, matches: Sequence[Comparison]) -> ClothLink:
    """One change from several pairs of fields, weighted by their common apertures.

    What makes a field's change uncertain, blur and light, is common to all.
    """
    total = sum(match.match.common for match in matches)

    def pooled(figure: Callable[[DirectionChange], float]) -> tuple[float, float]:
        x, y = (
            sum(
                match.match.common / total * figure(match.changes.directions[axis])
                for match in matches
                if match.changes is not None
            )
            for axis in (0, 1)
        )
        return _rounded(x), _rounded(y)

    kinds = [str(kind) for match in matches if match.changes for kind in match.changes.kinds]
    best = min(matches, key=lambda match: match.p_false_match)
    assert best.aligned is not None
    change, u = pooled(lambda d: d.mean_um), pooled(lambda d: d.U_um / 2)
    return ClothLink(
        sieve=check.sieve_id,
        check=check.check_id,
        common=total,
        p_false=max(best.p_false_match, 1e-99),
        exchanged=best.aligned.overlap.place.turn.swaps,
        change_x_um=change[0],
        change_y_um=change[1],
        u_x_um=u[0],
        u_y_um=u[1],
        kinds=tuple(dict.fromkeys(kinds)),
        shared=SharedByChanges(
            edge_before=pooled(lambda d: d.shared.edge_before_um),
            edge_after=pooled(lambda d: d.shared.edge_after_um),
            scale_before=pooled(lambda d: d.shared.scale_before_um),
            scale_after=pooled(lambda d: d.shared.scale_after_um),
            scales=(best.aligned.before.known.source, best.aligned.after.known.source),
        ),
    )


def _rounded(value: float) -> float:
    return round(value, 6) if math.isfinite(value) else 0.0
