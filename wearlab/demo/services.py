"""The demo fleet's work orders, and what its clerks got wrong: each kind of fault is counted in the truth."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from wearlab.demo import scenario as plan
from wearlab.demo.fleet import AS_OF, NEVER, Flags, Floats, Ints, Stops
from wearlab.demo.lives import ROAD_SHOP
from wearlab.demo.records import (
    Texts,
    World,
    dates,
    decimals,
    in_record,
    lots,
    names,
    reason_names,
    road_shop,
    shown,
    whole,
)

COLUMNS = (
    "service_id",
    "unit_id",
    "date",
    "miles",
    "position",
    "component",
    "action",
    "reason",
    "found_at",
    "failure_mode",
    "lot",
    "shop",
    "crew",
    "grease_grade",
    "cups_purged",
    "labor_hours",
    "parts_cost",
    "downtime_hours",
    "note",
    "posted_date",
    "updated_at",
    "clamp_tool",
)
# Kept beside the rows until they are written: the truck, the moment and the life that each replacement ended.
_TRUE = ("truck", "moment", "life")


def _visits(rng: np.random.Generator, world: World, stops: Stops, action: str) -> pd.DataFrame:
    """Return one row per stop inside the record, for every position of the truck."""
    keep = stops.day >= world.record_start()[stops.truck]
    truck, day = stops.truck[keep], stops.day[keep]
    size = len(truck)
    home = world.trucks.shop[truck]
    shop = np.where(rng.random(size) < 0.06, rng.integers(0, len(plan.SHOPS), size), home)
    greased = action == "regrease"
    cups = np.where(rng.random(size) < np.array([0.93, 0.9, 0.8, 0.9, 0.92])[shop], 4, rng.integers(1, 4, size))
    known = (rng.random(size) < 0.8) & greased
    grade = np.where(rng.random(size) < 0.96, "NLGI 2", "NLGI 1")
    return pd.DataFrame(
        {
            "truck": truck,
            "moment": day + 0.4,
            "life": -1,
            "action": action,
            "shop": road_shop(shop),
            "crew": _crews(rng, shop),
            "grease_grade": grade.astype(object) if greased else "",
            "cups_purged": np.where(known, cups.astype(str).astype(object), ""),
            "labor_hours": decimals(rng.gamma(9.0, 0.04 if greased else 0.05, size), 2),
        }
    )


def _crews(rng: np.random.Generator, shop: Ints) -> Texts:
    letter = np.array(["a", "b", "c"], dtype=object)[rng.integers(0, 3, len(shop))]
    return np.where(shop == ROAD_SHOP, "", road_shop(shop) + "-" + letter).astype(object)


def _modes(rng: np.random.Generator, component: Ints, leaking: Flags) -> Texts:
    draw = rng.random(len(component))
    text = np.full(len(component), "", dtype=object)
    for index, name in enumerate(plan.COMPONENTS):
        modes, shares = zip(*plan.MODES[name], strict=True)
        chosen = np.searchsorted(np.cumsum(shares)[:-1], draw, side="right")
        text = np.where(component == index, np.array(modes, dtype=object)[chosen], text)
    return np.where(leaking & (draw < 0.85), "clamp_slip", text).astype(object)


def _replacements(rng: np.random.Generator, world: World) -> pd.DataFrame:
    """Return one row per replacement inside the record, as a careful clerk would write it."""
    lives, positions = world.lives, world.positions
    ended = np.flatnonzero(in_record(world))
    at, part = lives.position[ended], positions.component[lives.position[ended]]
    truck, size = positions.truck[at], len(ended)
    fitted = ended + 1  # the next life of the same position
    shop = lives.fitted_shop[fitted]
    failed = lives.reason[ended] == 0
    on_road = failed & ~lives.at_inspection[ended]
    base_cost = np.array([140.0, 900.0, 70.0, 210.0])[part]
    hours = np.array([1.6, 2.4, 0.8, 1.8])[part] * np.where(on_road, 1.8, 1.0)
    boot = part == plan.COMPONENTS.index("boot")
    tool = np.array(["band_tensioner", "pincers"], dtype=object)[(rng.random(size) < 0.4).astype(int)]
    downtime = np.where(on_road, rng.gamma(4.0, 5.0, size), rng.gamma(4.0, 0.8, size))
    return pd.DataFrame(
        {
            "truck": truck,
            "moment": world.meters.moment(truck, lives.removed[ended]),
            "life": ended,
            "position": np.array([place.position for place in positions.place[at]], dtype=object),
            "component": np.array(plan.COMPONENTS, dtype=object)[part],
            "action": "replace",
            "reason": reason_names(lives.reason[ended]),
            "found_at": np.where(failed, np.where(on_road, "breakdown", "inspection"), ""),
            "failure_mode": np.where(failed, _modes(rng, part, lives.leaking[ended]), ""),
            "lot": lots(world)[fitted],
            "shop": road_shop(shop),
            "crew": _crews(rng, shop),
            "labor_hours": decimals(hours * rng.gamma(16.0, 1 / 16, size), 2),
            "parts_cost": decimals(base_cost * rng.gamma(25.0, 1 / 25, size), 2),
            "downtime_hours": decimals(downtime, 1),
            "clamp_tool": np.where(boot, tool, ""),
        }
    )


def _lose_facts(rng: np.random.Generator, world: World, rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the replacements with reasons and positions lost, and second orders written for the same repair."""
    draw, size = rng.random(len(rows)), len(rows)
    reason = rows["reason"].to_numpy(dtype=object)
    unknown = (draw < 0.04) & np.isin(reason, ["failure", "planned"])
    part = rows["component"].to_numpy(dtype=object)
    no_place = (draw > 0.985) & (reason == "failure") & np.isin(part, ["joint", "slip_spline"])
    rows = rows.assign(
        reason=np.where(unknown, "unknown", reason),
        found_at=np.where(unknown, "", rows["found_at"].to_numpy(dtype=object)),
        position=np.where(no_place, "", rows["position"].to_numpy(dtype=object)),
    )
    twice = np.flatnonzero((rng.random(size) < 0.03) & (reason == "failure") & ~unknown & ~no_place)
    moment = rows["moment"].to_numpy(dtype=float)[twice]
    later, truck = moment + rng.integers(1, 5, len(twice)), rows["truck"].to_numpy()[twice]
    second = rows.iloc[twice].assign(moment=later, note="second order, same repair")
    # Further on than this they would be two repairs.
    near = world.meters.at(truck, later) - world.meters.at(truck, moment) < 450
    return rows, second[near & (later < world.trucks.end_day[truck])]


def _hides_a_failure(world: World, visits: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which visits came while a part of the truck had failed unseen: greasing it all would have shown it."""
    lives = world.lives
    unseen = np.flatnonzero(lives.at_inspection | lives.undiscovered)
    truck = world.positions.truck[lives.position[unseen]]
    last = world.meters.at(truck, world.trucks.end_day[truck] + 1.0)
    failed = world.meters.moment(truck, lives.latent[unseen])
    seen = world.meters.moment(truck, np.minimum(lives.removed[unseen], last))
    spans = pd.DataFrame({"truck": truck, "failed": failed, "seen": seen})
    met = visits[["truck", "moment"]].assign(visit=np.arange(len(visits))).merge(spans, on="truck")
    hidden = met["visit"][(met["failed"] < met["moment"]) & (met["moment"] < met["seen"])]
    return np.isin(np.arange(len(visits)), hidden.to_numpy())


def services_table(rng: np.random.Generator, world: World) -> tuple[pd.DataFrame, dict[str, int]]:
    """Return the services table in order of date, and how many rows carry each kind of fault."""
    rows, second = _lose_facts(rng, world, _replacements(rng, world))
    on_road = rows[(rows["found_at"] == "breakdown") & (rng.random(len(rows)) < 0.25)]
    after = on_road[["truck", "moment", "shop", "crew"]].assign(life=-1, action="regrease", note="greased at repair")
    after = after[~_hides_a_failure(world, after)]
    parts = [
        _visits(rng, world, world.greasings, "regrease"),
        _visits(rng, world, world.inspections, "inspect"),
        rows,
        second,
        after.drop_duplicates(["truck", "moment"]),
    ]
    table = pd.concat(parts, ignore_index=True)
    table = table.reindex(columns=[*_TRUE, *COLUMNS[4:19], *COLUMNS[21:]])
    text = [name for name in table.columns if name not in _TRUE]
    table[text] = table[text].astype(object).where(table[text].notna(), "")
    table = table.iloc[np.lexsort([table["action"], table["truck"], table["moment"]])].reset_index(drop=True)
    table, counts = _write_down(rng, world, table)
    counts |= {
        "replacements": len(rows),
        "unknown_reason": int((rows["reason"] == "unknown").sum()),
        "position_not_recorded": int((rows["position"] == "").sum()),
        "second_orders": len(second),
    }
    return table, counts


def _write_down(rng: np.random.Generator, world: World, table: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, int]]:
    """Return the rows with ids, dates and meters as written: some meters missing, some typed wrong, some put right."""
    truck, moment = table["truck"].to_numpy(), table["moment"].to_numpy()
    size = len(table)
    day = np.floor(moment).astype(np.int64)
    miles = shown(world, truck, moment)
    draw = rng.random(size)
    visit = (table["action"] != "replace").to_numpy()
    own_meter = world.trucks.meter_replaced_day[truck] >= NEVER
    missing, wrong = draw < 0.03, visit & own_meter & (draw > 0.997)
    written: Floats = np.where(wrong, miles * rng.choice([0.1, 0.75, 10.0], size), miles)
    posted = day + 1 + rng.geometric(0.35, size) + np.where(rng.random(size) < 0.01, rng.integers(30, 90, size), 0)
    posted = np.minimum(posted, AS_OF)
    width = max(5, len(str(size)))
    table = table.assign(
        service_id=[f"W{number:0{width}d}" for number in range(1, size + 1)],
        unit_id=names(world.trucks)[truck],
        date=dates(day),
        miles=whole(np.where(missing, np.nan, written)),
        posted_date=dates(posted),
        updated_at="",
    )
    amended = np.flatnonzero(visit & ~missing & ~wrong)[:: max(1, size // 12)][:12]
    first = table.iloc[amended].assign(miles=whole(miles[amended] + 100_000), updated_at=dates(posted[amended]))
    table.loc[table.index[amended], "updated_at"] = dates(np.minimum(posted[amended] + 9, AS_OF))
    table = pd.concat([table, first], ignore_index=True)
    counts = {
        "service_miles_missing": int(missing.sum()),
        "service_miles_wrong": int(wrong.sum()),
        "amended": len(first),
    }
    return table, counts


def bad_services(table: pd.DataFrame) -> pd.DataFrame:
    """Return a few rows that no reader can use, one kind of fault each, and three exact repeats."""
    model = table[(table["action"] == "regrease") & (table["miles"] != "")].iloc[[11] * 6][list(COLUMNS)]
    faults = [
        {"date": "2024-02-31"},
        {"action": "polish"},
        {"miles": "12o500"},
        {"cups_purged": "9"},
        {"date": "2031-05-04"},
        {"action": "replace", "reason": "failure", "position": "", "component": ""},
    ]
    rows = [
        {**dict(zip(COLUMNS, values, strict=True)), "service_id": f"X{number}", **fault}
        for number, (values, fault) in enumerate(zip(model.itertuples(index=False), faults, strict=True), start=1)
    ]
    repeats = table.iloc[[5, 50, 150]][list(COLUMNS)] if len(table) > 200 else table.iloc[:0][list(COLUMNS)]
    return pd.concat([pd.DataFrame(rows, columns=list(COLUMNS)), repeats], ignore_index=True)
