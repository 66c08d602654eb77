"""The history of a sieve on one page: its status, its wear, its records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sieve_inspect.outcomes import FAILING
from sieve_registry.audit import verification
from sieve_registry.checks import queries as check_queries
from sieve_registry.ledger.codec import EventPayload
from sieve_registry.ledger.figures import Margin
from sieve_registry.ledger.records import Check, Fact, SieveHistory, SieveState
from sieve_registry.outlook.queries import Outlook, outlook
from sieve_registry.report.formatting import MARKS, Lengths
from sieve_registry.report.pages import page_mark, render_page
from sieve_registry.report.record_rows import FACTS, record_rows
from sieve_registry.report.timeline import marks_of, timeline_svg
from sieve_registry.report.wear import wear_view
from sieve_registry.settings import Letterhead
from sieve_registry.sieves.certificates import certificate_name
from sieve_registry.sieves.facts import current_facts_of
from sieve_registry.sieves.state import QUARANTINED, RETIRED
from sieve_registry.store.engine import Registry
from sieve_registry.values import shell_word


@dataclass(frozen=True)
class HistoryView:
    """Everything about one sieve as of a day, and the ledger it was read from.

    `facts` are records without a table of their own: decisions, rules, new cloth and the like.
    `margins` are the values judged in each check.
    """

    outlook: Outlook
    facts: tuple[Fact[EventPayload], ...]
    margins: Mapping[str, tuple[Margin, ...]]
    ledger_events: int
    ledger_head: str | None

    @property
    def state(self) -> SieveState:
        """The sieve on that day."""
        return self.outlook.data.state


def history_view(registry: Registry, sieve_id: str, day: date | None = None) -> HistoryView:
    """Everything known of a sieve at the end of a day (today). Raises `UnknownSieveError`."""
    seen = outlook(registry, sieve_id, day)
    facts = current_facts_of(registry, seen.wear.sieve_id, FACTS)
    count, head = verification.ledger_head(registry)
    checks = seen.data.history.checks
    return HistoryView(
        outlook=seen,
        facts=tuple(f for f in facts if f.on_date <= seen.wear.as_of),
        margins={c.id: check_queries.get_check(registry, c.id).margins for c in checks},
        ledger_events=count,
        ledger_head=head,
    )


def render_sieve_history(view: HistoryView, letterhead: Letterhead | None = None) -> str:
    """A self-contained HTML page that prints on A4; the same view gives the same bytes."""
    return render_page("history.html", {**_context(view), "letterhead": letterhead})


def _context(view: HistoryView) -> dict[str, Any]:
    state, history = view.state, view.outlook.data.history
    sieve = state.sieve
    lengths = Lengths(sieve.nominal_um)
    checks = sorted(
        (c for c in history.checks if c.on_date <= state.as_of),
        key=lambda c: (c.on_date, c.seq),
        reverse=True,
    )
    history_rows = record_rows(history, view.facts, state.as_of)
    return {
        "view": view,
        "state": state,
        "sieve": sieve,
        "page_mark": page_mark(f"history of sieve {sieve.id}, {state.as_of}"),
        **dict(zip(_STANDING, _standing(state, history), strict=True)),
        # What else speaks against it; the rest of the remarks is in the sentence.
        "remarks": [r.message for r in state.remarks if r.source == "signature"],
        "next": _next(view),
        "unit": lengths.unit,
        "warp": state.details.warp_text,
        "checks": [_check(check, view.margins[check.id], lengths) for check in checks],
        "wear": wear_view(view.outlook, lengths) if len(view.outlook.wear.checks) > 1 else None,
        "rows": history_rows,
        "timeline": timeline_svg(history, marks_of(history), state.as_of),
        "corrections": history.corrections,
    }


_STANDING = ("kind", "mark", "status", "sentence")


def _standing(state: SieveState, history: SieveHistory) -> tuple[str, str, str, str]:
    """The status of the sieve: style of the frame, mark, heading, sentence."""
    last = state.last_check
    if state.status == RETIRED and history.retirement is not None:
        end = history.retirement
        return "fail", "✗", "Retired", f"Since {end.on_date}, by {end.person}: {end.reason}."
    if state.status == QUARANTINED and state.quarantine is not None:
        why = state.quarantine
        return "fail", "✗", "In quarantine", f"Since {why.on_date}: {why.payload.reason}."
    outcome, certificate = state.result, state.certificate
    if certificate is not None:
        result = f"{certificate_name(certificate)} of {certificate.on_date}: {outcome}."
    elif last is not None:
        result = f"{last.id} on {last.on_date}: {outcome}."
    else:
        return "not", "?", "Never checked", "Its apertures are not measured yet."
    if outcome in FAILING:
        return "fail", "✗", "In service, but its last check was not passed", result
    if state.overdue:
        return "conditional", "!", "In service, check overdue", f"{result} Due since {state.due}."
    mark = "conditional" if outcome != "pass" else "pass"
    return mark, MARKS[outcome], "In service", f"{result} Next check by {state.due}."


def _next(view: HistoryView) -> str:
    """The next step, in one sentence; a person decides."""
    state = view.state
    if state.status == RETIRED:
        return "None: its service has ended; its records are kept."
    if state.status == QUARANTINED:
        return "Keep it out of use until a check passes, then return it to service."
    if state.certified and not state.overdue:
        return f"Check it, or have it certified, by {state.due}."
    if state.last_check is None:
        typed = shell_word(state.sieve.id)
        return f"Check it before it is used: sieveward check {typed} SCAN… --scale FILE."
    action = view.outlook.advice.action
    if state.last_check.outcome in FAILING or not state.overdue or action != "keep":
        return view.outlook.advice.reason
    return f"Check it now: the check was due on {state.due} ({state.due_because}). You decide."


def _check(check: Check, margins: Sequence[Margin], lengths: Lengths) -> dict[str, Any]:
    largest = max("xy", key=lambda direction: getattr(check, direction).max_um or 0)
    return {
        "check": check,
        "mark": MARKS.get(check.outcome, ""),
        "x": _value(check, margins, "mean", "x", lengths),
        "y": _value(check, margins, "mean", "y", lengths),
        "largest": _value(check, margins, "largest aperture", largest, lengths),
    }


_KEYS = {"mean": ("mean_um", "u_mean_um"), "largest aperture": ("max_um", "u_max_um")}


def _value(
    check: Check, margins: Sequence[Margin], name: str, direction: str, lengths: Lengths
) -> str | None:
    """A value with its U as it was judged; without limits U = 2u."""
    figures = [getattr(getattr(check, direction), key) for key in _KEYS[name]]
    value, u = (None if figure is None else float(figure) for figure in figures)
    expanded = None if u is None else 2 * u
    for margin in margins:
        if (margin.name, margin.direction) == (name, direction) and margin.expanded_um is not None:
            expanded = float(margin.expanded_um)
    text, rounded = lengths.value(value, expanded)
    return f"{text} ± {rounded}" if text and rounded else text
