"""The laboratory of `report_lab`, filled once."""

from __future__ import annotations

import pytest

import report_lab


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory):
    """The folder of the laboratory; nothing may be changed in it."""
    folder = tmp_path_factory.mktemp("lab")
    report_lab.fill(folder)
    return folder


@pytest.fixture
def registry(filled):
    opened = report_lab.lab(filled, report_lab.LAST_DAY)
    yield opened
    opened.close()
