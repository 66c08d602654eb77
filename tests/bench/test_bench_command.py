"""`sieveward bench` itself: how it starts, what it refuses, how it ends."""

from __future__ import annotations

import importlib.util
import json
import signal
import socket
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from bench_lab import SCALE_FILE, Lab
from program import Program


@pytest.fixture
def type_it(
    lab: Lab, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Program:
    return Program(monkeypatch, capsys, lab.registry.path, ("bench",))


@pytest.mark.parametrize("told", [signal.SIGINT, signal.SIGTERM], ids=["keyboard", "system"])
def test_the_bench_serves_until_it_is_told_to_end(
    lab: Lab, told: signal.Signals, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))  # without what other benches left
    typed = [sys.executable, "-c", "from sieve_registry.cli.main import main; main()"]
    typed += ["--registry", str(lab.registry.path), "bench", "--port", "0", "--json", "-"]
    typed += ["--scale", str(SCALE_FILE)]
    with subprocess.Popen(typed, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as run:
        output = ""
        while not output.endswith("}\n"):
            line = run.stdout.readline()
            assert line, run.stderr.read()
            output += line
        url = json.loads(output)["url"]
        address, _, key = url.partition("?")
        page = httpx.get(f"{address}sieve?id=S-0075&{key}", trust_env=False, follow_redirects=True)
        run.send_signal(told)
        out, err = run.communicate(timeout=30)
    assert SCALE_FILE.name in page.text
    assert (run.returncode, out, err) == (0, "", "")


def test_a_port_in_use(type_it: Program) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        code, _, err = type_it("--port", port)
    assert code == 2
    assert f"Port {port} cannot be served at 127.0.0.1" in err
    assert err.count("\n") == 1


def test_a_missing_extra_is_an_error_that_names_what_to_install(
    type_it: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name: None if name == "uvicorn" else there(name)
    )
    code, _, err = type_it()
    assert (code, err) == (
        2,
        'sieveward: The bench page needs an extra part: pip install "sieveward[bench]".\n',
    )


def test_no_registry_no_folder_no_scale(type_it: Program, tmp_path: Path) -> None:
    assert type_it(registry=tmp_path / "none.sqlite")[0] == 39
    assert type_it("--watch", str(tmp_path / "none"))[0] == 2
    assert type_it("--scale", str(tmp_path / "none.json"))[0] == 22
