"""Look-backs on the bench: the uses of a bad sieve, and the decision on each result."""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import UsageError
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import Form, act
from sieve_registry.ledger.choices import ResultState
from sieve_registry.quality.equipment_lookback import doubts_of_sieve
from sieve_registry.quality.lookback import lookbacks_of
from sieve_registry.quality.reviews import decide_results
from sieve_registry.sieves import queries as sieve_queries

_RESULTS = (
    (ResultState.NOT_AFFECTED, "not affected"),
    (ResultState.AFFECTED, "affected: stays open until the customer is informed"),
    (ResultState.CUSTOMER_TOLD, "affected, and the customer was informed"),
)


def lookback(request: Request) -> Response:
    """Every cause of a sieve's look-backs with its uses, and a form to decide on results."""
    desk = desk_of(request)
    history = sieve_queries.get_history(desk.registry, request.query_params.get("id", ""))
    return page(
        request,
        "lookback.html",
        sieve=history.sieve,
        lookbacks=lookbacks_of(history, desk.registry.today())[::-1],
        doubts=doubts_of_sieve(desk.registry, history.sieve.id),
        results=_RESULTS,
        done=[text for text in request.query_params.getlist("done") if text.isdecimal()],
    )


def _decide(desk: Desk, form: Form) -> str:
    """Record one decision for the ticked uses."""
    uses = [int(text) for text in form.texts("use") if text.isdecimal() and len(text) < 10]
    if not uses:
        raise UsageError(message="No use is ticked: tick those the decision is about.")
    try:
        result = ResultState(form.text("result"))
    except ValueError:
        raise UsageError(message="Choose what became of the results.") from None
    sieve_id, terms = form.text("sieve"), form.terms()
    made = decide_results(desk.registry, sieve_id, uses, result, form.text("reason"), terms)
    return f"/lookback?{urlencode({'id': sieve_id, 'done': [e.seq for e in made]}, doseq=True)}"


READS = (("/lookback", lookback),)
WRITES = (("/lookback", act(_decide)),)
