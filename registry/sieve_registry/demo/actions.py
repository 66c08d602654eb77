"""Actions of the demo besides checks: certificates, calibrations, reference checks, stacks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from sieve_inspect.summary.repeatability import precision
from sieve_registry.demo.images import CERTIFICATE
from sieve_registry.quality import decisions, reference_rules, references, studies
from sieve_registry.quality.curves import Curve
from sieve_registry.records import UseDetails
from sieve_registry.scales import artefacts
from sieve_registry.scales.calibrations import ScaleConditions
from sieve_registry.scales.commands import ArtefactPictures, calibrate_device
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves import stacks
from sieve_registry.sieves.decision_rules import set_rule
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

ARTEFACT = "G-7"
DEVICES = {2400: "FB-24", 4800: "FB-48"}  # checks at these resolutions go by a recorded scale
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

CarryOut = Callable[[Registry, RecordTerms, Path], object]


@dataclass(frozen=True)
class Action:
    """An action of one call: its words for the log, and how many events it records."""

    words: str
    carry_out: CarryOut
    events: int = 1


def add_artefact(years: int) -> Action:
    """The glass plate with its certificate, valid for `years`."""

    def carry_out(registry: Registry, terms: RecordTerms, images: Path) -> object:
        assert terms.on_date is not None
        new = artefacts.CertifiedArtefact(
            id=ARTEFACT, kind="dots", nominal_pitch_um=400.0, pitch_um=400.0, nominal_line_um=None,
            line_um=None, expanded_pitch_um=0.04, expanded_line_um=0.0, k=2.0,
            certificate="EX-1147", laboratory="Example Metrology", valid_from=terms.on_date,
            valid_to=terms.on_date + timedelta(days=365 * years), expansion_ppm_per_k=8.5,
        )  # fmt: skip
        return artefacts.add_artefact(registry, new, terms, certificate_file=images / CERTIFICATE)

    return Action(f"adds artefact {ARTEFACT} with its certificate", carry_out)


def add_device(dpi: int) -> Action:
    """The scanner at one resolution."""

    def carry_out(registry: Registry, terms: RecordTerms, _: Path) -> object:
        kind = "scanner"
        path, allowance = artefacts.DEVICE_KINDS[kind]
        new = artefacts.Device(
            DEVICES[dpi], kind, "EX-F3", f"{dpi}dpi", "transmitted", "srgb", 0.0, allowance, path
        )
        return artefacts.add_device(registry, new, terms)

    return Action(f"adds device {DEVICES[dpi]}, the scanner at {dpi} dpi", carry_out)


def calibrate(dpi: int, picture: str, months: int) -> Action:
    """The scale of the scanner at one resolution, from a picture of the artefact."""

    def carry_out(registry: Registry, terms: RecordTerms, images: Path) -> object:
        pictures = ArtefactPictures([images / picture])
        return calibrate_device(
            registry, pictures, ARTEFACT, DEVICES[dpi], ScaleConditions(months), terms
        )

    return Action(f"calibrates {DEVICES[dpi]} with artefact {ARTEFACT}", carry_out)


def name_rule(sieve_id: str, rule: str) -> Action:
    """The decision rule of a sieve, before it is measured."""

    def carry_out(registry: Registry, terms: RecordTerms, _: Path) -> object:
        return set_rule(registry, sieve_id, rule, terms=terms)

    return Action(f"names the rule of {sieve_id}: {rule}", carry_out)


def beads(sieve_id: str, charged_g: float, through_g: float) -> Action:
    """The mean effective aperture from the certified beads."""

    def carry_out(registry: Registry, terms: RecordTerms, _: Path) -> object:
        result = reference_rules.beads(BEADS, charged_g, through_g, 3.0)
        last = sieve_queries.get_history(registry, sieve_id).checks[-1]
        number = references.e_n_against_optical(last, result)
        more = {"charged_g": charged_g, "through_g": through_g, "e_n": number}
        lot = "beads EX-B5, lot 12"
        return references.record(registry, sieve_id, result, lot, terms, **more)

    return Action(f"sieves certified beads on {sieve_id}", carry_out)


def cement(sieve_id: str, certified: float, *residues: float) -> Action:
    """The residue of a reference cement."""

    def carry_out(registry: Registry, terms: RecordTerms, _: Path) -> object:
        result = reference_rules.cement(certified, residues)
        return references.record(registry, sieve_id, result, "cement EX-C2", terms)

    return Action(f"sieves reference cement on {sieve_id}", carry_out)


def master(sieve_id: str, *pairs: tuple[float, float]) -> Action:
    """Retained percentages beside those of a master sieve."""

    def carry_out(registry: Registry, terms: RecordTerms, _: Path) -> object:
        result = reference_rules.master(pairs)
        return references.record(registry, sieve_id, result, "master EX-M5", terms)

    return Action(f"compares {sieve_id} with the master sieve", carry_out)


def repeatability(name: str) -> Action:
    """The study of one sieve measured several times by several people."""

    def carry_out(registry: Registry, terms: RecordTerms, _: Path) -> object:
        return studies.record_study(registry, name, {"": precision(STUDY)}, terms)

    return Action(f"studies repeatability: {name}", carry_out)


def add_stack(*sieve_ids: str) -> Action:
    """The stack, coarse on top."""

    def carry_out(registry: Registry, terms: RecordTerms, _: Path) -> object:
        return stacks.add(registry, STACK, sieve_ids, terms)

    return Action(f"keeps stack {STACK} of {len(sieve_ids)} sieves", carry_out)


def run_stack(count: int, sieves: int) -> Action:
    """Runs of the stack, with the use of each of its sieves."""

    def carry_out(registry: Registry, terms: RecordTerms, _: Path) -> object:
        details = UseDetails(material="limestone", abrasiveness="low")
        return stacks.run(registry, STACK, details, terms, count=count)

    return Action(f"logs {count} runs of stack {STACK}", carry_out, events=1 + sieves)


def decide(sieve_id: str, action: str) -> Action:
    """What a person decides after the last check of a sieve."""

    def carry_out(registry: Registry, terms: RecordTerms, _: Path) -> object:
        last = sieve_queries.get_history(registry, sieve_id).checks[-1]
        return decisions.decide(registry, last.id, action, "", terms)

    return Action(f"decides on {sieve_id}: {action}", carry_out)
