"""Months of use in short: monthly loads with corrections end where one load of everything ends."""

from pathlib import Path

from tests.hardening import long_use
from wearlab.cli import run


def test_six_months_of_loads_and_corrections_equal_one_load(tmp_path: Path) -> None:
    fleet, folder = long_use.Fleet(tmp_path / "source", trucks=5), tmp_path / "months" / "fleet"
    long_use.begin(folder, fleet)
    lived = long_use.live(folder, fleet, range(1, 7), all_every=99)
    assert lived[-1].rows > lived[0].rows
    assert lived[-1].store_bytes < 4 * lived[0].store_bytes
    assert long_use.compare_with_one_load(folder, long_use.month_end(6), ("lives", "fit", "compare")) == []
    assert run(["check", str(folder)]) == 0
