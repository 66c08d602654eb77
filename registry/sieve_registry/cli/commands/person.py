"""`sieveward person …`: who works here, what each may do, and the laboratory's rules for it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import argument, flag, option
from sieve_registry.people.acts import ACT_TEXTS, Act, Demand
from sieve_registry.values import shell_word

if TYPE_CHECKING:
    import datetime

    from sieve_registry.people.rules import Authorisation, LaboratoryRules, Person
    from sieve_registry.store.engine import Registry

person_app = typer.Typer(
    no_args_is_help=True, help="Persons: what each may do; rules for authorisation and sign-in."
)
IdArgument = Annotated[str, argument("The person's id (or name).", "ID")]
ActArgument = Annotated[Act, argument("check, sign, retire, calibrate, release or manage.", "ACT")]
Role = Annotated[str | None, option("Role: technician, head of laboratory.", "T")]
Competence = Annotated[str | None, option("Competence: training, qualification, experience.", "T")]
_PERSON = "id name role competence since=added_on by"
_GIVEN = "act since until basis by=given_by on=given_on event=seq"
_LEFT = "on=on_date by=person reason=payload.reason"
_WITHDRAWN = "on=withdrawn.on_date by=withdrawn.person reason=withdrawn.payload.reason"


@person_app.command()
def add(
    context: typer.Context,
    person_id: Annotated[str, argument("A short id, such as initials.", "ID")],
    *,
    name: Annotated[str, option("Name, as in the records.", "NAME")],
    role: Role = None,
    competence: Competence = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Add a person of the laboratory."""
    from sieve_registry.people import commands

    terms = options.terms(date, by, why_late)
    new = commands.NewPerson(person_id, name, role or "", competence or "")
    with options.opened(context, create=True) as registry:
        person = commands.add_person(registry, new, terms)
        today = registry.today()
    if not output.emit(json_path, person_dict(person, today)):
        output.line(f"Added {person.name} ({person.id}).")
        output.text(f"To authorise: sieveward person authorise {shell_word(person.id)} check")


@person_app.command("list")
def list_(
    context: typer.Context, as_of: options.AsOf = None, json_path: options.Json = None
) -> None:
    """List the persons and what each may do on a day, with the laboratory's rules."""
    from sieve_registry.people import queries

    with options.opened(context) as registry:
        day = options.read_day(as_of) or registry.today()
        roster = queries.roster(registry, day)
    people, rules = list(roster.persons.values()), roster.rules_on(day)
    payload = {
        "as_of": day.isoformat(),
        "rules": _rules_dict(rules),
        "persons": [person_dict(person, day) for person in people],
    }
    if output.emit(json_path, payload):
        return
    if not people:
        output.line("No persons yet. To add the first: sieveward person add ID --name NAME")
        return
    columns = {"id": "", "name": "", "role": "", "may": "", "left": ""}
    rows = [
        (p.id, p.name, output.shortened(p.role, 20), ", ".join(p.acts_on(day)),
         "" if p.left is None else p.left.on_date)
        for p in people
    ]  # fmt: skip
    output.table(f"Persons on {day}", columns, rows)
    output.line()
    _print_rules(rules)


@person_app.command()
def show(
    context: typer.Context,
    person_id: IdArgument,
    as_of: options.AsOf = None,
    json_path: options.Json = None,
) -> None:
    """Show a person with every authorisation given and withdrawn."""
    from sieve_registry.people import queries

    with options.opened(context) as registry:
        day = options.read_day(as_of) or registry.today()
        person = queries.person_of(queries.roster(registry, day), person_id)
    if not output.emit(json_path, person_dict(person, day)):
        _print_person(person, day)


@person_app.command()
def edit(
    context: typer.Context,
    person_id: IdArgument,
    *,
    name: Annotated[str | None, option("New name; earlier records keep theirs.", "NAME")] = None,
    role: Role = None,
    competence: Competence = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Change a person's name, role or competence from a day on."""
    from sieve_registry.people import commands

    terms = options.terms(date, by, why_late)
    _record(
        context,
        json_path,
        lambda registry: commands.edit_person(
            registry, person_id, terms, name=name, role=role, competence=competence
        ),
        "Changed {name} ({id}).",
    )


@person_app.command()
def authorise(
    context: typer.Context,
    person_id: IdArgument,
    act: ActArgument,
    *,
    since: Annotated[str | None, option("First day (today).", "YYYY-MM-DD", name="--from")] = None,
    until: Annotated[str | None, option("Last day (until withdrawn).", "YYYY-MM-DD")] = None,
    basis: Annotated[str, option("What it rests on: training, supervised checks.", "T")] = "",
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Authorise a person for an act."""
    from sieve_registry.people import commands

    terms = options.terms(date, by, why_late)
    days = {"since": options.read_day(since), "until": options.read_day(until)}
    _record(
        context,
        json_path,
        lambda registry: commands.authorise(registry, person_id, act, terms, basis=basis, **days),
        f"Authorised {{name}} ({{id}}) to {act}: {ACT_TEXTS[act]}.",
    )


@person_app.command()
def withdraw(
    context: typer.Context,
    person_id: IdArgument,
    act: ActArgument,
    *,
    reason: options.Reason,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Withdraw an authorisation from a day on; earlier acts stay as they are."""
    from sieve_registry.people import commands

    terms = options.terms(date, by, why_late)
    _record(
        context,
        json_path,
        lambda registry: commands.withdraw(registry, person_id, act, reason, terms),
        f"{{name}} ({{id}}) may not {act} any more.",
    )


@person_app.command()
def left(
    context: typer.Context,
    person_id: IdArgument,
    *,
    reason: Annotated[str, option("A remark.", "T")] = "",
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Record that a person no longer works here from a day on; the past keeps the person."""
    from sieve_registry.people import commands

    terms = options.terms(date, by, why_late)
    _record(
        context,
        json_path,
        lambda registry: commands.person_left(registry, person_id, reason, terms),
        "{name} ({id}) no longer works here; records made before are unaffected.",
    )


@person_app.command()
def rules(
    context: typer.Context,
    *,
    authorisations: Annotated[
        Demand | None, option("Acts without authorisation: off (take), mark, demand (refuse).")
    ] = None,
    sign_in: Annotated[options.YesNo | None, option("Records by signed-in persons only.")] = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Show or set the laboratory's rules for authorisations and sign-in."""
    from sieve_registry.people import commands, queries

    with options.opened(context) as registry:
        if authorisations is not None or sign_in is not None:
            commands.set_rules(
                registry,
                options.terms(date, by, why_late),
                authorisations=authorisations,
                sign_in=None if sign_in is None else sign_in is options.YesNo.YES,
            )
        known = queries.laboratory_rules(registry)
    if not output.emit(json_path, _rules_dict(known)):
        _print_rules(known)


@person_app.command()
def password(
    context: typer.Context,
    person_id: IdArgument,
    *,
    stdin: Annotated[
        bool, flag("--stdin", "Read the new password from the standard input.")
    ] = False,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Set a person's password for signing in; asks for the present one, or that of --by."""
    from dataclasses import replace

    from sieve_registry.people import queries, sign_in

    with options.opened(context) as registry:
        known = queries.roster(registry)
        person = queries.person_of(known, person_id)
        signer = known.named(by) if by else None
        signer = person if signer is None else signer
        has_one = sign_in.has_password(registry, signer)
        signed_in = options.ask_sign_in(registry, signer.name) if has_one else ""
        new = sys.stdin.readline().rstrip("\r\n") if stdin else ""
        new = new or options.ask_password(f"New password of {person.name}", twice=True)
        proven = replace(registry, identify=lambda _: signed_in)
        sign_in.set_password(proven, person.id, new, options.terms(None, signer.name, why_late))
    if not output.emit(json_path, {"id": person.id, "password": "set"}):
        output.line(f"The password of {person.name} ({person.id}) is set.")


def person_dict(person: Person, day: datetime.date) -> dict[str, Any]:
    """A person for JSON, with all authorisations and what they allow on a day."""
    return {
        **output.fields(person, _PERSON),
        "present": person.present(day),
        "left": person.left and output.fields(person.left, _LEFT),
        "may": [str(act) for act in person.acts_on(day)],
        "authorisations": [_given_dict(given, day) for given in person.authorisations],
    }


def _given_dict(given: Authorisation, day: datetime.date) -> dict[str, Any]:
    withdrawn = given.withdrawn and output.fields(given, _WITHDRAWN)
    return {**output.fields(given, _GIVEN), "valid": given.holds(day), "withdrawn": withdrawn}


def _rules_dict(known: LaboratoryRules) -> dict[str, Any]:
    return output.fields(known, "authorisations sign_in sign_off since")


def _record(
    context: typer.Context,
    json_path: str | None,
    record: Callable[[Registry], Person],
    sentence: str,
) -> None:
    """Call `record` with the open registry; print the person, or the sentence about them."""
    with options.opened(context) as registry:
        person = record(registry)
        today = registry.today()
    if not output.emit(json_path, person_dict(person, today)):
        output.text(sentence.format(name=person.name, id=person.id))
        may = ", ".join(person.acts_on(today)) or "nothing that needs an authorisation"
        output.text(f"Authorised today: {may}.")


def _print_person(person: Person, day: datetime.date) -> None:
    output.line(f"{person.name} ({person.id}), on {day}")
    left = person.left
    facts = (
        ("role", person.role),
        ("competence", person.competence),
        ("added", f"{person.added_on} by {person.by}"),
        ("earlier names", ", ".join(person.names[1:])),
        ("left", "" if left is None else f"{left.on_date} {left.payload.reason}".strip()),
        ("may", ", ".join(person.acts_on(day)) or "nothing that needs an authorisation"),
    )
    for name, value in facts:
        if value:
            output.text(value, " " * 17, first=f"  {name:<15}")
    if not person.authorisations:
        return
    output.line()
    columns = {"act": "", "from": "", "to": "", "given by": "", "basis": "", "valid": ""}
    rows = [
        (a.act, a.since, _end(a), a.given_by, output.shortened(a.basis, 20),
         "yes" if a.holds(day) else "no")
        for a in person.authorisations
    ]  # fmt: skip
    output.table("Authorisations", columns, rows)


def _end(given: Authorisation) -> str:
    if given.withdrawn is not None:
        return f"withdrawn {given.withdrawn.on_date}"
    return "" if given.until is None else str(given.until)


def _print_rules(known: LaboratoryRules) -> None:
    acts = {
        Demand.OFF: "taken from anybody",
        Demand.MARK: "recorded with a mark",
        Demand.DEMAND: "refused",
    }
    output.text(f"Acts without a valid authorisation: {acts[known.authorisations]}.")
    output.text(
        "Records are made by signed-in persons only."
        if known.sign_in
        else "A typed name is enough: nobody has to sign in."
    )
    if known.sign_off:
        output.text("Every check needs a second person's sign-off.")
