"""`sieveward bench` as a process of its own, as a person starts it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from urllib.parse import parse_qs, urlsplit

from present import present
from sieve_registry.bench.address import Address


@dataclass(frozen=True)
class BenchProcess:
    """A running bench; `url` is the address it printed, with the key of this run."""

    process: subprocess.Popen[str]
    url: str

    @property
    def home(self) -> str:
        """Its address without the key and the last slash."""
        return self.url.partition("/?")[0]

    @property
    def port(self) -> int:
        return present(urlsplit(self.url).port)

    @property
    def cookies(self) -> dict[str, str]:
        """What a browser keeps once the printed address was opened."""
        (key,) = parse_qs(urlsplit(self.url).query)["key"]
        return {Address(self.port).key_cookie: key}

    def kill(self) -> None:
        """End it at once, as a power failure does."""
        self.process.kill()
        self.process.communicate()


def start_process(registry: str, port: int = 0) -> subprocess.Popen[str]:
    """Start a bench on a port (0: any); it is not ready yet."""
    typed = [sys.executable, "-c", "from sieve_registry.cli.main import main; main()"]
    return subprocess.Popen(
        [*typed, "bench", "--port", str(port), "--json", "-"],
        env={**os.environ, "SIEVEWARD_REGISTRY": registry},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def ready(process: subprocess.Popen[str]) -> BenchProcess:
    """A started bench once it serves."""
    output = ""
    while not output.endswith("}\n"):
        line = present(process.stdout).readline()
        assert line, process.communicate()[1]
        output += line
    return BenchProcess(process, json.loads(output)["url"])
