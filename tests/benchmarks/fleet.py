"""An invented fleet of any size, written fast: trucks with twelve parts each, about 290 work-order rows a truck.

Every stop greases eight parts, a row each; parts fail, are replaced as planned, or enter late. One row in a thousand
has a fault. Drawn in blocks of trucks, each into files of its own, so that memory stays flat.
"""

from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd

FROM, AS_OF = (int(np.datetime64(day).astype(int)) for day in ("2019-01-01", "2025-12-31"))
CLASSES = np.array(["line_haul", "regional", "vocational"], dtype=object)
PARTS = {"joint": 6, "slip_spline": 2, "boot": 2, "center_bearing": 2}
POSITIONS = np.array([f"{part}.{n}" for part, count in PARTS.items() for n in range(1, count + 1)], dtype=object)
PART = np.repeat(np.arange(len(PARTS)), list(PARTS.values()))
GREASED = 8  # the first eight positions
PER_DAY, INTERVAL = np.array([300.0, 180.0, 90.0]), np.array([15_000.0, 12_000.0, 8_000.0])
SHAPE = np.array([2.2, 2.6, 1.8, 2.4])
ETA = np.array([[400e3, 260e3, 120e3], [500e3, 330e3, 150e3], [420e3, 250e3, 130e3], [600e3, 420e3, 210e3]])
SERVICES_A_TRUCK = 290
BLOCK = 5_000  # trucks
FAULTS = {"date": "2024-02-31", "miles": "12o5", "action": "wash", "cups_purged": "9", "unit_id": "T-none",
          "service_id": ""}  # fmt: skip
TOML = """records_from = 2019-01-01
as_of = 2025-12-31
[costs]
regrease_stop = 45
ownership_miles = { line_haul = 700000, regional = 500000, vocational = 250000 }
joint = { planned = 380, failure = 2400 }
slip_spline = { planned = 1500, failure = 4200 }
boot = { planned = 160, failure = 300 }
center_bearing = { planned = 420, failure = 1900 }
"""


def write_fleet(folder: Path, services: int, *, seed: int = 5) -> None:
    """Write a fleet folder with about so many rows of services."""
    folder.mkdir(parents=True)
    (folder / "fleet.toml").write_text(TOML)
    trucks = max(round(services / SERVICES_A_TRUCK), 30)
    for number, first in enumerate(range(0, trucks, BLOCK), 1):
        rng = np.random.default_rng((seed, number))
        for table, frame in _draw(rng, first, min(BLOCK, trucks - first)).items():
            _write(folder / f"{table}-{number:04d}.csv", frame)


def _write(path: Path, frame: pd.DataFrame) -> None:
    with duckdb.connect() as connection:
        connection.register("frame", frame)
        columns = [f"date '1970-01-01' + {name} as {name}" if "date" in name else name for name in frame]
        if "fault" in columns:
            columns = [_spoilt(name, text) for name, text in zip(frame, columns, strict=True) if name != "fault"]
        connection.execute(f"copy (select {', '.join(columns)} from frame) to '{path}' (header, quote '\"')")


def _spoilt(name: str, text: str) -> str:
    if name not in FAULTS:
        return text
    value = text.removesuffix(f" as {name}")
    return f"case when fault = '{name}' then '{FAULTS[name]}' else cast({value} as varchar) end as {name}"


def _draw(rng: np.random.Generator, first: int, trucks: int) -> dict[str, pd.DataFrame]:
    truck = _trucks(rng, first, trucks)
    day, kind = _renewals(rng, truck)
    return {
        "units": pd.DataFrame(
            {
                "unit_id": truck["name"],
                "duty_cycle": CLASSES[truck["duty"]],
                "in_service_date": truck["start"].astype(np.int32),
                "out_of_service_date": pd.array(np.where(truck["gone"], truck["end"], 0), dtype="Int32").copy(),
                "home_shop": truck["shop"],
                "model_year": truck["start"] // 365 + 1970,
            }
        ).assign(out_of_service_date=lambda f: f["out_of_service_date"].where(f["out_of_service_date"] > 0)),
        "positions": _positions(truck, day),
        "readings": _readings(truck),
        "services": _services(rng, truck, day, kind),
    }


def _trucks(rng: np.random.Generator, first: int, trucks: int) -> dict[str, Any]:
    duty = rng.choice(3, trucks, p=[0.4, 0.35, 0.25])
    start = rng.integers(FROM - 1800, FROM + 1600, trucks)
    seen = np.maximum(start, FROM)
    gone = rng.random(trucks) < 0.15
    return {
        "name": np.array([f"T{n:07d}" for n in range(first, first + trucks)], dtype=object),
        "duty": duty,
        "start": start,
        "seen": seen,
        "gone": gone,
        "end": np.where(gone, seen + 400 + (rng.random(trucks) * (AS_OF - seen - 400)).astype(int), AS_OF),
        "rate": PER_DAY[duty] * np.exp(0.13 * rng.standard_normal(trucks)),
        "habit": INTERVAL[duty] * np.exp(0.25 * rng.standard_normal(trucks)),
        "weak": rng.gamma(5.0, 0.2, trucks),
        "shop": np.array(["north", "south", "east", "west"], dtype=object)[rng.integers(0, 4, trucks)],
    }


def _miles(truck: dict[str, Any], which: Any, day: Any) -> Any:
    """Return the meter of each truck on a day: its own rate with a season, to a tenth of a mile."""
    run = day - truck["start"][which]
    return np.round(truck["rate"][which] * (run + 9.0 * (1 - np.cos(2 * np.pi * run / 365.25))), 1)


def _renewals(rng: np.random.Generator, truck: dict[str, Any]) -> tuple[Any, Any]:
    """Return the days on which the parts of each place are changed (trucks, places, n), and why."""
    trucks, places, most = len(truck["duty"]), len(POSITIONS), 16
    eta = ETA[PART][:, truck["duty"]].T
    pressure = truck["weak"][:, None] * np.where(
        PART[None, :] < 2, (truck["habit"] / INTERVAL[truck["duty"]])[:, None], 1.0
    )
    shape = SHAPE[PART]
    life = (eta * pressure ** (-1 / shape))[..., None] * rng.weibull(shape[None, :, None], (trucks, places, most))
    kind = rng.choice(4, (trucks, places, most), p=[0.5, 0.25, 0.2, 0.05])  # breakdown, inspection, planned, unknown
    life = np.where(kind == 2, life * rng.uniform(0.5, 1.0, life.shape), life)
    days = np.maximum(life / truck["rate"][:, None, None], 60).round()
    return truck["start"][:, None, None] + np.cumsum(days, axis=2).astype(np.int64), kind


def _positions(truck: dict[str, Any], day: Any) -> pd.DataFrame:
    places = len(POSITIONS)
    last = np.where(day < FROM, day, 0).max(axis=2).ravel()
    which = np.repeat(np.arange(len(truck["duty"])), places)
    old = last > 0
    return pd.DataFrame(
        {
            "unit_id": truck["name"][which],
            "position": np.tile(POSITIONS, len(truck["duty"])),
            "component": np.tile(np.array(list(PARTS), dtype=object)[PART], len(truck["duty"])),
            "installed_date": pd.array(np.where(old, last, 0), dtype="Int32"),
            "installed_miles": np.where(old, _miles(truck, which, np.where(old, last, FROM)), np.nan),
        }
    ).assign(installed_date=lambda f: f["installed_date"].where(f["installed_date"] > 0))


def _readings(truck: dict[str, Any]) -> pd.DataFrame:
    months = np.arange(np.datetime64("2019-01"), np.datetime64("2026-01")).astype("datetime64[D]").astype(np.int64)
    day = np.column_stack([np.tile(months, (len(truck["duty"]), 1)), truck["end"]])
    which, column = np.nonzero((day >= truck["seen"][:, None]) & (day <= truck["end"][:, None]))
    when = day[which, column]
    return pd.DataFrame(
        {"unit_id": truck["name"][which], "date": when.astype(np.int32), "miles": _miles(truck, which, when)}
    )


def _services(rng: np.random.Generator, truck: dict[str, Any], day: Any, kind: Any) -> pd.DataFrame:
    gap = (truck["habit"] / truck["rate"])[:, None] * rng.gamma(16, 1 / 16, (len(truck["duty"]), 200))
    stop = truck["seen"][:, None] + np.cumsum(np.maximum(gap, 2), axis=1).astype(np.int64)
    at, column = np.nonzero(stop <= truck["end"][:, None])
    greased = np.repeat(at, GREASED)
    parts = [(greased, np.repeat(stop[at, column], GREASED), np.tile(np.arange(GREASED), len(at)), -1)]
    changed, place, n = np.nonzero((day >= FROM) & (day <= truck["end"][:, None, None]))
    parts.append((changed, day[changed, place, n], place, kind[changed, place, n]))
    which, when, where = (np.concatenate([part[i] for part in parts]) for i in range(3))
    what = np.concatenate([np.full(len(greased), -1), parts[1][3]])
    order = np.lexsort([where, which, when])
    which, when, where, what = which[order], when[order], where[order], what[order]
    rows = len(which)
    grease = what < 0
    choices = np.array(["failure", "failure", "planned", "unknown", None], dtype=object)
    fault = np.full(rows, None, dtype=object)
    bad = rng.choice(rows, rows // 1000, replace=False)
    fault[bad] = np.resize(np.array(list(FAULTS), dtype=object), len(bad))
    return pd.DataFrame(
        {
            "service_id": np.char.add(f"W{truck['name'][0][1:]}-", np.arange(rows).astype(str)).astype(object),
            "unit_id": truck["name"][which],
            "date": when.astype(np.int32),
            "miles": np.where(rng.random(rows) < 0.02, np.nan, _miles(truck, which, when)),
            "position": POSITIONS[where],
            "component": np.array(list(PARTS), dtype=object)[PART[where]],
            "action": np.where(grease, "regrease", "replace").astype(object),
            "reason": choices[what],
            "found_at": np.array(["breakdown", "inspection", None, None, None], dtype=object)[what],
            "failure_mode": np.where((what == 0) | (what == 1), "worn", None),
            "lot": np.where(grease, None, np.char.add("L", rng.integers(0, 40, rows).astype(str)).astype(object)),
            "shop": truck["shop"][which],
            "cups_purged": pd.array(rng.integers(0, 5, rows), dtype="Int32"),
            "labor_hours": rng.integers(0, 80, rows) / 10,
            "fault": fault,
        }
    )
