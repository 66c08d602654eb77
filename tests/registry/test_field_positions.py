"""Where the fields of a check lie: read, kept with the check, held against the cloth, drawn.

Places are those the sampling plan lists: mm from the centre of the sieve, x right, y down.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from program import Program
from registry_made import SCALE, MadeMeasurement, Measuring
from sieve_inspect.errors import BadTableError, UsageError
from sieve_registry.checks import commands, positions
from sieve_registry.checks.errors import OverlappingFieldsError
from sieve_registry.checks.positions import PlacedField, Position
from sieve_registry.checks.queries import get_check
from sieve_registry.exchange.position_table import positions_of_table
from sieve_registry.ledger.records import NewSieve
from sieve_registry.report.fields_map import fields_svg
from sieve_registry.scales.environment import NOT_RECORDED
from sieve_registry.sieves import commands as sieve_commands
from sieve_registry.sieves.recording import RecordTerms
from sieve_registry.store.engine import Registry

DATABASES = ("sqlite",)
ADA = RecordTerms(by="Ada Moss")
FILES = [Path("S-0038-x+10-y-2.5.png"), Path("S-0038_X0 y12.png")]
PLACES = (Position(10.0, -2.5), Position(0.0, 12.0))


def field(x: float, y: float, size: tuple[float, float] = (2.0, 1.0)) -> PlacedField:
    return PlacedField(f"{x:g}.png", Position(x, y), size, None)


@pytest.mark.parametrize("typed", ["names", "10,-2.5 0,12", "10,-2.5;\n0,12\n"])
def test_positions_are_typed_or_in_the_names_of_the_files(typed: str) -> None:
    assert positions.read_positions(typed, FILES) == PLACES


def test_a_table_names_each_file_in_any_order(tmp_path: Path) -> None:
    table = tmp_path / "stage.csv"
    table.write_text(f"file;x_mm;y_mm\n{FILES[1].name};0;12\n{FILES[0].name};10;-2.5\n")
    assert positions_of_table(table, FILES) == PLACES
    with pytest.raises(UsageError, match=r"has no row for other\.png"):
        positions_of_table(table, [Path("other.png")])
    table.write_text("file,x_mm,y_mm\na.png,0,far\n")
    with pytest.raises(BadTableError, match="line 2"):
        positions_of_table(table, [Path("a.png")])


@pytest.mark.parametrize(
    ("typed", "reason"),
    [
        ("1,2", "1 positions for 2 scans"),
        ("1,2 3;4", "3 positions for 2 scans"),
        ("1,2 3,x", "'3,x' is no position"),
        ("1,2 3,nan", "not plausible"),
        ("1,2 3,1e9", "not plausible"),
    ],
)
def test_what_is_no_position_is_refused(typed: str, reason: str) -> None:
    with pytest.raises(UsageError, match=reason):
        positions.read_positions(typed, FILES)


def test_a_name_without_a_position_is_refused() -> None:
    with pytest.raises(UsageError, match=r"field-1\.png holds no position"):
        positions.read_positions("names", [Path("field-1.png")])


def test_shares_of_overlapping_fields_by_hand() -> None:
    # Fields of 2 x 1 mm: shifted by 1.5 in x and 0.5 in y they share 0.5 x 0.5 of 2 mm2.
    assert positions.overlap_share(field(0, 0), field(1.5, 0.5)) == pytest.approx(0.125)
    assert positions.overlap_share(field(0, 0), field(2.0, 0)) == 0
    assert positions.overlap_share(field(0, 0, (4, 4)), field(0.5, 0.5)) == 1


def test_places_and_cloth_that_disagree_are_named() -> None:
    apart = [field(0, 0), field(10, 0)]
    near = [field(0, 0), field(1, 0)]
    alone, shared = [{"overlap": 0}, {"overlap": 0}], [{"overlap": 0}, {"overlap": 40}]
    assert positions.contradictions(apart, alone) == []
    assert positions.contradictions(near, shared) == []
    assert positions.unconfirmed_overlaps(near, shared) == []
    (twice,) = positions.unconfirmed_overlaps(near, alone)
    assert "1.png shows 50 % of 0.png again" in twice
    (other,) = positions.contradictions(apart, shared)
    assert "shows 40 apertures of an earlier scan, and its position lies apart" in other


def test_a_quarter_turned_picture_has_its_sides_by_the_label() -> None:
    document = {
        "scale": {"um_per_px_x": 2.0, "um_per_px_y": 3.0},
        "images": [{"file": "a.png", "width_px": 1000, "height_px": 500}],
    }
    (upright,) = positions.placed_fields(document, [Position(0, 0)])
    (turned,) = positions.placed_fields({**document, "turned_deg": 90.0}, [Position(0, 0)])
    assert upright.size_mm == (2.0, 1.5)
    assert turned.size_mm == (1.5, 2.0)


def test_the_map_draws_the_frame_only_around_fields_that_lie_in_it() -> None:
    fields = [field(0, 0), field(30, 40)]  # 50 mm from the centre
    assert fields_svg(()) is None
    in_frame, beyond = fields_svg(fields, 200_000_000), fields_svg(fields, 90_000_000)
    assert str(in_frame).count("stroke-dasharray") > str(beyond).count("stroke-dasharray")


def test_a_check_keeps_its_positions_and_asks_about_overlaps(
    registry: Registry, measuring: Measuring, tmp_path: Path
) -> None:
    sieve_commands.add_sieve(registry, NewSieve("S-1", 75.0), by="Ada Moss")
    scans = [tmp_path / "a.tif", tmp_path / "b.tif"]
    for scan in scans:
        scan.write_bytes(scan.name.encode())
    taken = commands.take(
        registry, "S-1", scans, scale=SCALE, encoding="auto", terms=ADA, measure=measuring
    )
    size = {"width_px": 1000, "height_px": 1000}  # the made document has none
    images = [{**image, **size} for image in taken.document["images"]]
    taken = replace(taken, document={**taken.document, "images": images})
    places = [Position(0.0, 0.0), Position(0.25, -1.5)]
    taken = commands.in_environment(taken, NOT_RECORDED, places)
    with pytest.raises(OverlappingFieldsError, match=r"b\.tif shows 68 % of a\.tif again"):
        commands.accepting(taken)
    taken = commands.accepting(taken, scan="the stage stuck")
    check = get_check(registry, commands.record(registry, taken, ADA, "ok"))
    payload: dict[str, Any] = json.loads(check.event.payload)
    assert [image["position_mm"] for image in payload["images"]] == [
        ["0.0", "0.0"],
        ["0.25", "-1.5"],
    ]
    (warning,) = payload["warnings"]
    assert warning.endswith("apertures count twice; recorded because: the stage stuck")
    placed = positions.fields_of_check(payload, taken.document)
    assert [one.position for one in placed] == [Position(0.0, 0.0), Position(0.25, -1.5)]
    assert placed[0].nearest_mm == pytest.approx(1.520691)  # by Pythagoras


def test_the_command_takes_the_positions_from_the_names_of_the_files(
    run: Program, measuring: Measuring, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def measured(images: list[Path], **options: Any) -> MadeMeasurement:
        made = measuring(images, **options)
        for image in made.images:
            image |= {"width_px": 1000, "height_px": 1000}
        return made

    monkeypatch.setattr(commands, "measure_scans", measured)
    run("sieve", "add", "S-1", "--nominal", "75um", "--by", "Ada Moss")
    scans = [tmp_path / "S-1-x+10-y0.tif", tmp_path / "S-1-x-10-y0.5.tif"]
    for scan in scans:
        scan.write_bytes(scan.name.encode())
    words = ("--um-per-px", "5.29", "--visual", "ok", "--by", "Ada Moss", "--json", "-")
    code, out, _ = run("check", "S-1", *scans, "--positions", "names", *words)
    assert code == 0
    images = json.loads(out)["images"]
    assert [image["position_mm"] for image in images] == [["10.0", "0.0"], ["-10.0", "0.5"]]
    code, _, err = run("check", "S-1", *scans, "--positions", "1,2", *words)
    assert (code, "1 positions for 2 scans" in err) == (2, True)
