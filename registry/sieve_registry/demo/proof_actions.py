"""What the demo's laboratory keeps for an assessor: people, equipment, findings, a report."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

from sieve_registry.audit import findings
from sieve_registry.audit.issued import ReportDetails
from sieve_registry.demo.actions import DEVICES, Action, Moment
from sieve_registry.ledger.figures import CertifiedDirection
from sieve_registry.people import commands as people
from sieve_registry.people.acts import Act
from sieve_registry.scales.equipment import NewEquipment, add_equipment
from sieve_registry.settings import Letterhead
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves.certificates import NewCertificate, add_certificate

LABORATORY = Letterhead("Example Laboratory", "1 Sample Road, Exampleton", "")
_STAFF = (
    ("MQ", "Mara Quill", "metrologist", (Act.CHECK, Act.CALIBRATE, Act.SIGN)),
    ("IP", "Idris Penn", "technician", (Act.CHECK,)),
    ("LH", "Lena Holt", "head of the laboratory", (Act.RELEASE, Act.RETIRE, Act.MANAGE)),
)


def staff() -> Action:
    """Everybody with role, competence and authorisations."""

    def call(at: Moment) -> None:
        for person_id, name, role, acts in _STAFF:
            new = people.NewPerson(person_id, name, role, "trained on test sieves, file EX-P2")
            people.add_person(at.registry, new, at.terms)
            for act in acts:
                people.authorise(at.registry, person_id, act, at.terms, basis="file EX-P2")

    count = sum(1 + len(acts) for *_, acts in _STAFF)
    return Action(f"records {len(_STAFF)} persons and what each may do", call, events=count)


def scanner() -> Action:
    """The scanner as a piece of equipment; its settings are the devices."""

    def call(at: Moment) -> None:
        new = NewEquipment(
            id="E-1", kind="device", maker="Example Optics", model="F3", serial="EX-F3",
            place="room 2", criterion="scale within U of the last", names=tuple(DEVICES.values()),
            received=at.day, next_due=at.day + timedelta(days=3 * 365 + 200),
        )  # fmt: skip
        add_equipment(at.registry, new, at.terms)

    return Action("records the scanner as equipment E-1", call)


def certificate(sieve_id: str, x_um: str, y_um: str, expanded_um: str) -> Action:
    """A sieve measured by an outside laboratory, without a judgement."""

    def call(at: Moment) -> None:
        x, y = (
            CertifiedDirection(
                mean_um=Decimal(mean), expanded_um=Decimal(expanded_um), sd_um=None, max_um=None,
                wire_mean_um=None, count=200,
            )
            for mean in (x_um, y_um)
        )  # fmt: skip
        new = NewCertificate(
            number="EX-2211", laboratory="Example Calibration", x=x, y=y, accreditation="EX-0042"
        )
        add_certificate(at.registry, sieve_id, new, at.terms, None)

    return Action(f"records an outside certificate of {sieve_id}", call)


def raise_finding(text: str, about: str, clause: str) -> Action:
    """Work that did not conform."""
    return Action(
        f"raises a finding about {about}",
        lambda at: findings.raise_finding(at.registry, text, at.terms, about=about, clause=clause),
    )


def settle_finding(number: str, cause: str, action: str, reason: str) -> Action:
    """Its answer, and how the action was seen to be effective."""

    def call(at: Moment) -> None:
        findings.answer_finding(at.registry, number, cause, action, at.terms)
        findings.close_finding(at.registry, number, reason, at.terms)

    return Action(f"answers and closes finding {number}", call, events=2)


def issue_report(sieve_id: str, customer: str) -> Action:
    """The report of the last check of a sieve, as a page alone: a PDF takes ten times as long."""

    def call(at: Moment) -> None:
        from sieve_registry.report.issuing import issue_report as issue

        last = sieve_queries.get_history(at.registry, sieve_id).checks[-1]
        details = ReportDetails(customer=customer)
        issue(at.registry, last.id, details, LABORATORY, at.terms, pdf=False)

    return Action(f"issues the report of the last check of {sieve_id}", call)
