"""The life of a sieve on the bench: uses, cleaning, quarantine, return, retirement, references."""

from __future__ import annotations

from pathlib import Path

from starlette.datastructures import FormData

from sieve_inspect.errors import UsageError
from sieve_registry.bench.desk import Desk
from sieve_registry.bench.forms import Form, act, act_with_files, done_place, keep_file
from sieve_registry.ledger.records import UseDetails
from sieve_registry.outlook import commands as outlook_commands
from sieve_registry.quality import reference_rules, references
from sieve_registry.quality.curves import read_curve
from sieve_registry.quality.reference_rules import Beads, Cement, Master
from sieve_registry.scales.environment import NOT_RECORDED
from sieve_registry.sieves import commands
from sieve_registry.sieves import queries as sieve_queries

_MOST_RUNS = 3  # of a reference cement


def _use(desk: Desk, form: Form) -> str:
    count, terms = form.count("count", "Number of uses"), form.terms()
    if count is None:
        raise UsageError(message="Number of uses missing: fill it in.")
    details = UseDetails(
        method=form.text("method"),
        material=form.text("material"),
        abrasiveness=form.text("abrasiveness"),
    )
    commands.log_use(
        desk.registry,
        form.text("sieve"),
        count,
        on_date=terms.on_date,
        by=terms.by,
        note=form.text("note"),
        details=details,
        late_reason=terms.late_reason,
    )
    return done_place(desk.registry, form.text("sieve"))


def _clean(desk: Desk, form: Form) -> str:
    method, note = form.text("method"), form.text("note")
    commands.clean(desk.registry, form.text("sieve"), method, note, form.terms())
    return done_place(desk.registry, form.text("sieve"))


def _quarantine(desk: Desk, form: Form) -> str:
    commands.quarantine(
        desk.registry,
        form.text("sieve"),
        form.text("reason"),
        form.terms(),
        damage=bool(form.text("damage")),
    )
    return done_place(desk.registry, form.text("sieve"))


def _return(desk: Desk, form: Form) -> str:
    sieve_id = form.text("sieve")
    commands.return_to_service(desk.registry, sieve_id, form.text("reason"), form.terms())
    return done_place(desk.registry, sieve_id)


def _retire(desk: Desk, form: Form) -> str:
    terms = form.terms()
    commands.retire(
        desk.registry,
        form.text("sieve"),
        form.text("reason"),
        on_date=terms.on_date,
        by=terms.by,
        late_reason=terms.late_reason,
    )
    return done_place(desk.registry, form.text("sieve"))


def _recloth(desk: Desk, form: Form) -> str:
    reason = form.text("reason")
    outlook_commands.replace_cloth(desk.registry, form.text("sieve"), reason, form.terms())
    return done_place(desk.registry, form.text("sieve"))


def _beads(desk: Desk, form: Form, folder: Path, data: FormData) -> str:
    """A bottle of certified glass beads: the mean effective aperture."""
    curve = keep_file(data, "certificate", folder)
    charged, through = (form.number(n, f"Mass {n}") for n in ("charged", "through"))
    if curve is None or charged is None or through is None:
        raise UsageError(message="Give the certified curve and both masses.")
    u_curve = form.number("certified_u", "U of the curve")
    result = reference_rules.beads(read_curve(curve), charged, through, u_curve)
    last = sieve_queries.get_state(desk.registry, form.text("sieve")).last_check
    number = references.e_n_against_optical(desk.registry, last, result)
    more = {"charged_g": charged, "through_g": through, "e_n": number}
    return _record(desk, form, result, **more)


def _cement(desk: Desk, form: Form) -> str:
    """A reference cement: the correction factor of the sieve."""
    certified = form.number("certified", "Certified residue")
    runs = [form.number(f"residue-{run}", "Residue") for run in range(1, _MOST_RUNS + 1)]
    residues = [residue for residue in runs if residue is not None]
    if certified is None or len(residues) < 2:
        raise UsageError(message="Give the certified residue and that of two runs.")
    result = reference_rules.cement(certified, residues)
    if result.third_run:
        raise UsageError(
            message="The two runs differ by more than 0.3 %: make a third run and give all three."
        )
    return _record(desk, form, result)


def _master(desk: Desk, form: Form) -> str:
    """A master sieve: percent retained here and there, pair by pair."""
    pairs = [_pair(line) for line in form.text("pairs").replace(";", "\n").split("\n") if line]
    expanded = form.text("expanded")
    result = reference_rules.master(pairs, _pair(expanded) if expanded else None)
    return _record(desk, form, result)


def _record(desk: Desk, form: Form, result: Beads | Cement | Master, **more: float | None) -> str:
    sieve_id, used = form.text("sieve"), form.names("equipment")
    material, accepted, terms = form.text("material"), form.text("accept_expired"), form.terms()
    references.record(
        desk.registry, sieve_id, result, material, terms, accepted, NOT_RECORDED, used, **more
    )
    return done_place(desk.registry, sieve_id)


def _pair(text: str) -> tuple[float, float]:
    try:
        first, second = (float(part) for part in text.replace("/", " ").split())
    except ValueError:
        raise UsageError(
            message=f"Write two numbers with a blank between them, such as 12.4 12.1, not "
            f"{text.strip()!r}."
        ) from None
    return first, second


WRITES = (
    ("/use", act(_use)),
    ("/clean", act(_clean)),
    ("/quarantine", act(_quarantine)),
    ("/return", act(_return)),
    ("/retire", act(_retire)),
    ("/recloth", act(_recloth)),
    ("/reference/beads", act_with_files(_beads)),
    ("/reference/cement", act(_cement)),
    ("/reference/master", act(_master)),
)
