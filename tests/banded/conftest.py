from pathlib import Path

import pytest

from sieve_inspect.synthetic.round_cloth import RoundCloth, RoundTruth, draw_round

CLOTH = RoundCloth(1500, angle_deg=3.0, bend=6.0, wave=2500.0, blocked=30, missing=10, seed=4)


@pytest.fixture(scope="session")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RoundTruth]:
    path = tmp_path_factory.mktemp("whole") / "round.tif"
    return path, draw_round(CLOTH, path)
