"""Persons on the bench: the list, one person with authorisations, and the laboratory's rules."""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from sieve_inspect.errors import UsageError
from sieve_registry.bench.desk import Desk, desk_of, page
from sieve_registry.bench.forms import Form, act
from sieve_registry.bench.sessions import current
from sieve_registry.people import commands, queries
from sieve_registry.people.acts import ACT_TEXTS, Act, Demand
from sieve_registry.people.sign_in import LEAST_LETTERS, has_password, set_password

_DEMANDS = (
    (Demand.OFF, "are accepted from anybody"),
    (Demand.MARK, "are recorded with a mark"),
    (Demand.DEMAND, "are refused"),
)


def listing(request: Request) -> Response:
    """All persons with what each may do today, the laboratory's rules, and a form to add one."""
    desk = desk_of(request)
    roster, today = desk.overview.roster(), desk.registry.today()
    persons = list(roster.persons.values())
    return page(
        request,
        "people.html",
        present=[person for person in persons if person.present(today)],
        gone=[person for person in persons if not person.present(today)],
        day=today,
        acts=ACT_TEXTS,
        rules=roster.rules_on(today),
        demands=_DEMANDS,
        saved=request.query_params.get("saved", ""),
    )


def one(request: Request) -> Response:
    """One person: authorisations given and withdrawn, and what a manager may change."""
    desk = desk_of(request)
    person = queries.person_of(desk.overview.roster(), request.query_params.get("id", ""))
    session, today = current.get(), desk.registry.today()
    own = session is not None and session.person.id == person.id
    manager = session is not None and session.person.may(Act.MANAGE, today)
    kept = has_password(desk.registry, person)
    return page(
        request,
        "person.html",
        shown=person,
        day=today,
        acts=[(act, f"{act}: {text}") for act, text in ACT_TEXTS.items()],
        held=person.acts_on(today),
        here=person.present(today),
        has_password=kept,
        may_set=own or manager or (not kept and not desk.sign_in_demanded()),
        own=own,
        least=LEAST_LETTERS,
        done=request.query_params.get("done", ""),
    )


def _add(desk: Desk, form: Form) -> str:
    new = commands.NewPerson(
        form.needed("id", "Short id"),
        form.needed("person", "Name of the person"),
        form.text("role"),
        form.text("competence"),
    )
    return _place(commands.add_person(desk.registry, new, form.terms()).id, "added")


def _edit(desk: Desk, form: Form) -> str:
    person = queries.person_of(desk.overview.roster(), form.text("id"))
    fields = {"name": "person", "role": "role", "competence": "competence"}
    changed = {n: form.text(f) for n, f in fields.items() if form.text(f) != getattr(person, n)}
    if not changed:
        raise UsageError(message="Nothing differs from what is recorded: change a field first.")
    commands.edit_person(desk.registry, person.id, form.terms(), **changed)
    return _place(person.id, "changed")


def _authorise(desk: Desk, form: Form) -> str:
    commands.authorise(
        desk.registry,
        form.text("id"),
        _act_of(form),
        form.terms(),
        since=form.day("since"),
        until=form.day("until"),
        basis=form.text("basis"),
    )
    return _place(form.text("id"), "authorised")


def _withdraw(desk: Desk, form: Form) -> str:
    commands.withdraw(
        desk.registry, form.text("id"), _act_of(form), form.text("reason"), form.terms()
    )
    return _place(form.text("id"), "withdrawn")


def _left(desk: Desk, form: Form) -> str:
    commands.person_left(desk.registry, form.text("id"), form.text("reason"), form.terms())
    return _place(form.text("id"), "left")


def _password(desk: Desk, form: Form) -> str:
    first, again = form.text("password"), form.text("again")
    if first != again:
        raise UsageError(message="The two passwords differ: type the same one twice.")
    set_password(desk.registry, form.text("id"), first, form.terms())
    return _place(form.text("id"), "password")


def _rules(desk: Desk, form: Form) -> str:
    commands.set_rules(
        desk.registry,
        form.terms(),
        sign_off=form.text("sign_off") == "yes",
        authorisations=Demand(form.text("authorisations")),
        sign_in=form.text("sign_in") == "yes",
    )
    return "/people?saved=yes"


def _act_of(form: Form) -> Act:
    try:
        return Act(form.text("act"))
    except ValueError:
        raise UsageError(message=f"Choose what it is for: {', '.join(Act)}.") from None


def _place(person_id: str, done: str) -> str:
    return f"/person?{urlencode({'id': person_id, 'done': done})}"


READS = (("/people", listing), ("/person", one))
WRITES = (
    ("/people", act(_add)),
    ("/people/rules", act(_rules)),
    ("/person", act(_edit)),
    ("/person/authorise", act(_authorise)),
    ("/person/withdraw", act(_withdraw)),
    ("/person/left", act(_left)),
    ("/person/password", act(_password)),
)
