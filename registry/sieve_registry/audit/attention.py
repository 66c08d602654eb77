"""What the laboratory itself has to attend to, beside the checks that are due."""

from __future__ import annotations

from sieve_registry.audit.findings import FindingState, findings
from sieve_registry.audit.open_points import open_points
from sieve_registry.checks import validation
from sieve_registry.ledger.records import Finding
from sieve_registry.store.engine import Registry

OPEN_POINT = "open point"


def attention(registry: Registry) -> list[Finding]:
    """Software not validated where the laboratory requires it, open findings, open points.

    The subject of an open point is its event, from which `finding raise` makes a finding.
    """
    today, noted = registry.today(), []
    if unvalidated := validation.caution(registry):
        noted.append(Finding("validation", unvalidated, "software"))
    for finding in findings(registry):
        if finding.state == FindingState.CLOSED:
            continue
        late = f", its answer was due on {finding.raised.payload.answer_by}"
        message = f"finding {finding.number} is {finding.state}"
        message += late if finding.late_on(today) else ""
        noted.append(
            Finding("finding", f"{message}: {finding.raised.payload.text}", finding.number)
        )
    return noted + [
        Finding(OPEN_POINT, point.text, str(point.event)) for point in open_points(registry)
    ]
