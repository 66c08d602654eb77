"""The invented laboratory: its sieves, and three years of their history.

Days count back from the day the demo runs; steps stand in the order of recording. Everybody and
everything here is made up.
"""

from __future__ import annotations

from dataclasses import dataclass

from sieve_registry.demo import actions, proof_actions
from sieve_registry.demo.actions import Act, Checked, Mislabelled, SieveAdded, Used
from sieve_registry.ledger.records import NewSieve

_MARA, _IDRIS, _LENA = "Mara Quill", "Idris Penn", "Lena Holt"


@dataclass(frozen=True)
class Step:
    """An action of a person, `days_ago` days before the day the demo runs."""

    days_ago: int
    by: str
    action: Act


def _added(sieve_id: str, nominal_um: float, place: str, uses: int | None = None) -> SieveAdded:
    serial = f"EX-{sieve_id[2:]}-31"
    return SieveAdded(
        NewSieve(
            sieve_id, nominal_um, serial=serial, frame_um=100_000, interval_uses=uses,
            location=place, maker="Example Weavers",
        )
    )  # fmt: skip


# What was drawn into the scans of each.
CAPTIONS = {
    "S-2000": "new",
    "S-1000": "sound",
    "S-0500": "worn, still just inside its limits",
    "S-0250": "clogged",
    "S-0125": "torn",
    "S-0075": "worn out",
    "S-0076": "wearing slowly",
    "S-0045": "sound when last seen",
}

_FELL = "Torn: the sieve fell from the bench; seen by eye too"
_WORN = "Worn out in use: its limit by uses was never set"
_NO_EDGE = "A sieve fell from the bench: its shelf has no edge"
_EDGE_MADE = ("shelf without an edge", "edges on all shelves", "no sieve fell in three weeks")
STEPS = (
    Step(1095, _LENA, proof_actions.staff()),
    Step(1094, _LENA, actions.add_artefact(4)),
    Step(1094, _LENA, actions.add_device(4800)),
    Step(1093, _MARA, actions.calibrate(4800, "g7-4800-1.jpg", 24)),
    Step(1090, _LENA, _added("S-1000", 1000, "rack 1")),
    Step(1088, _MARA, Checked("S-1000", 600, ("s1000-1.jpg",))),
    Step(1085, _LENA, _added("S-0075", 75, "rack 3")),
    Step(1083, _MARA, Checked("S-0075", 4800, ("s0075-1.png",))),
    Step(1080, _LENA, _added("S-0500", 500, "rack 1")),
    Step(1078, _MARA, Checked("S-0500", 1200, ("s0500-1.png",))),
    Step(1000, _LENA, _added("S-0250", 250, "rack 2", uses=120)),
    Step(999, _LENA, actions.add_device(2400)),
    Step(999, _MARA, actions.calibrate(2400, "g7-2400-1.jpg", 24)),
    Step(998, _LENA, proof_actions.scanner()),
    Step(998, _MARA, Checked("S-0250", 2400, ("s0250-1.png",))),
    Step(997, _LENA, _added("S-0076", 75, "rack 3")),
    Step(996, _MARA, Checked("S-0076", 4800, ("s0076-1.png",))),
    Step(940, _IDRIS, Used("S-0075", 110, "quartz, batch work")),
    Step(905, _IDRIS, Used("S-0076", 70, "quartz")),
    Step(900, _LENA, _added("S-0125", 125, "rack 2")),
    Step(898, _IDRIS, Checked("S-0125", 4800, ("s0125-1.tif",))),
    Step(800, _LENA, _added("S-0045", 45, "rack 3")),
    Step(798, _IDRIS, Checked("S-0045", 4800, ("s0045-1.png",))),
    Step(730, _MARA, Checked("S-0075", 4800, ("s0075-2.png",))),
    Step(728, _MARA, Checked("S-0076", 4800, ("s0076-2.png",))),
    Step(725, _MARA, Checked("S-1000", 600, ("s1000-2.jpg",))),
    Step(715, _MARA, Checked("S-0500", 1200, ("s0500-2.png",))),
    Step(640, _IDRIS, Checked("S-0250", 2400, ("s0250-2.png",))),
    Step(540, _IDRIS, Checked("S-0125", 4800, ("s0125-2.tif",))),
    Step(560, _IDRIS, Used("S-0500", 140, "from the paper log of the shaker", recorded_late=24)),
    Step(520, _IDRIS, Used("S-0076", 70, "quartz")),
    Step(430, _IDRIS, Checked("S-0045", 4800, ("s0045-2.png",))),
    Step(425, _IDRIS, actions.cement("S-0045", 8.6, 8.5, 8.7)),
    Step(390, _IDRIS, Used("S-0075", 130, "quartz, batch work")),
    Step(372, _MARA, Checked("S-0075", 4800, ("s0075-3.png",))),
    Step(370, _MARA, Checked("S-0076", 4800, ("s0076-3.png",))),
    Step(354, _MARA, Checked("S-1000", 600, ("s1000-3.jpg",))),
    Step(352, _MARA, Checked("S-0500", 1200, ("s0500-3.png",))),
    Step(350, _LENA, actions.add_stack("S-1000", "S-0500", "S-0250")),
    Step(290, _MARA, actions.calibrate(2400, "g7-2400-2.jpg", 12)),
    Step(285, _IDRIS, Checked("S-0250", 2400, ("s0250-3.png",))),
    Step(230, _IDRIS, Used("S-0045", 60)),
    Step(182, _MARA, actions.calibrate(4800, "g7-4800-2.jpg", 12)),
    Step(180, _IDRIS, Checked("S-0125", 4800, ("s0125-3.tif",))),
    Step(179, _LENA, actions.retire("S-0125", _FELL)),
    Step(179, _LENA, proof_actions.raise_finding(_NO_EDGE, "S-0125", "7.4.1")),
    Step(170, _IDRIS, Used("S-0076", 70, "quartz")),
    Step(155, _LENA, proof_actions.settle_finding("F-0001", *_EDGE_MADE)),
    Step(150, _IDRIS, Used("S-0075", 160, "quartz, batch work")),
    Step(90, _IDRIS, Used("S-0500", 150, "limestone")),
    Step(60, _IDRIS, actions.run_stack(8, 3)),
    Step(48, _IDRIS, Used("S-0250", 125, "moist clay")),
    Step(40, _LENA, _added("S-2000", 2000, "rack 1")),
    Step(40, _LENA, actions.name_rule("S-2000", "probability:0.95")),
    Step(39, _MARA, Checked("S-2000", 600, ("s2000-1a.tif", "s2000-1b.tif"), further=1)),
    Step(36, _LENA, proof_actions.certificate("S-2000", "2001.5", "1994.0", "4.0")),
    Step(21, _MARA, Checked("S-0500", 1200, ("s0500-4a.png",))),
    Step(
        20,
        _MARA,
        Checked(
            "S-0500",
            1200,
            ("s0500-4a.png", "s0500-4b.png", "s0500-4c.png"),
            further=3,
            accept_scan="the field of the day before, with further fields",
        ),
    ),
    Step(20, _LENA, actions.edit("S-0500", interval_months=6)),
    Step(19, _MARA, actions.beads("S-0500", 60.10, 38.05)),
    Step(18, _MARA, actions.master("S-0500", (36.2, 37.4), (36.0, 37.1), (36.4, 37.3))),
    Step(17, _LENA, actions.repeatability("S-0500-by-person")),
    Step(16, _LENA, proof_actions.issue_report("S-0500", "Example Quarry")),
    Step(14, _MARA, actions.calibrate(2400, "g7-2400-3.jpg", 12)),
    Step(12, _IDRIS, Checked("S-0250", 2400, ("s0250-4.png",))),
    Step(9, _MARA, Checked("S-1000", 1200, ("s1000-4.png",), in_scan=True)),
    Step(8, _MARA, Checked("S-0076", 4800, ("s0076-4.png",))),
    Step(6, _MARA, Checked("S-0075", 4800, ("s0075-4.png",))),
    Step(5, _LENA, actions.decide("S-0075", "retire")),
    Step(5, _LENA, proof_actions.raise_finding(_WORN, "S-0075", "7.10.1")),
    Step(4, _IDRIS, Mislabelled(Checked("S-0076", 4800, ("s0075-5.png",), further=0))),
)
