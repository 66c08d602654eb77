"""A check knows its cloth: swapped labels, retired sieves, new cloth, quarter turns."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clock import Clock
from made_cloth import KNOWN, Loom, seen, woven
from present import present
from program import Program
from registry_made import SCALE, Measuring
from sieve_inspect.identity.cloth_map import TURNS, ClothMap
from sieve_inspect.identity.codec import from_bytes, to_bytes
from sieve_inspect.identity.comparison import compare_maps
from sieve_registry.audit import verification
from sieve_registry.checks import commands as check_commands
from sieve_registry.checks import queries as check_queries
from sieve_registry.checks.cloth import Recognised, _Kept, _own
from sieve_registry.checks.errors import OtherClothError
from sieve_registry.ledger.events import CheckRecorded
from sieve_registry.ledger.records import CheckDetail
from sieve_registry.outlook.commands import replace_cloth
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.facts import facts_of
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

DATABASES = ("sqlite",)
ADA = RecordTerms(by="Ada Moss")
CLOTHS = {name: woven(np.random.default_rng(i), (30, 32), Loom()) for i, name in enumerate("abc")}


def cloth(name: str, seed: int, **more: Any) -> ClothMap:
    return seen(CLOTHS[name], np.random.default_rng(100 + seed), **more)


@pytest.fixture
def take(registry: Registry, scan: Path, measuring: Measuring) -> Callable[..., Any]:
    """Measures scans that show these maps, for a sieve."""

    def taking(sieve: str, *maps: ClothMap) -> check_commands.Taken:
        scan.write_bytes(to_bytes(maps[0]))  # another file each time
        measuring.cloths = maps
        return check_commands.take(
            registry, sieve, [scan], scale=SCALE, encoding="auto", terms=ADA, measure=measuring
        )

    return taking


@pytest.fixture
def check_cloth(registry: Registry, take: Callable[..., Any]) -> Callable[..., CheckDetail]:
    """Records a check that shows these maps."""

    def checking(sieve: str, *maps: ClothMap, reason: str = "") -> CheckDetail:
        taken = check_commands.accepting(take(sieve, *maps), reason)
        return check_queries.get_check(registry, check_commands.record(registry, taken, ADA))

    return checking


def link_of(registry: Registry, detail: CheckDetail) -> Any:
    facts = facts_of(registry, None, [CheckRecorded])
    return next(f.payload.cloth for f in facts if f.payload.check == detail.check.id)


def test_a_check_keeps_the_map_of_its_cloth(
    registry: Registry, add: Callable[..., Any], check_cloth: Callable[..., CheckDetail]
) -> None:
    add("S-1")
    detail = check_cloth("S-1", cloth("a", 1))
    (kept,) = [file for file in detail.evidence if file.role == "cloth"]
    assert kept.name == "field-1.cloth"
    assert kept.size < 10_000
    read = from_bytes(check_queries.evidence_bytes(registry, kept.sha256))
    np.testing.assert_allclose(read.width, cloth("a", 1).width, atol=0.01)
    assert link_of(registry, detail) is None  # nothing to compare it with
    assert verification.verify(registry).ok


def test_the_same_cloth_is_recognised_and_its_change_recorded(
    registry: Registry, add: Callable[..., Any], check_cloth: Callable[..., CheckDetail],
    take: Callable[..., Any],
) -> None:  # fmt: skip
    add("S-1")
    check_cloth("S-1", cloth("a", 1))
    check_cloth("S-1", cloth("a", 2, wear=0.2))
    taken = take("S-1", cloth("a", 3, wear=0.5))
    assert taken.cloth.state == Recognised.OWN
    assert "that of check C-0001" in taken.cloth.sentence  # the first, so that changes add up
    link = link_of(registry, check_cloth("S-1", cloth("a", 3, wear=0.5)))
    assert (link.sieve, link.check, link.exchanged, link.accepted) == ("S-1", "C-0001", False, "")
    assert link.change_x_um == pytest.approx(0.5, abs=2 * link.u_x_um)
    assert link.u_x_um < 0.05


def test_a_device_calibrated_again_keeps_the_change_sharp(
    registry: Registry, add: Callable[..., Any], check_cloth: Callable[..., CheckDetail]
) -> None:
    """An edge bias known to 0.3 um of each scan, of one device or of two."""
    add("S-1")
    own = replace(KNOWN, bias=(0.3, 0.3), scale="of 2025", device="F-1, 4800 dpi", lamp="a")
    check_cloth("S-1", cloth("a", 1, known=own))
    again = replace(own, scale="of 2026")
    link = link_of(registry, check_cloth("S-1", cloth("a", 2, known=again, wear=0.3)))
    assert link.change_x_um == pytest.approx(0.3, abs=2 * link.u_x_um)
    assert 2 * link.u_x_um < 0.15
    assert link.shared.scale_after == (0, 0)
    elsewhere = check_cloth("S-1", cloth("a", 3, known=replace(again, device="F-2, 4800 dpi")))
    link = link_of(registry, elsewhere)
    assert 2 * link.u_x_um > 0.8
    assert link.shared.scales == ("F-1, 4800 dpi, lamp a", "F-2, 4800 dpi, lamp a")


def test_a_swapped_label_is_refused_before_anything_is_recorded(
    registry: Registry, add: Callable[..., Any], check_cloth: Callable[..., CheckDetail]
) -> None:
    for name in ("S-1", "S-2"):
        add(name)
    check_cloth("S-1", cloth("a", 1))
    check_cloth("S-2", cloth("b", 2))
    with pytest.raises(OtherClothError, match=r"last seen as S-1 in check C-0001 .* label S-2"):
        check_cloth("S-2", cloth("a", 3))
    assert verification.verify(registry).events == 4
    accepted = check_cloth("S-2", cloth("a", 3), reason="the labels were swapped")
    assert link_of(registry, accepted).accepted == "the labels were swapped"
    assert (
        "recorded because: the labels were swapped"
        in json.loads(accepted.event.payload)["warnings"][0]
    )


def test_a_retired_sieve_that_comes_back_is_recognised(
    registry: Registry, add: Callable[..., Any], check_cloth: Callable[..., CheckDetail],
    clock: Clock,
) -> None:  # fmt: skip
    add("S-1")
    check_cloth("S-1", cloth("a", 1))
    sieve_commands.retire(registry, "S-1", "worn out", by="Ada Moss")
    clock.set("2026-05-01")
    add("S-9")
    with pytest.raises(OtherClothError, match=r"retired on 2026-03-02 \(worn out\)"):
        check_cloth("S-9", cloth("a", 2))


def test_another_cloth_in_the_frame_is_new_cloth(
    registry: Registry, add: Callable[..., Any], check_cloth: Callable[..., CheckDetail],
    clock: Clock,
) -> None:  # fmt: skip
    add("S-1")
    check_cloth("S-1", cloth("a", 1, whole=True))
    with pytest.raises(OtherClothError, match="another cloth than that of sieve S-1"):
        check_cloth("S-1", cloth("b", 2, whole=True))
    clock.set("2026-04-01")
    replace_cloth(registry, "S-1", "torn", ADA)
    with pytest.raises(OtherClothError, match="still the cloth of check C-0001"):
        check_cloth("S-1", cloth("a", 3, whole=True))
    check_cloth("S-1", cloth("b", 2, whole=True))


def test_places_without_a_common_part_raise_no_objection(
    registry: Registry, add: Callable[..., Any], check_cloth: Callable[..., CheckDetail]
) -> None:
    add("S-1")
    check_cloth("S-1", cloth("a", 1))
    assert link_of(registry, check_cloth("S-1", cloth("c", 2))) is None


def quarter_turned(seed: int) -> ClothMap:
    """Cloth a, a quarter turned: what its first check calls x has worn, and here it is y."""
    wear = np.array([0.0, 0.4])[:, None, None]
    return seen(TURNS[1].of_pair(CLOTHS["a"]), np.random.default_rng(seed), wear=wear)


def test_a_quarter_turned_sieve_has_x_and_y_by_its_cloth(
    registry: Registry, add: Callable[..., Any], check_cloth: Callable[..., CheckDetail]
) -> None:
    add("S-1")
    check_cloth("S-1", cloth("a", 1))
    detail = check_cloth("S-1", quarter_turned(7))
    link = link_of(registry, detail)
    assert link.turned
    assert not link.exchanged  # x is recorded as x of the first check
    assert link.change_x_um == pytest.approx(0.4, abs=2 * link.u_x_um)
    assert link.change_y_um == pytest.approx(0.0, abs=2 * link.u_y_um)
    said = json.loads(detail.event.payload)["warnings"][0]
    assert said == (
        "by its cloth the sieve lay a quarter turn from where its label says: x and y are set by "
        "the cloth, as in check C-0001"
    )
    (kept,) = [file for file in detail.evidence if file.role == "cloth"]
    recorded = from_bytes(check_queries.evidence_bytes(registry, kept.sha256))
    np.testing.assert_allclose(np.nanmean(recorded.width[0]), CLOTHS["a"][0].mean() + 0.4, atol=0.1)


def test_one_scan_of_several_that_lay_a_quarter_turned(
    registry: Registry, add: Callable[..., Any], take: Callable[..., Any]
) -> None:
    add("S-1")
    check_commands.record(registry, take("S-1", cloth("a", 1)), ADA)
    taken = take("S-1", cloth("a", 3), quarter_turned(8), cloth("b", 4))
    assert taken.cloth.turned == (False, True, None)
    assert "in 1 of 3 scans it lay" in taken.cloth.remarks[0]


def test_a_check_recorded_a_quarter_turned_does_not_decide() -> None:
    """Earlier versions kept such checks by their label: the first check has the directions."""
    kept = _Kept("S-1", "C-0002", date(2026, 3, 2), 7, ())
    match = compare_maps(quarter_turned(7), cloth("a", 3))
    known = _own(kept, [(0, match)], 2, askew=True)
    assert known.turned == (False, None)  # it lies as the first check
    assert known.remarks == ()
    link = present(known.link)
    assert (link.exchanged, link.turned) == (True, False)


def test_a_stated_turn_that_the_cloth_contradicts_is_refused(
    registry: Registry, run: Program, add: Callable[..., Any],
    check_cloth: Callable[..., CheckDetail], scan: Path, measuring: Measuring,
) -> None:  # fmt: skip
    add("S-1")
    check_cloth("S-1", cloth("a", 1))
    measuring.cloths = (quarter_turned(2),)
    scan.write_bytes(to_bytes(quarter_turned(2)))
    order = ("check", "S-1", scan, "--um-per-px", "5.29")
    for stated in ("0", "180"):
        code, _, err = run(*order, "--turned", stated)
        assert code == 2
        assert f"stated as turned by {stated}°, but by its cloth" in err
        assert "leave --turned out" in err
    assert verification.verify(registry).events == 2
    code, out, _ = run(*order)
    assert code == 0
    assert "by its cloth the sieve lay a quarter turn" in " ".join(out.split())


def test_a_damaged_map_is_left_to_verify(
    registry: Registry, add: Callable[..., Any], check_cloth: Callable[..., CheckDetail],
    take: Callable[..., Any],
) -> None:  # fmt: skip
    add("S-1")
    detail = check_cloth("S-1", cloth("a", 1))
    (kept,) = [file for file in detail.evidence if file.role == "cloth"]
    from registry_made import evidence_folder

    path = evidence_folder(registry).path_of(kept.sha256, kept.extension)
    path.chmod(0o644)
    path.write_bytes(b"damaged")
    assert take("S-1", cloth("a", 2)).cloth.state == Recognised.UNKNOWN
    assert not verification.verify(registry).ok


def test_a_file_that_is_no_map_is_refused() -> None:
    good = to_bytes(replace(cloth("a", 1), known=KNOWN))
    for bad in (b"", b"{}\n", good[:-40], good.replace(b"cloth/1", b"cloth/9")):
        with pytest.raises(ValueError, match=r"."):
            from_bytes(bad)


def test_the_command_names_the_option(
    registry: Registry, run: Program, add: Callable[..., Any],
    check_cloth: Callable[..., CheckDetail], scan: Path, measuring: Measuring,
) -> None:  # fmt: skip
    for name in ("S-1", "S-2"):
        add(name)
    check_cloth("S-1", cloth("a", 1))
    measuring.cloths = (cloth("a", 2),)
    scan.write_bytes(to_bytes(cloth("a", 2)))  # another file
    order = ("check", "S-2", scan, "--um-per-px", "5.29")
    code, _, err = run(*order)
    assert code == 60
    assert "--accept-cloth REASON" in err
    code, out, _ = run(*order, "--accept-cloth", "the rims were exchanged", "--json", "-")
    assert code == 0
    assert "exchanged" in out
