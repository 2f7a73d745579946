"""Where the study of coverage found a 90 % interval outside 87 to 93 %, the fit says so, with the figures."""

import json
import re
from pathlib import Path

import numpy as np
import pytest

from tests.studies.coverage import NAMES, Cell, draw
from wearlab.curves import stratum
from wearlab.curves.engine import EngineFit
from wearlab.curves.stratum import ENOUGH_FOR_TRUCKS, FEW, Fit, fit_stratum
from wearlab.evidence import Basis

ROWS = json.loads((Path(__file__).parent / "studies" / "coverage.json").read_text())
OUTSIDE = [row for row in ROWS if any(not 0.87 <= row[name] <= 0.93 for name in NAMES)]
RANGE = re.compile(r"90 % intervals (?:so made )?held the truth (\d+) to (\d+) % of the time")


@pytest.fixture(autouse=True)
def without_the_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the library out, for speed."""
    monkeypatch.setattr(stratum, "fit_with_engine", lambda _, curve: EngineFit(curve, ()))


def name(row: dict) -> str:
    return f"{row['design']}-{row['variance']}-{row['expected']}-{row['shape']}-{row['failures']}"


def test_the_study_holds_the_whole_grid() -> None:
    cells = {(row["design"], row["variance"], row["expected"], row["shape"]) for row in ROWS}
    assert len(cells) == 96
    assert min(row["runs"] for row in ROWS) >= 2000


def test_with_a_truck_factor_every_interval_holds_as_printed() -> None:
    with_factor = [row for row in ROWS if row["with_factor"] == row["runs"]]
    assert len(with_factor) >= 16
    assert all(0.87 <= row[quantity] <= 0.93 for row in with_factor for quantity in NAMES)


@pytest.mark.parametrize("row", OUTSIDE, ids=name)
def test_an_interval_that_does_not_hold_as_printed_carries_its_figures(row: dict) -> None:
    cell = Cell(row["design"], row["variance"], row["expected"], row["shape"])
    obs, run = draw(cell, 12, np.random.default_rng(5))
    most = ENOUGH_FOR_TRUCKS if row["design"] == "trucks" else FEW
    seen = 0
    for number in range(12):
        part = obs.take(run == number)
        if not 2 <= part.failures < most:
            continue
        basis = Basis("simulated", (), None, "miles", 0.9, (), part.lives, part.failures)
        item = fit_stratum(part, basis=basis, stratum=(), inherited=(), class_shape=None)
        if isinstance(item, Fit):
            ranges = [found for caution in item.cautions for found in RANGE.findall(caution.text)]
            low, high = min(int(ends[0]) for ends in ranges), max(int(ends[1]) for ends in ranges)
            assert all(low <= round(100 * row[quantity]) <= high for quantity in NAMES)
            seen += 1
    assert seen >= 3
