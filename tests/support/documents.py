"""The documents of the project: their tables, links, code blocks and commands."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

from source_tree import ROOT

HIDDEN = {"build", "dist", "node_modules", "sieveward-demo"}


def find_documents() -> list[Path]:
    """Every Markdown file of the project, from its root."""
    return sorted(
        path.relative_to(ROOT)
        for path in ROOT.rglob("*.md")
        if not any(part.startswith(".") or part in HIDDEN for part in path.relative_to(ROOT).parts)
    )


def read(document: Path) -> str:
    return (ROOT / document).read_text(encoding="utf-8")


def table_rows(text: str) -> list[list[str]]:
    """The cells of all tables; a cell's `\\|` is a stroke. Rules between rows are left out."""
    rows = []
    for line in text.splitlines():
        if line.startswith("|"):
            cells = re.split(r"(?<!\\)\|", line.strip().strip("|"))
            rows.append([cell.strip().replace("\\|", "|") for cell in cells])
    return [row for row in rows if not set("".join(row)) <= set("-: ")]


def code_blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.DOTALL | re.MULTILINE)


def link_targets(text: str) -> list[str]:
    """Where links and pictures lead, code left out."""
    prose = re.sub(r"^```.*?^```|`[^`\n]+`", "", text, flags=re.DOTALL | re.MULTILINE)
    return re.findall(r"\]\(([^)\s]+)[^)]*\)", prose)


def anchors(text: str) -> set[str]:
    """The names by which headings are linked to."""
    prose = re.sub(r"^```.*?^```", "", text, flags=re.DOTALL | re.MULTILINE)
    titles = re.findall(r"^#+ (.*)$", prose, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title.lower()).strip().replace(" ", "-") for title in titles}


def shell_commands(text: str) -> Iterator[list[str]]:
    """The words of every command in the sh blocks, comments and settings before it left out."""
    for block in code_blocks(text, "sh"):
        for line in block.replace("\\\n", " ").splitlines():
            words = shlex.shlex(line, posix=True, punctuation_chars=True)
            words.whitespace_split = True
            command: list[str] = []
            for word in [*words, ";"]:
                if set(word) <= set("|&;"):
                    if command:
                        yield command
                    command = []
                elif command or not re.fullmatch(r"\w+=.*", word):
                    command.append(word)
