"""What people of the demo's laboratory do, each by the function its command calls."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from sieve_inspect.illumination.model import Illumination
from sieve_inspect.scale import load_scale
from sieve_inspect.summary.repeatability import precision
from sieve_registry.checks import commands as check_commands
from sieve_registry.checks import queries as check_queries
from sieve_registry.checks.errors import OtherClothError
from sieve_registry.demo.images import CERTIFICATE, scale_name
from sieve_registry.ledger.records import NewSieve, UseDetails
from sieve_registry.quality import decisions, reference_rules, references, studies
from sieve_registry.quality.curves import Curve
from sieve_registry.scales import artefacts
from sieve_registry.scales.calibrations import ScaleConditions
from sieve_registry.scales.choice import ScaleRequest, choose_scale
from sieve_registry.scales.commands import ArtefactPictures, calibrate_device
from sieve_registry.scales.environment import NOT_RECORDED
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves import stacks
from sieve_registry.sieves.decision_rules import set_rule
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

ARTEFACT = "G-7"
DEVICES = {2400: "FB-24", 4800: "FB-48"}  # checks at these resolutions go by a recorded scale
LAMP_DEG = 0.5  # half-angle of the collimated light below the cloth, seen straight from above
STACK = "LIMESTONE"
# A size distribution, a bottle of certified beads, a study of three people in um: all invented.
SAND = Curve((45, 75, 125, 250, 500, 1000, 2000), (4.0, 9.0, 21.0, 46.0, 72.0, 91.0, 99.0))
BEADS = Curve((470, 485, 500, 515, 530), (20.0, 36.0, 52.0, 69.0, 84.0))
STUDY = {
    "mara": [513.1, 513.4, 513.2],
    "idris": [513.6, 513.5, 513.8],
    "lena": [513.0, 513.3, 513.1],
}
SAND_FILE, STUDY_FILE = "sand.csv", "study.csv"  # written into the demo's folder


@dataclass(frozen=True)
class Moment:
    """A day in the laboratory: its registry, the person who acts, and the folder of the scans."""

    registry: Registry
    day: date
    by: str
    scans: Path

    @property
    def terms(self) -> RecordTerms:
        """The terms of a record made by that person for that day."""
        return RecordTerms(self.day, self.by)


Act = Callable[[Moment], str]  # records what a person does; its words for the log


@dataclass(frozen=True)
class Action:
    """An action of one call: its words for the log, and how many events it records."""

    words: str
    call: Callable[[Moment], object]
    events: int = 1

    def __call__(self, at: Moment) -> str:
        """Record it; the words for the log."""
        self.call(at)
        return self.words


@dataclass(frozen=True)
class SieveAdded:
    """A sieve goes into service."""

    sieve: NewSieve

    def __call__(self, at: Moment) -> str:
        """Record it; the words for the log."""
        sieve_commands.add_sieve(at.registry, replace(self.sieve, in_service=at.day), by=at.by)
        return f"adds {self.sieve.id}"


@dataclass(frozen=True)
class Checked:
    """Fields of a sieve, scanned at a resolution, are measured, judged and recorded.

    `scans` are pictures kept with the demo; `further` fields are drawn on the way, since a check
    takes three at least. The scale is a recorded scale, or a scale file; `in_scan`: the artefact
    lies beside the cloth and gives the scale of that run. `accept_scan`: why a scan of an earlier
    check is used again.
    """

    sieve_id: str
    dpi: int
    scans: tuple[str, ...]
    in_scan: bool = False
    further: int = 2
    accept_scan: str = ""

    def __call__(self, at: Moment) -> str:
        """Record it; the words for the log."""
        with TemporaryDirectory() as folder:
            taken = self.taken(at, Path(folder))
            taken = check_commands.accepting(taken, scan=self.accept_scan)
            number = check_commands.record(at.registry, taken, at.terms, "ok")
        outcome = check_queries.get_check(at.registry, number).check.outcome
        return f"checks {self.sieve_id}: {number} {outcome}"

    def taken(self, at: Moment, folder: Path) -> check_commands.Taken:
        """The scans, those not kept drawn into a folder, measured and judged."""
        from sieve_registry.demo.scans import draw_further_fields, draw_unkept

        recorded = None if self.in_scan else DEVICES.get(self.dpi)
        request = ScaleRequest(
            at.day,
            recorded=recorded,
            scale=None if recorded else load_scale(at.scans / scale_name(self.dpi)),
            artefact=ARTEFACT if self.in_scan else None,
            accepted_by=at.by,
        )
        drawn = {path.name: path for path in draw_unkept(self.scans, folder)}
        images = [drawn.get(name, at.scans / name) for name in self.scans]
        images += draw_further_fields(self.scans, self.further, folder)
        scale = choose_scale(at.registry, request, images)
        return check_commands.take(
            at.registry,
            self.sieve_id,
            images,
            scale=scale,
            illumination=Illumination.stated(LAMP_DEG, 0.0),
            encoding="auto",
            terms=at.terms,
        )


@dataclass(frozen=True)
class Mislabelled:
    """A sieve is scanned under the label of another: refused before anything is recorded."""

    checked: Checked
    events: int = 0

    def __call__(self, at: Moment) -> str:
        """Measure it; the words for the log."""
        with TemporaryDirectory() as folder:
            taken = self.checked.taken(at, Path(folder))
        try:
            check_commands.accepting(taken)
        except OtherClothError:
            link = taken.cloth.link
            if link is not None:
                return f"checks {self.checked.sieve_id}: refused, cloth of {link.sieve}"
        raise AssertionError(f"the cloth under label {self.checked.sieve_id} is not recognised")


@dataclass(frozen=True)
class Used:
    """Uses are logged, `recorded_late` days after they happened."""

    sieve_id: str
    count: int
    note: str = ""
    recorded_late: int = 0

    def __call__(self, at: Moment) -> str:
        """Record it; the words for the log."""
        late = self.recorded_late
        reason = "entered from the paper log" if late else ""
        sieve_commands.log_use(
            at.registry, self.sieve_id, self.count,
            on_date=at.day, by=at.by, note=self.note, late_reason=reason,
        )  # fmt: skip
        words = f"logs {self.count} uses of {self.sieve_id}"
        return f"{words}, recorded {late} days later" if late else words


def edit(sieve_id: str, interval_months: int) -> Action:
    """A person changes how often a sieve is checked."""
    return Action(
        f"has {sieve_id} checked every {interval_months} months",
        lambda at: sieve_commands.edit_sieve(
            at.registry, sieve_id, interval_months=interval_months, on_date=at.day, by=at.by
        ),
    )


def retire(sieve_id: str, reason: str) -> Action:
    """A person ends a sieve's service."""
    return Action(
        f"retires {sieve_id}",
        lambda at: sieve_commands.retire(at.registry, sieve_id, reason, on_date=at.day, by=at.by),
    )


def add_artefact(years: int) -> Action:
    """The glass plate with its certificate, valid for `years`."""

    def call(at: Moment) -> object:
        new = artefacts.CertifiedArtefact(
            id=ARTEFACT, kind="dots", nominal_pitch_um=400.0, pitch_um=400.0, nominal_line_um=None,
            line_um=None, expanded_pitch_um=0.04, expanded_line_um=0.0, k=2.0,
            certificate="EX-1147", laboratory="Example Metrology", valid_from=at.day,
            valid_to=at.day + timedelta(days=365 * years), expansion_ppm_per_k=8.5,
        )  # fmt: skip
        certificate = at.scans / CERTIFICATE
        return artefacts.add_artefact(at.registry, new, at.terms, certificate_file=certificate)

    return Action(f"adds artefact {ARTEFACT} with its certificate", call)


def add_device(dpi: int) -> Action:
    """The scanner at one resolution, under a lamp of 40 mm at 300 mm."""
    path, allowance = artefacts.DEVICE_KINDS["scanner"]
    new = artefacts.Device(
        DEVICES[dpi],
        "scanner",
        "EX-F3",
        f"{dpi}dpi",
        "transmitted",
        "srgb",
        0.0,
        allowance,
        path,
        sensor="contact",
        lamp_deg=(4.0, 4.0),
    )
    return Action(
        f"adds device {DEVICES[dpi]}, the scanner at {dpi} dpi",
        lambda at: artefacts.add_device(at.registry, new, at.terms),
    )


def calibrate(dpi: int, picture: str, months: int) -> Action:
    """The scale of the scanner at one resolution, from a picture of the artefact."""
    device, conditions = DEVICES[dpi], ScaleConditions(months)

    def call(at: Moment) -> object:
        pictures = ArtefactPictures([at.scans / picture])
        return calibrate_device(at.registry, pictures, ARTEFACT, device, conditions, at.terms)

    return Action(f"calibrates {device} with artefact {ARTEFACT}", call)


def name_rule(sieve_id: str, rule: str) -> Action:
    """The decision rule of a sieve, before it is measured."""
    return Action(
        f"names the rule of {sieve_id}: {rule}",
        lambda at: set_rule(at.registry, sieve_id, rule, terms=at.terms),
    )


def beads(sieve_id: str, charged_g: float, through_g: float) -> Action:
    """The mean effective aperture from the certified beads."""

    def call(at: Moment) -> object:
        result = reference_rules.beads(BEADS, charged_g, through_g, 3.0)
        last = sieve_queries.get_history(at.registry, sieve_id).checks[-1]
        number = references.e_n_against_optical(at.registry, last, result)
        more = {"charged_g": charged_g, "through_g": through_g, "e_n": number}
        lot = "beads EX-B5, lot 12"
        return references.record(
            at.registry, sieve_id, result, lot, at.terms, "", NOT_RECORDED, (), **more
        )

    return Action(f"sieves certified beads on {sieve_id}", call)


def cement(sieve_id: str, certified: float, *residues: float) -> Action:
    """The residue of a reference cement."""
    result = reference_rules.cement(certified, residues)
    return Action(
        f"sieves reference cement on {sieve_id}",
        lambda at: references.record(at.registry, sieve_id, result, "cement EX-C2", at.terms),
    )


def master(sieve_id: str, *pairs: tuple[float, float]) -> Action:
    """Retained percentages beside those of a master sieve; U of both results in percent."""
    result = reference_rules.master(pairs, (0.6, 0.5))
    return Action(
        f"compares {sieve_id} with the master sieve",
        lambda at: references.record(at.registry, sieve_id, result, "master EX-M5", at.terms),
    )


def repeatability(name: str) -> Action:
    """The study of one sieve measured several times by several people."""
    return Action(
        f"studies repeatability: {name}",
        lambda at: studies.record_study(at.registry, name, {"": precision(STUDY)}, at.terms),
    )


def add_stack(*sieve_ids: str) -> Action:
    """The stack, coarse on top."""
    return Action(
        f"keeps stack {STACK} of {len(sieve_ids)} sieves",
        lambda at: stacks.add(at.registry, STACK, sieve_ids, at.terms),
    )


def run_stack(count: int, sieves: int) -> Action:
    """Runs of the stack, with the use of each of its sieves."""
    details = UseDetails(material="limestone", abrasiveness="low")
    return Action(
        f"logs {count} runs of stack {STACK}",
        lambda at: stacks.run(at.registry, STACK, details, at.terms, count=count),
        events=1 + sieves,
    )


def decide(sieve_id: str, action: str) -> Action:
    """What a person decides after the last check of a sieve."""

    def call(at: Moment) -> object:
        last = sieve_queries.get_history(at.registry, sieve_id).checks[-1]
        return decisions.decide(at.registry, last.id, action, "", at.terms)

    return Action(f"decides on {sieve_id}: {action}", call)
