"""The invented demo fleet: service history written to the data contract, with its planted truth beside it.

It imports nothing of the road that reads it, so that what it plants cannot be bent to what the road expects.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from wearlab.demo import scenario as plan
from wearlab.demo.fleet import both, make_greasings, make_inspections, make_meters, make_practice, make_trucks
from wearlab.demo.lives import make_hazard, make_lives, make_positions
from wearlab.demo.records import (
    World,
    angles_table,
    duty_changes_table,
    lube_plan_table,
    measurements_table,
    positions_table,
    readings_table,
    spectra_table,
    units_table,
)
from wearlab.demo.services import COLUMNS, bad_services, services_table
from wearlab.demo.text import FLEET_TOML, README
from wearlab.demo.truth import planted_truth
from wearlab.evidence import DataError
from wearlab.whole_file import whole_file, write_whole


@dataclass(frozen=True, slots=True)
class DemoWritten:
    """What write_demo wrote: the folder, its files in order, and the planted truth (also in truth.json)."""

    folder: Path
    files: tuple[Path, ...]
    truth: dict[str, Any]


def simulate_demo(seed: int, trucks: int) -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """Return the demo fleet's tables by name (all text, as in the files) and its planted truth.

    The same seed and number of trucks give the same tables to the last character.
    """
    streams = [np.random.default_rng(child) for child in np.random.SeedSequence((plan.STREAM, seed)).spawn(10)]
    fleet = make_trucks(streams[0], trucks)
    meters = make_meters(streams[1], fleet)
    practice = make_practice(fleet, meters)
    greasings = make_greasings(streams[2], fleet, meters, practice)
    inspections = make_inspections(streams[3], fleet, meters)
    positions = make_positions(fleet)
    looks = both(greasings, inspections, meters)
    lives = make_lives(streams[4], fleet, meters, looks, positions, make_hazard(practice, positions))
    world = World(fleet, meters, greasings, inspections, positions, lives)
    services, faults = services_table(streams[5], world)
    readings = readings_table(streams[6], world)
    tables = {
        "units": units_table(streams[7], world),
        "positions": positions_table(world),
        "services": services[list(COLUMNS)],
        "readings": pd.concat([readings, _bad_readings(readings)], ignore_index=True),
        "duty_changes": duty_changes_table(world),
        "lube_plan": lube_plan_table(world),
        "measurements": measurements_table(streams[8], world),
        "spectra": spectra_table(),
        "angles": angles_table(streams[9], world),
    }
    bad = bad_services(services)
    tables["services"] = pd.concat([tables["services"], bad], ignore_index=True)
    faults |= {"bad_rows": int(bad["service_id"].str.startswith("X").sum()) + 2, "repeated_rows": len(bad) - 6}
    return tables, planted_truth(seed, world, practice, faults)


def _bad_readings(readings: pd.DataFrame) -> pd.DataFrame:
    first = readings.iloc[[0, 0]].copy()
    first["miles"] = ["see note", "-40"]
    return first


def write_demo(folder: Path, *, seed: int, trucks: int = 300) -> DemoWritten:
    """Write the demo fleet's files into ``folder`` (made if it is not there) and return what was written.

    Refuses (DataError) a folder that cannot be written, and one with a fleet.toml that is not the demo's own.
    """
    own = folder / "fleet.toml"
    try:
        if own.exists() and FLEET_TOML.splitlines()[0].encode() not in own.read_bytes():
            raise DataError("own-fleet", "the folder holds a fleet.toml of its own", "name a new folder", str(folder))
        tables, truth = simulate_demo(seed, trucks)
        return DemoWritten(folder, tuple(_write_all(folder, tables, truth)), truth)
    except OSError as error:
        text = f"the folder cannot be written ({error.strerror})"
        raise DataError("cannot-write", text, "name another folder", str(folder)) from error


def _write_all(folder: Path, tables: dict[str, pd.DataFrame], truth: dict[str, Any]) -> Iterator[Path]:
    yield _write_text(folder / "README.md", README)
    yield _write_text(folder / "fleet.toml", FLEET_TOML)
    for name, table in tables.items():
        if name == "services":
            # An export of every two years is a file of its own.
            year = table["date"].str[:4].astype(int).clip(2020, 2026) // 2 * 2
            for first in sorted(year.unique()):
                yield _write_table(folder / f"services-{first}.csv", table[year == first])
        else:
            yield _write_table(folder / f"{name}.csv", table)
    yield _write_text(folder / "truth.json", json.dumps(truth, indent=1) + "\n")


def _write_table(path: Path, table: pd.DataFrame) -> Path:
    with whole_file(path) as beside:
        table.to_csv(beside, index=False, lineterminator="\n", encoding="utf-8")
    return path


def _write_text(path: Path, text: str) -> Path:
    return write_whole(path, text.encode())
