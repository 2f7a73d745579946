"""The forecast of the invented demo fleet tried on its own past: an illustration, not a proof.

Run from the root of the repository: ``python -m tests.studies.forecast_demo`` (about a minute). It rewrites
``tests/studies/forecast_demo.md``.
"""

import platform
import tempfile
from datetime import date
from importlib.metadata import version
from pathlib import Path

import pandas as pd

from wearlab.answers.forecast import Backtest, backtest_forecast
from wearlab.answers.wear_beside import Beside, set_beside
from wearlab.demo import write_demo
from wearlab.history.source import View, open_fleet
from wearlab.study import backtest_days

SEED, TRUCKS, MONTHS, LEVEL = 1, 300, 12, 0.9
TODAY = date(2026, 7, 31)


def _quiet(text: str) -> None:
    del text


def try_demo(folder: Path) -> tuple[Backtest, Beside]:
    """Return the back-test of a demo fleet, and its measured wear beside lives."""

    def view(day: date | None) -> View:
        return View(day, None, LEVEL, TODAY, False)

    with open_fleet(folder, store_path=":memory:", today=TODAY, strict=False, progress=_quiet) as fleet:
        actual = fleet.history(view(None), known_then=False, progress=_quiet)
        made = backtest_forecast(
            lambda day: fleet.history(view(day), known_then=True, progress=_quiet),
            backtest_days(actual, months=MONTHS),
            months=MONTHS,
            actual=actual,
            level=LEVEL,
            seed=SEED,
            progress=_quiet,
        )
        beside = set_beside(
            actual,
            lambda day: fleet.history(view(day), known_then=True, progress=_quiet),
            backtest_days(actual, months=MONTHS),
            months=MONTHS,
            level=LEVEL,
            seed=SEED,
            progress=_quiet,
        )
    assert isinstance(made, Backtest)
    assert isinstance(beside, Beside)
    return made, beside


def _markdown(table: pd.DataFrame) -> str:
    lines = ["| " + " | ".join(table.columns) + " |", "|" + " --- |" * len(table.columns)]
    cells = ([f"{x:.4g}" if isinstance(x, float) else str(x) for x in row] for row in table.itertuples(index=False))
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in cells)])


def main() -> None:
    """Write the demo fleet, try its forecast, and write the tables."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "fleet"
        write_demo(folder, seed=SEED, trucks=TRUCKS)
        made, beside = try_demo(folder)
    about = (
        f"An illustration on one invented fleet ({TRUCKS} trucks, seed {SEED}) with planted troubles that no forecast "
        "can foresee: a bad lot of boots from 2022, a leaking shop from 2023, a change of plan. Command `python -m "
        f"tests.studies.forecast_demo`; Python {platform.python_version()}, numpy {version('numpy')}, "
        f"{platform.machine()}, 2 cores. Coverage is measured in `forecast_coverage.md`."
    )
    words = "\n".join(
        f"- {caution.text}" for caution in made.cautions if caution.code.startswith(("rival", "backtest"))
    )
    blocks = [f"## {name}\n\n{_markdown(table)}" for name, table in made.tables().items() if name != "groups"]
    held = made.groups.groupby("as_of")["covered"].agg(["sum", "size"]).reset_index()
    blocks.append(f"## groups that held, by day\n\n{_markdown(held)}")
    parts = made.groups.groupby("component")[["expected", "observed"]].sum().reset_index()
    parts["observed_over_expected"] = parts["observed"] / parts["expected"]
    blocks.append(f"## all days together, by component\n\n{_markdown(parts)}")
    wear = "\n".join(caution.text for caution in beside.cautions if caution.code.startswith("wear-"))
    wear += (
        " The demo's invented readings grow with each part's way through its own life, so they tell far more than "
        "readings of a real fleet may."
    )
    blocks.append(f"## measured wear beside lives, on parts that were measured\n\n{wear}\n\n{_markdown(beside.tried)}")
    text = "\n\n".join(["# The demo fleet's back-test", about, words, *blocks])
    Path(__file__).with_suffix(".md").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
