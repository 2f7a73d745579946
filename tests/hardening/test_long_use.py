"""Months of use in short: monthly loads with corrections end where one load of everything ends."""

import contextlib
import io
import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from tests.hardening import long_use
from wearlab.cli import run


def ask_here(command: str, folder: Path, day: date) -> tuple[dict[str, Any], float, int]:
    """Run one command in this process; return its document."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = run([command, str(folder), "--json", "--as-of", day.isoformat()])
    assert status in {0, 1}, err.getvalue()
    return json.loads(out.getvalue()), 0.0, 0


def test_six_months_of_loads_and_corrections_equal_one_load(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(long_use, "ask", ask_here)
    fleet, folder = long_use.Fleet(tmp_path / "source", trucks=5), tmp_path / "months" / "fleet"
    long_use.begin(folder, fleet)
    lived = long_use.live(folder, fleet, range(1, 7), commands=("lives",))
    assert lived[-1].rows > lived[0].rows
    assert lived[-1].store_bytes < 4 * lived[0].store_bytes
    assert long_use.compare_with_one_load(folder, long_use.month_end(6)) == []
    assert run(["check", str(folder)]) == 0
