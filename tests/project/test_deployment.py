"""The units, the container file and the system manager's chapter name what the program offers."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from command_words import unknown_words
from source_tree import ROOT

DEPLOY = ROOT / ".deploy"
UNITS = sorted(path for path in DEPLOY.iterdir() if path.suffix in (".service", ".timer"))
SERVER = ROOT / "registry" / "sieve_registry" / "bench" / "SERVER.md"
# From systemd.unit(5), systemd.service(5), systemd.exec(5), systemd.timer(5).
SETTINGS = {
    "Unit": {"Description", "Documentation", "Wants", "After"},
    "Service": {
        "Type", "User", "StateDirectory", "StateDirectoryMode", "ReadWritePaths", "Environment",
        "EnvironmentFile", "ExecStart", "KillSignal", "TimeoutStopSec", "Restart", "RestartSec",
        "UMask", "NoNewPrivileges", "CapabilityBoundingSet", "PrivateDevices", "PrivateTmp",
        "ProtectClock", "ProtectControlGroups", "ProtectHome", "ProtectHostname",
        "ProtectKernelLogs", "ProtectKernelModules", "ProtectKernelTunables", "ProtectSystem",
        "RestrictAddressFamilies", "RestrictNamespaces", "RestrictSUIDSGID",
    },
    "Timer": {"OnCalendar", "RandomizedDelaySec", "Persistent"},
    "Install": {"WantedBy"},
}  # fmt: skip


def settings(unit: Path) -> list[tuple[str, str, str]]:
    """Section, name and value of each line of a unit."""
    section, found = "", []
    for line in unit.read_text("utf-8").splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif line and not line.startswith("#"):
            name, _, value = line.partition("=")
            found.append((section, name, value))
    return found


def starts_of(unit: Path) -> list[str]:
    """The commands a unit starts, in order."""
    return [value for _, name, value in settings(unit) if name == "ExecStart"]


def commands(text: str) -> list[list[str]]:
    """The words after the program in every call of it by its full path."""
    words = shlex.split(text.replace('"$(date +%%Y-%%m-%%dT%%H%%M).zip"', "FILE.zip"))
    if words[:2] == ["/bin/sh", "-c"]:
        words = shlex.split(words[2].removeprefix("exec "))
    return [words[1:]] if words[0] == "/opt/sieveward/bin/sieveward" else []


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_a_unit_has_known_settings_and_calls_the_program_as_it_is(unit: Path) -> None:
    found, starts = settings(unit), starts_of(unit)
    assert {"Unit"} < {section for section, _, _ in found}
    for section, name, _ in found:
        assert name in SETTINGS[section], name
    called = [words for start in starts for words in commands(start)]
    assert len(called) == len(starts)
    for words in called:
        assert unknown_words(words) == [], words


def test_the_backup_is_proved_before_and_after() -> None:
    starts = [
        v for _, name, v in settings(DEPLOY / "sieveward-backup.service") if name == "ExecStart"
    ]
    assert [words[0] for start in starts for words in commands(start)] == ["verify", "backup"]


def test_the_container_file_calls_the_program_as_it_is() -> None:
    text = (DEPLOY / "Containerfile").read_text("utf-8").replace("\\\n", "")
    entry = json.loads(re.findall(r"^ENTRYPOINT (.*)$", text, re.MULTILINE)[0])
    words = json.loads(re.findall(r"^CMD (.*)$", text, re.MULTILINE)[0])
    assert entry == ["sieveward"]
    assert unknown_words(words) == []
    extras = re.findall(r"/src\[([a-z,]+)\]", text)[0].split(",")
    project = (ROOT / "pyproject.toml").read_text("utf-8")
    assert all(f"\n{extra} = [" in project for extra in extras)
    base = re.findall(r"^ARG BASE=(.*)$", text, re.MULTILINE)[0]
    assert re.findall(r"^FROM (.*)$", text, re.MULTILINE) == ["${BASE}"]
    assert "/" not in base  # of the registry that is set up, not of a host
    for place in re.findall(r"^COPY (.*) /src", text, re.MULTILINE):
        assert all((ROOT / name).exists() for name in place.split())
    assert "--port', '8443'" in str(words)
    assert "127.0.0.1:8443/health" in text


def test_the_chapter_and_the_units_serve_the_same_page() -> None:
    chapter = SERVER.read_text("utf-8")
    (start,) = [
        v for _, name, v in settings(DEPLOY / "sieveward-bench.service") if name == "ExecStart"
    ]
    by_hand = start.removeprefix("/opt/sieveward/bin/").split()
    assert " ".join(by_hand) in " ".join(chapter.replace("\\\n", "").split())
    for file in DEPLOY.iterdir():
        assert file.suffix[1:] in ("service", "timer", "") or file.name in chapter


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")
def test_systemd_reads_the_units(tmp_path: Path) -> None:
    for unit in UNITS:  # the programs they start are not installed here
        text = re.sub(r"^ExecStart=.*$", "ExecStart=/bin/true", unit.read_text("utf-8"), flags=re.M)
        (tmp_path / unit.name).write_text(text)
    paths = [str(tmp_path / unit.name) for unit in UNITS]
    read = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *paths],
        capture_output=True,
        text=True,
        check=False,
    )
    own = [line for line in read.stderr.splitlines() if "sieveward" in line]
    assert own == []
