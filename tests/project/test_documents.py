"""What the documents say is what the code does."""

from __future__ import annotations

import ast
import importlib
import pkgutil
import re
import sys
from importlib.metadata import version
from pathlib import Path

import pytest
import typer

import sieve_inspect
import sieve_registry
from sieve_inspect.errors import SievewardError, UsageError
from sieve_inspect.standard import list_standards
from sieve_registry.cli.main import app, main

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
MODULES = sorted([*(ROOT / "inspect").rglob("*.py"), *(ROOT / "registry").rglob("*.py")])


def rows(columns):
    """The cells of the README's tables that have so many columns, header and rule left out."""
    lines = [line for line in README.splitlines() if line.startswith("|")]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return [row for row in cells if len(row) == columns and not set(row[0]) <= set("-: ")]


def error_classes(base=SievewardError):
    for one in base.__subclasses__():
        yield one
        yield from error_classes(one)


def is_branch(one):
    """A class that only gathers others; it lends the first of them its code."""
    return any(vars(kin).get("exit_code") == one.exit_code for kin in one.__subclasses__())


def load_everything() -> None:
    for package in (sieve_inspect, sieve_registry):
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if ".migrations." not in module.name:
                importlib.import_module(module.name)


def test_the_table_of_exit_codes_is_that_of_the_classes() -> None:
    load_everything()
    own = {
        (one.exit_code, one.__name__)
        for one in error_classes()
        if "exit_code" in vars(one) and not is_branch(one)
    }
    told = {(int(row[0]), row[1].strip("`")) for row in rows(3) if row[0].isdigit() and row[1]}
    assert told == own
    codes = [code for code, _ in own]
    assert len(set(codes)) == len(codes)
    for code, name in own:
        kin = [one for one in error_classes() if one.__name__ == name]
        expected = {2} if issubclass(kin[0], UsageError) else set(range(10, 60))
        assert code in expected


def commands(group=None, path=()):
    group = group or typer.main.get_command(app)
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            yield from commands(command, (*path, name))
        else:
            yield " ".join((*path, name)), command


COMMANDS = dict(commands())


def test_the_table_of_commands_is_that_of_the_program() -> None:
    told = [row[0].strip("`").removeprefix("sieveward ") for row in rows(2) if "`" in row[0]]
    assert sorted(told) == sorted(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_answers_programs(name) -> None:
    assert "--json" in [option for one in COMMANDS[name].params for option in one.opts]
    assert COMMANDS[name].help


def test_help_shows_every_command_in_a_group() -> None:
    shown = typer.main.get_command(app)
    assert all(command.rich_help_panel for command in shown.commands.values())


def test_the_version_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["sieveward", "--version"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    assert capsys.readouterr().out == f"sieveward {version('sieveward')}\n"


def test_the_table_of_standards_is_complete() -> None:
    told = [re.match(r"`([^`]+)`", row[0])[1] for row in rows(3) if ":" in row[0]]
    assert sorted(told) == sorted(list_standards())


def test_the_checks_run_the_very_commands_of_the_readme() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    for command in (blocks[0].strip(), blocks[1].strip()):
        assert "\n" not in command
        assert command in run
    assert (ROOT / ".ci" / "run").stat().st_mode & 0o111


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_links_lead_somewhere(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert (ROOT / target).is_file(), target


def test_the_picture_in_the_readme_is_small() -> None:
    assert (ROOT / "demo_images" / "report.png").stat().st_size < 400_000


def test_the_changes_of_this_version_are_told() -> None:
    assert f"## {version('sieveward')}" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def _rank(name):
    """CONSTANTS, then Classes, then functions, each by letter."""
    return (0 if name.isupper() else 1 if name[0].isupper() else 2), name


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_what_a_module_offers_is_sorted_and_there(path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    here, offered = set(), None
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            here.add(node.name)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            here |= {alias.asname or alias.name for alias in node.names}
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            here.add(node.id)
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            offered = ast.literal_eval(node.value)
    if offered is not None:
        assert offered == sorted(set(offered), key=_rank)
        assert set(offered) <= here
