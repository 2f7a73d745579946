"""The rival of the benchmarks: what a good analyst would write with pandas and lifelines, vectorised.

Reads the folder with the loader's checks, makes the lives by the same rules (late entry, meters filled between
readings, failures found at inspection as intervals), fits a Weibull curve with intervals to every component and class,
and draws trucks again for the ratio of their B10 lives. It judges no meter, merges orders of one event only roughly,
sets rows aside without an account, keeps no store, and has nothing of practice, trucks, clusters or costs.

Run: ``python -m tests.benchmarks.rival FOLDER [--draws 20]``
"""

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from lifelines import WeibullFitter

STRIDE = 100_000  # days: one number for a truck or place and a day
SURE = {"ftol": 0, "gtol": 1e-11, "maxls": 100}  # the library's own stop is up to 1e-5 from the maximum


@dataclass
class Tables:
    """The four tables, checked and typed; days since 1970."""

    units: pd.DataFrame
    positions: pd.DataFrame
    services: pd.DataFrame
    readings: pd.DataFrame
    first_day: int
    last_day: int


def read_tables(folder: Path, first: str, last: str) -> Tables:
    """Read every file as text, convert, and drop the rows with a bad value."""
    units, positions, services, readings = (
        pd.concat(
            [pd.read_csv(path, dtype=str, keep_default_na=False, na_values=[""]) for path in files], ignore_index=True
        )
        for files in (sorted(folder.glob(f"{name}-*.csv")) for name in ("units", "positions", "services", "readings"))
    )
    first_day, last_day = (int(np.datetime64(text).astype(int)) for text in (first, last))
    units["start"], units["gone"] = _day(units["in_service_date"]), _day(units["out_of_service_date"])
    units["unit"] = np.arange(len(units))
    positions["unit"] = positions["unit_id"].map(units.set_index("unit_id")["unit"])
    positions["start"], positions["installed_miles"] = (
        _day(positions["installed_date"]),
        pd.to_numeric(positions["installed_miles"]),
    )
    positions["place"] = np.arange(len(positions))
    readings["unit"] = readings["unit_id"].map(units.set_index("unit_id")["unit"])
    readings["day"], readings["miles"] = _day(readings["date"]), pd.to_numeric(readings["miles"])
    return Tables(
        units, positions, _check_services(services, units, positions, last_day), readings, first_day, last_day
    )


def _day(text: pd.Series) -> pd.Series:
    day = pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")
    return (day - pd.Timestamp(0)) / pd.Timedelta(days=1)


def _check_services(frame: pd.DataFrame, units: pd.DataFrame, positions: pd.DataFrame, last_day: int) -> pd.DataFrame:
    day = _day(frame["date"])
    miles, cups, hours = (
        pd.to_numeric(frame[name], errors="coerce") for name in ("miles", "cups_purged", "labor_hours")
    )
    unit = frame["unit_id"].map(units.set_index("unit_id")["unit"])
    start = frame["unit_id"].map(units.set_index("unit_id")["start"])
    known = pd.MultiIndex.from_frame(positions[["unit_id", "position"]])
    place = pd.Series(known.get_indexer(pd.MultiIndex.from_frame(frame[["unit_id", "position"]])), index=frame.index)
    good = frame["service_id"].notna() & unit.notna() & day.notna() & (day >= start) & (day <= last_day)
    good &= (frame["miles"].isna() | (miles >= 0)) & (frame["cups_purged"].isna() | cups.isin([0, 1, 2, 3, 4]))
    good &= (frame["labor_hours"].isna() | (hours >= 0)) & frame["action"].isin(["regrease", "inspect", "replace"])
    good &= frame["reason"].isna() | frame["reason"].isin(["failure", "planned", "with_mate", "campaign", "unknown"])
    good &= frame["found_at"].isna() | frame["found_at"].isin(["breakdown", "inspection"])
    good &= (place >= 0) & ~frame.duplicated()
    kept = frame.loc[good, ["service_id", "action", "reason", "found_at"]]
    return kept.assign(unit=unit[good].astype(int), place=place[good], day=day[good].astype(int), miles=miles[good])


def make_lives(tables: Tables) -> pd.DataFrame:
    """Return one row per life: place, days, ages in miles at entry and exit, how it ended, between which ages."""
    units, services = tables.units, tables.services
    meter_key, meter_miles = _meter(tables)

    def miles_at(unit: Any, day: Any) -> Any:
        return np.interp(np.asarray(unit) * STRIDE + np.asarray(day), meter_key, meter_miles)

    services = services.assign(miles=services["miles"].fillna(pd.Series(miles_at(services["unit"], services["day"]),
                                                                        index=services.index)))  # fmt: skip
    places = tables.positions[["place", "unit"]].copy()
    began = units["start"].to_numpy()[places["unit"]]
    places["day"] = tables.positions["start"].fillna(pd.Series(began, index=places.index)).astype(int)
    places["miles"] = tables.positions["installed_miles"].fillna(
        pd.Series(miles_at(places["unit"], places["day"]), index=places.index)
    )
    replaced = services[services["action"] == "replace"]
    bounds = pd.concat([places, replaced], ignore_index=True)
    bounds = bounds.sort_values(["place", "day", "service_id"], na_position="first", ignore_index=True)
    bounds = bounds[~_same_event(bounds)]
    last_key = np.append(np.flatnonzero(np.diff(meter_key // STRIDE)), len(meter_key) - 1)
    last_day = units["gone"].fillna(pd.Series(meter_key[last_key] % STRIDE, index=units.index)).to_numpy().astype(int)
    after = bounds.groupby("place")[["day", "miles", "reason", "found_at"]].shift(-1)
    running = after["day"].isna()
    end = last_day[bounds["unit"]]
    lives = bounds[["place", "unit"]].assign(
        start=bounds["day"],
        start_miles=bounds["miles"],
        end=after["day"].fillna(pd.Series(end, index=bounds.index)).astype(int),
        end_miles=after["miles"].fillna(pd.Series(miles_at(bounds["unit"], end), index=bounds.index)),
        failed=after["reason"] == "failure",
        found=after["found_at"],
    )
    watched = np.maximum(units["start"].to_numpy()[lives["unit"]], tables.first_day)
    lives = lives[(lives["end"] >= watched) | running]
    return _ages(lives, services, tables, miles_at)


def _meter(tables: Tables) -> tuple[Any, Any]:
    services = tables.services[tables.services["miles"].notna()]
    unit = np.concatenate([tables.units["unit"], tables.readings["unit"], services["unit"]])
    day = np.concatenate([tables.units["start"], tables.readings["day"], services["day"]])
    miles = np.concatenate([np.zeros(len(tables.units)), tables.readings["miles"], services["miles"]])
    key, first = np.unique(unit.astype(np.int64) * STRIDE + day.astype(np.int64), return_index=True)
    return key, miles[first]


def _same_event(bounds: pd.DataFrame) -> pd.Series:
    before = bounds.groupby("place")[["day", "miles"]].shift(1)
    close = (bounds["day"] - before["day"] <= 7) & (bounds["miles"] - before["miles"] <= 500)
    return close & bounds["service_id"].notna() & bounds["service_id"].shift(1).notna()


def _ages(lives: pd.DataFrame, services: pd.DataFrame, tables: Tables, miles_at: Any) -> pd.DataFrame:
    """Add ages: entry on the first day of the record, and between which a failure found at inspection lies."""
    enters = np.maximum(lives["start"], tables.first_day)
    start_miles = lives["start_miles"].to_numpy()
    exit_ = np.maximum(lives["end_miles"].to_numpy() - start_miles, 0)
    entry = np.where(enters == lives["start"], 0.0, miles_at(lives["unit"], enters) - start_miles)
    entry = np.where(enters == lives["end"], exit_, np.clip(entry, 0, exit_))
    looks = services[services["action"] != "replace"]
    look_key = (looks["place"] * STRIDE + looks["day"]).to_numpy()
    order = np.argsort(look_key, kind="stable")
    look_key, look_miles = look_key[order], looks["miles"].to_numpy()[order]
    last = np.searchsorted(look_key, (lives["place"] * STRIDE + lives["end"]).to_numpy()) - 1
    seen = (last >= 0) & (look_key[np.maximum(last, 0)] // STRIDE == lives["place"].to_numpy())
    good = np.where(seen, np.maximum(look_miles[np.maximum(last, 0)] - start_miles, entry), entry)
    between = lives["failed"].to_numpy() & (lives["found"] == "inspection").to_numpy() & (good < exit_)
    place = tables.positions.iloc[lives["place"]]
    return pd.DataFrame(
        {
            "unit_id": place["unit_id"].to_numpy(),
            "position": place["position"].to_numpy(),
            "component": place["component"].to_numpy(),
            "duty_cycle": tables.units["duty_cycle"].to_numpy()[lives["unit"]],
            "start": lives["start"].to_numpy(),
            "end": lives["end"].to_numpy(),
            "entry": entry,
            "exit": exit_,
            "failed": lives["failed"].to_numpy(),
            "lower": np.where(between, good, np.nan),
            "upper": np.where(between, exit_, np.nan),
        }
    )


def fit_one(lives: pd.DataFrame, weights: Any = None, start: Any = None) -> WeibullFitter:
    """Return lifelines' fit of one stratum, ages in units of their exposure per failure."""
    scale = (lives["exit"] - lives["entry"]).sum() / max(lives["failed"].sum(), 1)
    exact = lives["lower"].isna()
    lower = np.where(exact, lives["exit"], lives["lower"]) / scale
    upper = np.where(lives["failed"], lives["exit"], np.inf) / scale
    fitter = WeibullFitter(alpha=0.1)
    fitter.fit_interval_censoring(
        lower,
        upper,
        entry=lives["entry"] / scale,
        weights=weights,
        initial_point=np.array([1.0, 2.0]) if start is None else np.array([start[0] / scale, start[1]]),
        fit_options=SURE,
    )
    fitter.eta, fitter.b10 = fitter.lambda_ * scale, fitter.percentile(0.9) * scale
    return fitter


def fit_all(lives: pd.DataFrame) -> pd.DataFrame:
    """Return shape, η and B10 of every component and class, with 90 % intervals of the two parameters."""
    rows = []
    for (component, duty_cycle), mine in lives[lives["exit"] > lives["entry"]].groupby(["component", "duty_cycle"]):
        fitted = fit_one(mine)
        (eta_low, eta_high), (low, high) = fitted.summary[["coef lower 90%", "coef upper 90%"]].to_numpy()
        scale = fitted.eta / fitted.lambda_
        rows.append(
            {
                "component": component,
                "duty_cycle": duty_cycle,
                "shape": fitted.rho_,
                "shape_low": low,
                "shape_high": high,
                "eta": fitted.eta,
                "eta_low": eta_low * scale,
                "eta_high": eta_high * scale,
                "b10": fitted.b10,
            }
        )
    return pd.DataFrame(rows)


def resample(lives: pd.DataFrame, fits: pd.DataFrame, *, draws: int, seed: int) -> pd.DataFrame:
    """Return the ratio of B10 of every class to its component's first, with an interval from trucks drawn again."""
    lives = lives[lives["exit"] > lives["entry"]]
    truck, names = pd.factorize(lives["unit_id"])
    rng = np.random.default_rng(seed)
    weights = [np.bincount(rng.integers(0, len(names), len(names)), minlength=len(names)) for _ in range(draws)]
    drawn: dict[tuple[str, str], list[float]] = {}
    start = fits.set_index(["component", "duty_cycle"])[["eta", "shape"]]
    for stratum, rows in lives.groupby(["component", "duty_cycle"]).indices.items():
        mine, codes, point = lives.iloc[rows], truck[rows], start.loc[stratum].to_numpy()
        for weight in weights:
            own = weight[codes]
            fitted = fit_one(mine[own > 0], own[own > 0], point)
            drawn.setdefault(stratum, []).append(fitted.b10)
    rows = []
    for component, classes in fits.groupby("component"):
        reference = (component, classes["duty_cycle"].iloc[0])
        for duty_cycle in classes["duty_cycle"].iloc[1:]:
            ratio = np.array(drawn[component, duty_cycle]) / np.array(drawn[reference])
            rows.append((component, duty_cycle, *np.quantile(ratio, [0.05, 0.95])))
    return pd.DataFrame(rows, columns=["component", "duty_cycle", "ratio_low", "ratio_high"])


def main() -> None:
    """Print the fits and the ratios."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--draws", type=int, default=20)
    asked = parser.parse_args()
    lives = make_lives(read_tables(asked.folder, "2019-01-01", "2025-12-31"))
    fits = fit_all(lives)
    print(fits.to_string(), resample(lives, fits, draws=asked.draws, seed=1).to_string(), sep="\n")


if __name__ == "__main__":
    main()
