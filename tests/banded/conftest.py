from pathlib import Path

import pytest

from round_measured import measured
from sieve_inspect.apertures import sampling
from sieve_inspect.apertures.field import Field
from sieve_inspect.image import light
from sieve_inspect.synthetic.round_cloth import RoundCloth, RoundTruth, draw_round


def read_in_bands(patch: pytest.MonkeyPatch) -> None:
    """Light is read in bands, and all but a sample is measured by the matched filter."""
    patch.setattr(light, "HELD_UP_TO", 0)
    patch.setattr(sampling, "ALL_UP_TO", 100)


@pytest.fixture(autouse=True)
def as_a_large_scan(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every scan is measured as a large one."""
    read_in_bands(monkeypatch)


CLOTH = RoundCloth(1500, angle_deg=3.0, bend=6.0, wave=2500.0, blocked=30, missing=10, seed=4)


@pytest.fixture(scope="session")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RoundTruth]:
    path = tmp_path_factory.mktemp("whole") / "round.tif"
    return path, draw_round(CLOTH, path)


@pytest.fixture(scope="session")
def usual(drawn: tuple[Path, RoundTruth]) -> Field:
    """The drawn scan as it is measured usually; read only."""
    with pytest.MonkeyPatch.context() as patch:
        read_in_bands(patch)
        return measured(drawn[0])
