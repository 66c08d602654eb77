"""Names in commands to copy: the same word in a POSIX shell, and in both shells of Windows.

What the shells of Windows do within double quotes is from Microsoft's documents: cmd.exe replaces
%NAME%, PowerShell (about_Quoting_Rules) replaces $ and ` and takes curly double quotes for ends,
and a program reads a backslash before the last quote as part of the name.
"""

from __future__ import annotations

import shlex

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sieve_registry.values import set_variable, shell_word

NAMES = st.text(st.characters(exclude_categories=["Cc", "Cs"]), max_size=12)


@given(NAMES)
def test_a_posix_shell_reads_the_name(name: str) -> None:
    assert shlex.split(shell_word(name, platform="linux")) == [name]


@pytest.mark.parametrize(
    ("name", "typed"),
    [
        ("S-0075", "S-0075"),
        (r"C:\Scans\sand.csv", r"C:\Scans\sand.csv"),
        ("No. 200", '"No. 200"'),
        ("75 µm & finer", '"75 µm & finer"'),
        ("Ada's", '"Ada\'s"'),
        ("a^b", '"a^b"'),
        ("#57", '"#57"'),
        ("1,2", '"1,2"'),
        ("100%", "ID"),
        ("$x", "ID"),
        ("a`b", "ID"),
        ('3" mesh', "ID"),
        ("“S”", "ID"),
        ("C:\\My scans\\", "ID"),
        ("", "ID"),
    ],
)
def test_both_shells_of_windows_read_the_name_or_a_placeholder_stands_for_it(
    name: str, typed: str
) -> None:
    assert shell_word(name, platform="win32") == typed


@given(NAMES)
def test_no_quoted_name_holds_what_a_shell_of_windows_replaces(name: str) -> None:
    typed = shell_word(name, "NAME", platform="win32")
    assert typed in ("NAME", name, f'"{name}"')
    if typed != "NAME":
        assert not set(name) & set('%$`"“”„')
    if typed == name != "NAME":
        assert name.isascii()
        assert not set(name) & set(" '&|<>^()@#;,{}")


def test_a_variable_is_set_in_each_shell() -> None:
    assert set_variable("R", "/my lab/r.sqlite", "darwin") == ["export R='/my lab/r.sqlite'"]
    assert set_variable("R", r"C:\my lab\r.sqlite", "win32") == [
        r'set "R=C:\my lab\r.sqlite"',
        r'$env:R = "C:\my lab\r.sqlite"',
    ]
    assert set_variable("R", r"C:\100%\r.sqlite", "win32") == []
