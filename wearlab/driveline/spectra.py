"""Duty spectra to severity: how much joint life a class or a truck uses per turn, mile and hour against another."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from wearlab.driveline.check import RATIOS_ONLY
from wearlab.driveline.loads import ANGLE_FLOOR_DEG, ROLLER_EXPONENT, damage_per_turn, equivalent_torque
from wearlab.evidence import SAFETY, Basis, Caution, DataError

NUMBERS = ("share_of_turns", "torque_nm", "angle_deg", "speed_rpm")
FATIGUE_ONLY = Caution(
    "fatigue-only",
    "This is rolling fatigue of the joint only. Most joints fail by dirt, water or lack of grease first, so what the "
    "history shows usually differs less than these ratios.",
)


@dataclass(frozen=True, slots=True)
class Severity:
    """Joint life used by each group of a spectra table, as ratios to one reference group.

    ``groups``: group, equivalent_torque_nm, mean_angle_deg, mean_speed_rpm (over time), turns_per_mile (NaN where not
    given), torque_factor, angle_factor, turns_factor, severity_per_turn (torque · angle), severity_per_mile (times
    turns_factor), severity_per_hour. A factor of 2 means that life is half the reference's.
    ``bins``: group, share_of_turns, torque_nm, angle_deg, speed_rpm, share_of_damage (of its group).
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    reference: str
    groups: pd.DataFrame
    bins: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by name."""
        return {"severity": self.groups, "spectrum": self.bins}


def read_spectra(path: Path) -> pd.DataFrame:
    """Return a spectra table from CSV, checked.

    Columns: group (or duty_cycle, or unit_id), share_of_turns, torque_nm, angle_deg, speed_rpm and, if given,
    axle_ratio and tire_turns_per_mile; further columns stay as they are.
    Refuses (DataError) missing columns, values that are not numbers, negative shares, torques or angles, speeds that
    are not positive, and groups whose shares do not sum to 1 within 2 %.
    """
    numbers = (*NUMBERS, "axle_ratio", "tire_turns_per_mile")
    table = read_numbers(path, NUMBERS, numbers, example="duty_cycle, share_of_turns, torque_nm, angle_deg, speed_rpm")
    named = [name for name in ("group", "duty_cycle", "unit_id") if name in table.columns]
    if not named:
        text = "the table has no column duty_cycle, unit_id or group"
        raise DataError("missing-column", text, "say whose spectrum each row is", path.name, 1, "duty_cycle")
    return check_spectra(table.rename(columns={named[0]: "group"}), file=path.name)


def read_numbers(path: Path, required: tuple[str, ...], numbers: tuple[str, ...], *, example: str) -> pd.DataFrame:
    """Return a small CSV table with its columns ``numbers`` read as numbers (blank = NaN), the rest as text."""
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        text = f"cannot be read as CSV ({type(error).__name__})"
        raise DataError("unreadable", text, "save it as CSV", path.name) from error
    missing = [name for name in required if name not in table.columns]
    if missing:
        text, fix = f"the table has no column {missing[0]}", f"columns: {example}"
        raise DataError("missing-column", text, fix, path.name, 1, missing[0])
    for name in numbers:
        if name not in table.columns:
            continue
        values = pd.to_numeric(table[name].replace("", None), errors="coerce")
        values = values.where(np.isfinite(values.to_numpy(dtype=float)))
        wrong = np.flatnonzero(values.isna().to_numpy() & (table[name] != "").to_numpy())
        if len(wrong):
            text = f"not a number: {table[name].iloc[wrong[0]][:40]!r}"
            raise DataError("bad-value", text, "write a plain number", path.name, int(wrong[0]) + 2, name)
        table[name] = values.astype(float)
    return table


def check_spectra(spectra: pd.DataFrame, *, file: str | None = None) -> pd.DataFrame:
    """Return the spectra with shares that sum to 1 in each group; refuses what read_spectra refuses."""
    if spectra.empty:
        raise DataError("no-rows", "the spectra table has no rows", "one row per group and bin", file)
    for name in NUMBERS:
        values = spectra[name].to_numpy(dtype=float)
        wrong = np.flatnonzero(~(values > 0) if name == "speed_rpm" else ~(values >= 0))
        if len(wrong):
            low = "above 0" if name == "speed_rpm" else "0 or more"
            raise DataError("bad-value", f"{name} must be {low}", "correct the row", file, int(wrong[0]) + 2, name)
    total = spectra.groupby("group", sort=False)["share_of_turns"].transform("sum")
    off = np.flatnonzero((total - 1).abs().to_numpy() > 0.02)
    if len(off):
        group = spectra["group"].iloc[off[0]]
        text = f"the shares of turns of {group!r} sum to {total.iloc[off[0]]:.3f}, not 1"
        raise DataError("bad-shares", text, "give shares of shaft turns, not of time or miles", file, int(off[0]) + 2)
    return spectra.assign(share_of_turns=spectra["share_of_turns"] / total)


def compare_severity(
    spectra: pd.DataFrame, *, reference: str, floor_deg: float = ANGLE_FLOOR_DEG, source: str = "spectra"
) -> Severity:
    """Return how much joint life each group of a spectra table uses, against the ``reference`` group.

    Damage adds up by share of shaft turns (Palmgren 1924, Miner 1945) with the roller-contact rule of ISO 281; angles
    under ``floor_deg`` count as it. Refuses a reference that is not in the table.
    """
    spectra = check_spectra(spectra)
    if reference not in set(spectra["group"]):
        known = ", ".join(sorted(set(spectra["group"]))[:8])
        raise DataError("no-reference", f"no group {reference!r} in the spectra", f"choose one of: {known}")
    damage = spectra["share_of_turns"] * damage_per_turn(
        spectra["torque_nm"], spectra["angle_deg"], floor_deg=floor_deg
    )
    bins = spectra[["group", *NUMBERS]].assign(
        share_of_damage=(damage / damage.groupby(spectra["group"]).transform("sum")).fillna(0.0)
    )
    names = list(dict.fromkeys(spectra["group"]))
    groups = pd.DataFrame([_describe(name, spectra[spectra["group"] == name], floor_deg) for name in names])
    base = groups[groups["group"] == reference].iloc[0]
    groups["torque_factor"] = (groups["equivalent_torque_nm"] / base["equivalent_torque_nm"]) ** ROLLER_EXPONENT
    groups["angle_factor"] = groups["damage_angle_deg"] / base["damage_angle_deg"]
    groups["turns_factor"] = groups["turns_per_mile"] / base["turns_per_mile"]
    groups["severity_per_turn"] = groups["torque_factor"] * groups["angle_factor"]
    groups["severity_per_mile"] = groups["severity_per_turn"] * groups["turns_factor"]
    groups["severity_per_hour"] = groups["severity_per_turn"] * groups["mean_speed_rpm"] / base["mean_speed_rpm"]
    cautions: tuple[Caution, ...] = (FATIGUE_ONLY, RATIOS_ONLY, SAFETY)
    if groups["turns_per_mile"].isna().any():
        text = "Without axle_ratio and tire_turns_per_mile of every group there is no ratio per mile for those groups."
        cautions = (Caution("no-turns-per-mile", text), *cautions)
    return Severity(Basis(source, (), None, "turns", 0.9, (), 0, 0), cautions, reference, groups, bins)


def _describe(name: str, rows: pd.DataFrame, floor_deg: float) -> dict[str, object]:
    """Return one group's figures; its damage angle is the angle that, with the equivalent torque, uses as much life."""
    share, torque = rows["share_of_turns"].to_numpy(), rows["torque_nm"].to_numpy()
    load = equivalent_torque(share, torque)
    damage = float((share * damage_per_turn(torque, rows["angle_deg"], floor_deg=floor_deg)).sum())
    floored = np.maximum(rows["angle_deg"].to_numpy(), floor_deg)
    turns = np.nan
    if {"axle_ratio", "tire_turns_per_mile"} <= set(rows.columns):
        turns = float((rows["axle_ratio"] * rows["tire_turns_per_mile"]).mean())
    return {
        "group": name,
        "equivalent_torque_nm": load,
        "mean_angle_deg": float((share * rows["angle_deg"]).sum()),
        "damage_angle_deg": damage / load**ROLLER_EXPONENT if load > 0 else float((share * floored).sum()),
        "mean_speed_rpm": float(1 / (share / rows["speed_rpm"]).sum()),
        "turns_per_mile": turns,
    }
