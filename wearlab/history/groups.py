"""Lives counted by component and duty cycle."""

import pandas as pd


def count_groups(
    lives: pd.DataFrame, exposure: pd.DataFrame, left_out: pd.DataFrame, unplaced: pd.DataFrame
) -> pd.DataFrame:
    """Return lives, failures, exposure and what was left out by component and duty cycle.

    A life is counted in the duty cycle at its end, ``exposure`` in the class in which it was gathered;
    ``position_unknown`` counts the replacement orders without a position, ``age_unknown`` the parts.
    """
    keys = ["component", "duty_cycle"]
    facts = pd.DataFrame(
        {
            "component": lives["component"],
            "duty_cycle": lives["duty_cycle"],
            "lives": lives["count"],
            "failures": lives["count"] * lives["failed"],
            "entered_late": lives["count"] * (lives["entry"] > 0),
            "zero_length": lives["count"] * (lives["exit"] == lives["entry"]),
            "unknown_endings": lives["count"] * lives["unknown_ending"].astype(bool),
        }
    )
    counted = ["lives", "failures", "entered_late", "zero_length", "unknown_endings"]
    age_unknown = left_out.loc[left_out["reason"] == "age_unknown"]
    parts = [
        facts.groupby(keys, dropna=False, sort=True)[counted].sum(),
        exposure.groupby(keys, dropna=False, sort=True)[["exposure"]].sum(),
        age_unknown.groupby(keys, dropna=False, sort=True)[["lives"]].sum().rename(columns={"lives": "age_unknown"}),
        unplaced.groupby(keys, dropna=False, sort=True)[["orders"]]
        .sum()
        .rename(columns={"orders": "position_unknown"}),
    ]
    groups = pd.concat(parts, axis=1).fillna(0.0).sort_index()
    groups["suspensions"] = groups["lives"] - groups["failures"]
    order = [
        "lives",
        "failures",
        "suspensions",
        "entered_late",
        "age_unknown",
        "position_unknown",
        "zero_length",
        "unknown_endings",
    ]
    if (groups[order] % 1 == 0).all(axis=None):
        groups[order] = groups[order].astype("int64")
    return groups[[*order, "exposure"]].reset_index()
