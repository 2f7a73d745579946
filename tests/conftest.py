"""Fixtures that several test files share."""

from pathlib import Path

import pytest

from tests.command import run_wearlab
from wearlab.demo import write_demo


@pytest.fixture(scope="session")
def small_fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented fleet of 120 trucks, loaded once."""
    folder = tmp_path_factory.mktemp("fleet") / "fleet"
    write_demo(folder, seed=7, trucks=120)
    ran = run_wearlab("load", folder)
    assert ran.status == 0, ran.err
    return folder
