"""What the demo's people do besides checking: certificates, calibrations, references, stacks."""

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
from sieve_registry.scales import artefacts, calibrations
from sieve_registry.sieves import queries as sieve_queries
from sieve_registry.sieves import stacks
from sieve_registry.sieves.decision_rules import set_rule
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

__all__ = [
    "ARTEFACT",
    "BEADS",
    "DEVICES",
    "SAND",
    "STACK",
    "Done",
    "add_artefact",
    "add_device",
    "add_stack",
    "beads",
    "calibrate",
    "cement",
    "decide",
    "master",
    "name_rule",
    "repeatability",
    "run_stack",
]

ARTEFACT = "G-7"
DEVICES = {2400: "FB-24", 4800: "FB-48"}  # checks at these resolutions go by a recorded scale
STACK = "LIMESTONE"
# A distribution to ask the effect of sieves on, and a bottle of certified beads: both invented.
SAND = Curve((45, 75, 125, 250, 500, 1000, 2000), (4.0, 9.0, 21.0, 46.0, 72.0, 91.0, 99.0))
BEADS = Curve((470, 485, 500, 515, 530), (20.0, 36.0, 52.0, 69.0, 84.0))

Act = Callable[[Registry, RecordTerms, Path], object]


@dataclass(frozen=True)
class Done:
    """Something done in one call: the words to tell it by, and how many events it records."""

    words: str
    act: Act
    events: int = 1


def add_artefact(years: int) -> Done:
    """The glass plate with its certificate, valid so many years."""

    def act(registry: Registry, terms: RecordTerms, images: Path) -> object:
        assert terms.on_date is not None
        new = artefacts.CertifiedArtefact(
            id=ARTEFACT, kind="dots", nominal_pitch_um=400.0, pitch_um=400.0, nominal_line_um=None,
            line_um=None, expanded_pitch_um=0.04, expanded_line_um=0.0, k=2.0,
            certificate="EX-1147", laboratory="Example Metrology", valid_from=terms.on_date,
            valid_to=terms.on_date + timedelta(days=365 * years), expansion_ppm_per_k=8.5,
        )  # fmt: skip
        return artefacts.add_artefact(registry, new, terms, certificate_file=images / CERTIFICATE)

    return Done(f"adds artefact {ARTEFACT} with its certificate", act)


def add_device(dpi: int) -> Done:
    """The scanner at one resolution."""

    def act(registry: Registry, terms: RecordTerms, _: Path) -> object:
        kind = "scanner"
        path, allowance = artefacts.DEVICE_KINDS[kind]
        new = artefacts.Device(
            DEVICES[dpi], kind, "EX-F3", f"{dpi}dpi", "transmitted", "srgb", 0.0, allowance, path
        )
        return artefacts.add_device(registry, new, terms)

    return Done(f"adds device {DEVICES[dpi]}, the scanner at {dpi} dpi", act)


def calibrate(dpi: int, picture: str, months: int) -> Done:
    """The scale of the scanner at one resolution, from a picture of the artefact."""

    def act(registry: Registry, terms: RecordTerms, images: Path) -> object:
        from sieve_inspect.scale.artefact.calibrate import MAX_RESIDUAL_PX, calibrate_pictures
        from sieve_inspect.scale.artefact.residual_picture import residuals_png

        assert terms.on_date is not None
        device = artefacts.device_named(registry, DEVICES[dpi])
        artefact = calibrations.certificate_for(registry, ARTEFACT, terms.on_date)
        found = calibrate_pictures(
            [images / picture], artefact.to_calibrate(), encoding=device.encoding
        )
        return calibrations.record_scale(
            registry, device.id, found, artefact, device, calibrations.ScaleConditions(months),
            terms,
            max_residual_um=MAX_RESIDUAL_PX * found.um_per_px,
            residual_picture=residuals_png(found),
        )  # fmt: skip

    return Done(f"calibrates {DEVICES[dpi]} with artefact {ARTEFACT}", act)


def name_rule(sieve_id: str, rule: str) -> Done:
    """The decision rule of a sieve, before it is measured."""

    def act(registry: Registry, terms: RecordTerms, _: Path) -> object:
        return set_rule(registry, sieve_id, rule, terms=terms)

    return Done(f"names the rule of {sieve_id}: {rule}", act)


def beads(sieve_id: str, charged_g: float, through_g: float) -> Done:
    """The mean effective aperture from the certified beads."""

    def act(registry: Registry, terms: RecordTerms, _: Path) -> object:
        found = reference_rules.beads(BEADS, charged_g, through_g, 3.0)
        last = sieve_queries.get_history(registry, sieve_id).checks[-1]
        number = references.beside_optical(last, found)
        more = {"charged_g": charged_g, "through_g": through_g, "e_n": number}
        lot = "beads EX-B5, lot 12"
        return references.record(registry, sieve_id, "beads", found, lot, terms, **more)

    return Done(f"sieves certified beads on {sieve_id}", act)


def cement(sieve_id: str, certified: float, *residues: float) -> Done:
    """The residue of a reference cement."""

    def act(registry: Registry, terms: RecordTerms, _: Path) -> object:
        found = reference_rules.cement(certified, residues)
        return references.record(registry, sieve_id, "cement", found, "cement EX-C2", terms)

    return Done(f"sieves reference cement on {sieve_id}", act)


def master(sieve_id: str, *pairs: tuple[float, float]) -> Done:
    """Retained percentages beside those of a master sieve."""

    def act(registry: Registry, terms: RecordTerms, _: Path) -> object:
        found = reference_rules.master(pairs)
        return references.record(registry, sieve_id, "master", found, "master EX-M5", terms)

    return Done(f"compares {sieve_id} with the master sieve", act)


def repeatability(name: str, **found_um: list[float]) -> Done:
    """A study of one sieve measured again and again by several people."""

    def act(registry: Registry, terms: RecordTerms, _: Path) -> object:
        return studies.keep(registry, name, {"": precision(found_um)}, terms)

    return Done(f"studies repeatability: {name}", act)


def add_stack(*sieve_ids: str) -> Done:
    """The stack, coarse on top."""

    def act(registry: Registry, terms: RecordTerms, _: Path) -> object:
        return stacks.add(registry, STACK, sieve_ids, terms)

    return Done(f"keeps stack {STACK} of {len(sieve_ids)} sieves", act)


def run_stack(count: int, sieves: int) -> Done:
    """Runs of the stack, with the use of each of its sieves."""

    def act(registry: Registry, terms: RecordTerms, _: Path) -> object:
        details = UseDetails(material="limestone", abrasiveness="low")
        return stacks.run(registry, STACK, details, terms, count=count)

    return Done(f"logs {count} runs of stack {STACK}", act, events=1 + sieves)


def decide(sieve_id: str, action: str) -> Done:
    """What a person decides after the last check of a sieve."""

    def act(registry: Registry, terms: RecordTerms, _: Path) -> object:
        last = sieve_queries.get_history(registry, sieve_id).checks[-1]
        return decisions.decide(registry, last.id, action, "", terms)

    return Done(f"decides on {sieve_id}: {action}", act)
