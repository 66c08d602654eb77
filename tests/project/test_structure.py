"""The structure of the source: no import cycles, complete layers, small functions and files."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from source_tree import (
    PACKAGES,
    ROOT,
    find_cycle,
    find_modules,
    function_sizes,
    import_graph,
    parse,
)

MODULES = {
    name: path for package in PACKAGES.values() for name, path in find_modules(package).items()
}
FLAT_MODULES = 6
ROOMS = 14
LINES_OF_A_FILE = 400
LINES_OF_A_FUNCTION = 80
COMPLEXITY = 18
PARAMETERS = 10  # commands take one for each option


def test_no_module_imports_itself_by_way_of_others() -> None:
    assert find_cycle(import_graph(MODULES)) == []


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("from room import second\n", "from room import first\n"),
        ("from . import second\n", "def late():\n    from room.first import name\n"),
        ("import room.second\n", "import room.first as other\n"),
    ],
)
def test_a_cycle_is_seen_although_one_import_is_lazy(
    tmp_path: Path, first: str, second: str
) -> None:
    package = tmp_path / "room"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "first.py").write_text(first)
    (package / "second.py").write_text(second)
    assert set(find_cycle(import_graph(find_modules(package)))) == {"room.first", "room.second"}


def test_an_import_for_types_alone_makes_no_cycle(tmp_path: Path) -> None:
    package = tmp_path / "room"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "first.py").write_text("from room import second\n")
    (package / "second.py").write_text("if TYPE_CHECKING:\n    from room import first\n")
    assert find_cycle(import_graph(find_modules(package))) == []


@pytest.mark.parametrize("package", PACKAGES)
def test_the_layers_name_every_module_at_the_top_of_a_package(package: str) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    (contract,) = (
        contract
        for contract in project["tool"]["importlinter"]["contracts"]
        if package in contract.get("containers", ())
    )
    assert contract["exhaustive"]
    layers = {name.strip() for layer in contract["layers"] for name in layer.split("|")}
    top = {name.split(".")[1] for name in MODULES if name.startswith(f"{package}.")}
    assert layers == top


def test_the_registry_has_few_rooms_and_few_modules_outside_of_them() -> None:
    package = PACKAGES["sieve_registry"]
    flat = [path.name for path in package.glob("*.py") if path.name != "__init__.py"]
    rooms = [path.parent.name for path in package.glob("*/__init__.py")]
    assert len(flat) <= FLAT_MODULES, flat
    assert len(rooms) <= ROOMS, rooms


def test_files_are_short() -> None:
    lines = {
        name: len(path.read_text(encoding="utf-8").splitlines()) for name, path in MODULES.items()
    }
    assert {name: count for name, count in lines.items() if count > LINES_OF_A_FILE} == {}


def test_functions_are_small() -> None:
    sizes = [size for name, path in MODULES.items() for size in function_sizes(name, parse(path))]
    assert [size for size in sizes if size.lines > LINES_OF_A_FUNCTION] == []
    assert [size for size in sizes if size.complexity > COMPLEXITY] == []
    outside = [size for size in sizes if ".cli." not in size.name]
    assert [size for size in outside if size.parameters > PARAMETERS] == []


def test_the_top_level_holds_the_documents_and_the_four_folders() -> None:
    made = {"sieveward-demo", "build", "dist"}
    names = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} - made
    documents = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"}
    assert names == documents | {"inspect", "registry", "tests", "fixtures", "demo_images"}
