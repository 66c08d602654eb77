"""`sieveward laboratory`: what the laboratory requires of its own proof."""

from __future__ import annotations

from typing import Annotated

import typer

from sieve_registry.cli.support import options, output
from sieve_registry.cli.support.options import option

_RULES = "report_prefix validated keep_years raise_findings"


def laboratory(
    context: typer.Context,
    *,
    report_prefix: Annotated[
        str | None, option("Beginning of the numbers of issued reports (R).", "T")
    ] = None,
    validated: Annotated[
        options.YesNo | None, option("Warn before software that is not validated on the computer.")
    ] = None,
    keep_years: Annotated[
        int | None, option("Years evidence is kept at least; 0: no period.", "N")
    ] = None,
    raise_findings: Annotated[
        options.YesNo | None, option("Raise a finding of each open point automatically.")
    ] = None,
    date: options.Date = None,
    by: options.By = None,
    why_late: options.WhyLate = "",
    json_path: options.Json = None,
) -> None:
    """Show or set the laboratory's rules: report numbers, validation, findings, retention.

    Nothing is required unless it is set here. The audit lists which evidence may
    be destroyed, and from when; the program itself destroys nothing. An open
    point is what `due` shows as such: |E_n| above 1, failed equipment in use.
    """
    from sieve_registry.ledger.events import ProofRulesSet
    from sieve_registry.sieves import laboratory as rules

    wanted = ProofRulesSet(
        report_prefix=report_prefix,
        validated=None if validated is None else validated is options.YesNo.YES,
        keep_years=keep_years,
        raise_findings=None if raise_findings is None else raise_findings is options.YesNo.YES,
    )
    with options.opened(context) as registry:
        if wanted != ProofRulesSet():
            rules.set_proof_rules(registry, wanted, options.terms(date, by, why_late))
        known = rules.proof_rules(registry)
    if output.emit(json_path, output.fields(known, _RULES)):
        return
    output.line(f"Reports are numbered {known.report_prefix}-YEAR-0001, …")
    warning = "a warning before each check" if known.validated else "no warning"
    output.line(f"Software that is not validated on its computer: {warning}.")
    period = f"at least {known.keep_years} years" if known.keep_years else "no period set"
    output.line(f"Evidence is kept: {period}.")
    raised = "automatically" if known.raise_findings else "by a person"
    output.line(f"Findings of open points are raised: {raised}.")
