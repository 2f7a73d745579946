"""Tiny fleets and lives files, made from one source of chance: whole and plausible, before they are spoiled."""

import random
from datetime import date, timedelta

from tests.hardening.files import Table

START = date(2020, 1, 1)
_COMPONENTS = {
    "joint": ("main.joint.1", "main.joint.2", "rear.joint.1"),
    "boot": ("main.boot",),
    "spline": ("main.spline",),
}
_CLASSES = ("line_haul", "vocational", "regional")


def make_fleet(rnd: random.Random) -> dict[str, Table]:
    """Return the tables of a fleet of a few trucks: failures, regrease stops, readings and what else there may be."""
    trucks = [f"T{number}" for number in range(1, rnd.choice((1, 2, 3, 5, 8)) + 1)]
    fleet: dict[str, Table] = {
        "units": [["unit_id", "duty_cycle", "in_service_date", "in_service_miles", "home_shop"]],
        "positions": [["unit_id", "position", "component", "hardware", "lot"]],
        "services": [[
            "service_id", "unit_id", "date", "miles", "position", "component", "action", "reason", "found_at",
            "failure_mode", "lot", "shop", "crew", "cups_purged", "labor_hours", "parts_cost", "note",
        ]],
        "readings": [["unit_id", "date", "miles", "engine_hours"]],
    }  # fmt: skip
    for truck in trucks:
        _add_truck(rnd, fleet, truck)
    if rnd.random() < 0.4:
        fleet["lube_plan"] = [
            ["duty_cycle", "from_date", "interval_miles"],
            *([name, "2020-01-01", "9000"] for name in _CLASSES),
        ]
    if rnd.random() < 0.3:
        fleet["duty_changes"] = [["unit_id", "date", "duty_cycle"], [trucks[0], "2021-06-01", "vocational"]]
    if rnd.random() < 0.4:
        fleet["measurements"] = _make_measurements(rnd, trucks)
    return fleet


def _add_truck(rnd: random.Random, fleet: dict[str, Table], truck: str) -> None:
    fleet["units"].append(
        [truck, rnd.choice(_CLASSES), "2020-01-01", rnd.choice(("0", "12000")), rnd.choice(("A", "B"))]
    )
    places = [(part, name) for part, names in _COMPONENTS.items() for name in names if rnd.random() < 0.8]
    fleet["positions"] += [[truck, name, part, "greaseable", rnd.choice(("L1", "L2", ""))] for part, name in places]
    rate = rnd.uniform(100, 400)
    for month in range(1, rnd.choice((3, 12, 24))):
        day = START + timedelta(days=30 * month + rnd.randrange(9))
        miles = f"{rate * (day - START).days:.0f}"
        if rnd.random() < 0.8:
            fleet["readings"].append([truck, day.isoformat(), miles, f"{float(miles) / 40:.1f}"])
        _add_services(rnd, fleet["services"], truck, day.isoformat(), miles, places)


def _add_services(
    rnd: random.Random, rows: Table, truck: str, day: str, miles: str, places: list[tuple[str, str]]
) -> None:
    common = [rnd.choice(("A", "B")), rnd.choice(("c1", "c2")), rnd.choice(("4", "3", "")), "0.5", "12", "note"]
    if rnd.random() < 0.6:
        rows.append([f"S{len(rows)}", truck, day, miles, "", "", "regrease", "", "", "", "", *common])
    if places and rnd.random() < 0.35:
        part, name = rnd.choice(places)
        reason = rnd.choice(("failure", "failure", "planned", "unknown", "with_mate"))
        found = rnd.choice(("breakdown", "inspection", "")) if reason == "failure" else ""
        mode = rnd.choice(("dry_cup", "torn", "")) if reason == "failure" else ""
        lot = rnd.choice(("L1", "L2", ""))
        rows.append([f"S{len(rows)}", truck, day, miles, name, part, "replace", reason, found, mode, lot, *common])


def _make_measurements(rnd: random.Random, trucks: list[str]) -> Table:
    rows = [["unit_id", "position", "date", "miles", "quantity", "value", "unit"]]
    for truck in trucks:
        for month in range(1, 6):
            day = (START + timedelta(days=60 * month)).isoformat()
            value = f"{0.001 * month * rnd.random():.5f}"
            rows.append([truck, "main.joint.1", day, str(6000 * month), "joint_play", value, "in"])
    return rows


def make_lives(rnd: random.Random) -> Table:
    """Return a plain lives file: ages of any size, some failures, and whatever columns it may have."""
    columns = ["exit", "failed"]
    columns += [
        name
        for name in ("entry", "lower", "upper", "count", "mode", "unit_id", "component", "lot")
        if rnd.random() < 0.4
    ]
    size = 10.0 ** rnd.randint(-3, 9)
    rows = [columns]
    for _ in range(rnd.choice((1, 2, 3, 8, 20, 40))):
        age, failed = size * (0.05 + rnd.random()), rnd.random() < 0.6
        cells = {
            "exit": repr(age),
            "failed": rnd.choice(("1", "true", "yes")) if failed else "0",
            "entry": repr(age * rnd.choice((0.0, 0.0, 0.3, 0.9))),
            "lower": repr(age * 0.5) if failed and rnd.random() < 0.2 else "",
            "upper": "",
            "count": rnd.choice(("1", "2", "0.5", "")),
            "mode": rnd.choice(("worn", "dry", "")),
            "unit_id": rnd.choice(("A", "B", "C", "D")),
            "component": rnd.choice(("joint", "boot")),
            "lot": rnd.choice(("L1", "L2", "L3", "")),
        }
        rows.append([cells[name] for name in columns])
    return rows
