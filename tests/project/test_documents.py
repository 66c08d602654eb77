"""The documents agree with the code."""

from __future__ import annotations

import ast
import importlib
import pkgutil
import re
import sys
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import pytest

import documents
import sieve_inspect
import sieve_registry
from command_words import COMMANDS, GROUP, unknown_words
from sieve_inspect.errors import SievewardError, UsageError
from sieve_inspect.standard import list_standards
from sieve_registry.cli.main import main
from source_tree import PACKAGES, ROOT, find_modules, parse

DOCUMENTS = documents.find_documents()
ROWS = [
    row
    for document in DOCUMENTS
    for row in documents.table_rows(documents.read(document))
    if len(row) > 1
]
MODULES = {
    name: path for package in PACKAGES.values() for name, path in find_modules(package).items()
}


def error_classes(base: type[SievewardError] = SievewardError) -> Iterator[type[SievewardError]]:
    for error in base.__subclasses__():
        yield error
        yield from error_classes(error)


def is_branch(error: type[SievewardError]) -> bool:
    """A class that only gathers others; it lends the first of them its code."""
    return any(vars(kin).get("exit_code") == error.exit_code for kin in error.__subclasses__())


def load_everything() -> None:
    for package in (sieve_inspect, sieve_registry):
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if ".migrations." not in module.name:
                importlib.import_module(module.name)


def test_the_table_of_exit_codes_is_that_of_the_classes() -> None:
    load_everything()
    classes = [
        error for error in error_classes() if "exit_code" in vars(error) and not is_branch(error)
    ]
    own = sorted((error.exit_code, error.__name__) for error in classes)
    shown = [
        (int(row[0]), row[1].strip("`")) for row in ROWS if re.fullmatch(r"`\w+Error`", row[1])
    ]
    assert sorted(shown) == own
    assert len({code for code, _ in own}) == len(own)
    for error in classes:
        expected = {2} if issubclass(error, UsageError) else range(10, 72)
        assert error.exit_code in expected


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_answers_programs(name: str) -> None:
    assert "--json" in [option for given in COMMANDS[name].params for option in given.opts]
    assert COMMANDS[name].help


@pytest.mark.parametrize("document", DOCUMENTS, ids=str)
def test_commands_in_documents_are_those_of_the_program(document: Path) -> None:
    text = documents.read(document)
    for command in documents.shell_commands(text):
        if Path(command[0]).name == "sieveward":
            assert unknown_words(command[1:]) == [], command
    for mention in re.findall(r"`sieveward ([a-z][^`\n]*)`", text):
        words = mention.replace("…", "").split()
        named = [word for word in words if re.fullmatch(r"-{0,2}[a-z][a-z-]*", word)]
        assert unknown_words(named) == [], mention


@pytest.mark.parametrize(
    ("line", "unknown"),
    [
        ("sieveward mesure scan.png", ["mesure"]),
        ("sieveward --registry lab.sqlite sieve show S-1 --jason -", ["--jason"]),
        ("sieveward check --by Ada --scale S.json ID scan.png && .venv/bin/sieveward due", []),
    ],
)
def test_a_wrong_command_in_a_document_is_seen(line: str, unknown: list[str]) -> None:
    commands = list(documents.shell_commands(f"```sh\n{line}\n```"))
    assert [word for command in commands for word in unknown_words(command[1:])] == unknown


@pytest.mark.parametrize("document", DOCUMENTS, ids=str)
def test_files_named_in_commands_are_there(document: Path) -> None:
    for command in documents.shell_commands(documents.read(document)):
        for word in command:
            if word.startswith(("tests/", "fixtures/", "demo_images/", "inspect/", "registry/")):
                assert list(ROOT.glob(word)), word


@pytest.mark.parametrize("document", DOCUMENTS, ids=str)
def test_python_in_documents_names_what_the_package_offers(document: Path) -> None:
    for block in documents.code_blocks(documents.read(document), "python"):
        for node in ast.walk(ast.parse(block)):
            if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "si":
                assert hasattr(sieve_inspect, node.attr), node.attr


def test_help_shows_every_command_in_a_group() -> None:
    panels = [getattr(command, "rich_help_panel", None) for command in GROUP.commands.values()]
    assert all(panels)


def test_the_version_is_printed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["sieveward", "--version"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    assert capsys.readouterr().out == f"sieveward {version('sieveward')}\n"


def test_the_table_of_standards_is_complete() -> None:
    first = [re.match(r"`([a-z0-9-]+:\d{4})`", row[0]) for row in ROWS]
    assert sorted({match[1] for match in first if match}) == sorted(list_standards())


def test_the_checks_run_the_very_commands_of_the_readme() -> None:
    blocks = documents.code_blocks(documents.read(Path("README.md")), "sh")
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    for command in (blocks[0].strip(), blocks[1].strip()):
        assert "\n" not in command
        assert command in run
    assert (ROOT / ".ci" / "run").stat().st_mode & 0o111


@pytest.mark.parametrize("document", DOCUMENTS, ids=str)
def test_links_lead_somewhere(document: Path) -> None:
    for target in documents.link_targets(documents.read(document)):
        if not re.match(r"https?:|mailto:", target):
            name, _, anchor = target.partition("#")
            file = ROOT / document.parent / name if name else ROOT / document
            assert file.exists(), target
            if anchor:
                assert anchor in documents.anchors(file.read_text(encoding="utf-8")), target


def test_the_documents_are_there() -> None:
    assert {"README.md", "DEVELOPERS.md", "CHANGELOG.md"} <= {str(path) for path in DOCUMENTS}


def test_the_picture_in_the_readme_is_small() -> None:
    assert (ROOT / "demo_images" / "report.png").stat().st_size < 400_000


def test_the_changes_of_this_version_are_listed() -> None:
    assert f"## {version('sieveward')}" in documents.read(Path("CHANGELOG.md"))


def _rank(name: str) -> tuple[int, str]:
    """CONSTANTS, then Classes, then functions, each by letter."""
    return (0 if name.isupper() else 1 if name[0].isupper() else 2), name


@pytest.mark.parametrize("module", MODULES)
def test_public_names_of_a_module_are_sorted_and_defined(module: str) -> None:
    defined: set[str] = set()
    offered = None
    for node in ast.walk(parse(MODULES[module])):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            defined.add(node.name)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            defined |= {alias.asname or alias.name for alias in node.names}
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            defined.add(node.id)
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            offered = ast.literal_eval(node.value)
    if offered is not None:
        assert offered == sorted(set(offered), key=_rank)
        module_there = importlib.import_module(module)
        assert all(name in defined or hasattr(module_there, name) for name in offered)
