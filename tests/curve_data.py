"""The published data sets as observations, and the values agreed for them (tests/data/curves_expected.json)."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from wearlab.curves.observations import Observations, make_observations

DATA = Path(__file__).parent / "data"
CASES: dict[str, dict[str, Any]] = json.loads((DATA / "curves_expected.json").read_text())["cases"]
EXACT = (
    "ball_bearing",
    "ball_bearing_4848",
    "ball_bearing_4880",
    "device_g_all",
    "device_g_surge",
    "device_g_wearout",
    "diesel_fan",
    "nist_arrhenius_85",
    "nist_arrhenius_105",
    "nist_arrhenius_125",
    "nist_multicensored20",
    "nist_weibull20",
    "nist_weibull20_first55",
    "shock_absorber_M1",
    "shock_absorber_M2",
    "shock_absorber_all",
)
BETWEEN = ("turbine_wheel", "heat_exchanger", "breast_rt", "breast_rct")
LATE = ("sim_delayed_entry", "sim_delayed_entry_entry_ignored", "channing_male", "channing_female")


def read_data(name: str) -> pd.DataFrame:
    """Return one data set; its first line is its source."""
    return pd.read_csv(DATA / name, comment="#")


def value_of(case: str, quantity: str) -> float:
    """Return the agreed value of a quantity."""
    return float(CASES[case]["values"][quantity])


def load_case(case: str) -> Observations:
    """Return the lives of one case, as its ``select`` says."""
    table, select = read_data(CASES[case]["data"]), CASES[case]["select"]
    if case in BETWEEN:
        return _load_between(table, select)
    if case in LATE:
        return _load_late(table, select)
    if select.startswith("mode=="):
        table = table.assign(event=(table["mode"] == select.split()[0].removeprefix("mode==")).astype(int))
    if select.startswith("celsius=="):
        table = table[table["celsius"] == int(select.removeprefix("celsius=="))]
    if "replaced by" in select:
        time = table["time"].to_numpy(dtype=float).copy()
        time[6 if "7th" in select else 0] = float(select.split()[-1])
        table = table.assign(time=time)
    count = table.get("count")
    return make_observations(table["time"], table["event"], count=count)


def _load_between(table: pd.DataFrame, select: str) -> Observations:
    if select.startswith("group=="):
        table = table[table["group"] == select.removeprefix("group==")]
    failed = table["upper"].notna()
    return make_observations(
        np.where(failed, table["upper"], table["lower"]),
        failed,
        lower=np.where(failed, table["lower"], np.nan),
        upper=table["upper"],
        count=table.get("count"),
    )


def _load_late(table: pd.DataFrame, select: str) -> Observations:
    if "gender" not in table:
        entry = None if select == "entry ignored" else table["entry"]
        return make_observations(table["time"], table["event"], entry=entry)
    rows = table[(table["gender"] == int(select[len("gender==")])) & (table["age"] > table["ageentry"])]
    return make_observations(rows["age"], rows["death"], entry=rows["ageentry"])
