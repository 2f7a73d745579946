"""Lives from literal rows in plain Python, loop by loop: what the SQL is compared with.

Written from the rules, not from the SQL; slow, and only for small fleets.
"""

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from tests.plain_meters import Track, make_track

DAY_LIMIT = {"miles": 1200.0, "hours": 24.0}


@dataclass
class Truck:
    """One truck with its rows, its meters and its own life scale."""

    row: dict[str, Any]
    record_start: date
    end: date | None
    services: list[dict[str, Any]]
    readings: list[dict[str, Any]]
    classes: list[tuple[date, str]]
    miles: Track
    hours: Track
    scale: str

    def class_on(self, day: date) -> str:
        return [name for since, name in self.classes if since <= day][-1]

    def in_scale(self, miles: float | None, hours: float | None, day: date) -> float | None:
        if self.scale == "days":
            return float((day - date(1970, 1, 1)).days)
        if self.scale == "engine_hours":
            return hours
        if self.scale == "miles" or miles is None:
            return miles
        if self.row.get("axle_ratio") is None or self.row.get("tire_turns_per_mile") is None:
            return None
        return miles * (self.row["axle_ratio"] * self.row["tire_turns_per_mile"])

    def moment(self, day: date, miles: float | None = None) -> "Moment":
        own = miles if miles is not None else self.miles.at(day)
        return Moment(day, own, self.hours.at(day), self.in_scale(own, self.hours.at(day), day))


@dataclass
class Moment:
    day: date
    miles: float | None
    hours: float | None
    at: float | None


@dataclass
class Life:
    unit_id: str
    position: str
    number: int
    start: Moment
    entry_day: date
    end: Moment
    entry: float | None
    exit: float | None
    failed: bool
    ending: str
    duty_cycle: str
    lower: float | None = None
    upper: float | None = None
    episodes: list[dict[str, Any]] = field(default_factory=list)

    @property
    def fittable(self) -> bool:
        return self.entry is not None and self.exit is not None and self.exit > self.entry


def latest(rows: list[dict[str, Any]], *key: str) -> list[dict[str, Any]]:
    kept: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in rows:
        kept[tuple(row[k] for k in key)] = row
    return [kept[k] for k in sorted(kept)]


def services_of(unit: dict[str, Any], rows: dict[str, list[dict[str, Any]]], asked: dict[str, Any], until: date):
    versions: dict[str, list[dict[str, Any]]] = {}
    for row in rows["services"]:
        if asked["known_then"] and (row.get("posted_date") or row["date"]) > asked["as_of"]:
            continue
        versions.setdefault(row["service_id"], []).append(row)
    chosen = []
    for _, group in sorted(versions.items()):
        ranked = sorted(enumerate(group), key=lambda pair: (pair[1].get("updated_at") or date.min, pair[0]))
        if asked["known_then"]:
            then = [pair for pair in ranked if (pair[1].get("updated_at") or date.min) <= asked["as_of"]]
            ranked = then or ranked
        chosen.append(ranked[-1][1])
    mine = [s for s in chosen if s["unit_id"] == unit["unit_id"] and unit["in_service_date"] <= s["date"] <= until]
    return [dict(s) for s in mine]


def make_truck(unit: dict[str, Any], rows: dict[str, list[dict[str, Any]]], asked: dict[str, Any]) -> Truck | None:
    began = unit["in_service_date"]
    if began > asked["as_of"]:
        return None
    end = unit.get("out_of_service_date")
    end = end if end is not None and end <= asked["as_of"] else None
    until = end or asked["as_of"]
    services = services_of(unit, rows, asked, until)
    readings = [r for r in rows["readings"] if r["unit_id"] == unit["unit_id"] and began <= r["date"] <= until]
    first_miles = unit.get("in_service_miles") or 0.0
    miles = [(began, first_miles, False, 1.5)]
    miles += [(r["date"], r["miles"], bool(r.get("meter_replaced")), 1.0) for r in readings]
    miles += [(s["date"], s["miles"], False, 1.0) for s in services if s.get("miles") is not None]
    clock = [
        (r["date"], r["engine_hours"], bool(r.get("meter_replaced")), 1.0)
        for r in readings
        if r.get("engine_hours") is not None
    ]
    if clock and first_miles <= 2000:
        clock.append((began, 0.0, False, 1.5))
    changes = [(began, unit["duty_cycle"])]
    said = {max(c["date"], began): c["duty_cycle"] for c in rows["duty_changes"]
            if c["unit_id"] == unit["unit_id"] and c["date"] <= asked["as_of"]}  # fmt: skip
    for day in sorted(said):
        if day == began:
            changes = [(began, said[day])]
        elif said[day] != changes[-1][1]:
            changes.append((day, said[day]))
    truck = Truck(
        unit, max(began, asked["records_from"]), end, services, readings, changes,
        make_track(miles, DAY_LIMIT["miles"], new_meters_too=True), make_track(clock, DAY_LIMIT["hours"]),
        asked["scale"],
    )  # fmt: skip
    for service in services:
        service["raw"] = service.get("miles")
        known = truck.miles.right.get((service["date"], service["raw"])) if service["raw"] is not None else None
        service["miles"] = known if known is not None else truck.miles.at(service["date"])
        service["reason"] = service.get("reason") or "unknown"
    services.sort(key=lambda s: (s["date"], s["miles"] if s["miles"] is not None else float("inf"), s["service_id"]))
    return truck


def lives_of(truck: Truck, rows: dict[str, list[dict[str, Any]]], asked: dict[str, Any], left_out: dict[str, int]):
    unit_id, began = truck.row["unit_id"], truck.row["in_service_date"]
    places = [
        p for p in latest(rows["positions"], "unit_id", "position")
        if p["unit_id"] == unit_id and (p.get("installed_date") or began) <= (truck.end or asked["as_of"])
    ]  # fmt: skip
    by_name = {p["position"]: p for p in places}
    own: dict[str, list[dict[str, Any]]] = {name: [] for name in by_name}
    unplaced: list[dict[str, Any]] = []
    orders: list[dict[str, Any]] = []
    for order in [s for s in truck.services if s["action"] == "replace"]:
        name = order.get("position")
        if name is None:
            alike = [p["position"] for p in places if p["component"] == order.get("component")]
            if len(alike) > 1:
                unplaced.append(order)
                orders.append({**order, "greased": any(greased(by_name[a]) for a in alike)})
                continue
            name = alike[0] if alike else None
        if name in by_name and order["date"] >= (by_name[name].get("installed_date") or began):
            own[name].append(order)
            orders.append({**order, "greased": greased(by_name[name])})
    lives: list[Life] = []
    for name, place in by_name.items():
        lives += lives_at(truck, place, own[name], unplaced, orders, asked, left_out)
    return lives, orders


def greased(place: dict[str, Any]) -> bool:
    if place.get("hardware") is not None:
        return place["hardware"] in ("greaseable", "extended_interval")
    return place["component"] in ("joint", "slip_spline")


def merge(orders: list[dict[str, Any]], asked: dict[str, Any]) -> list[list[dict[str, Any]]]:
    events: list[list[dict[str, Any]]] = []
    for order in orders:
        first = events[-1][0] if events else None
        same = (
            first is not None
            and asked["same_event_days"] > 0
            and asked["same_event_miles"] > 0
            and (order["date"] - first["date"]).days <= asked["same_event_days"]
            and (
                order["miles"] is None
                or first["miles"] is None
                or abs(order["miles"] - first["miles"]) <= asked["same_event_miles"]
            )
        )
        if same:
            events[-1].append(order)
        else:
            events.append([order])
    return events


def last_moment(truck: Truck, orders: list[dict[str, Any]], asked: dict[str, Any]) -> Moment:
    """Return where the truck's lives in place end."""
    began, track, clock = truck.row["in_service_date"], truck.miles.days, truck.hours.days
    with_miles = [(o["date"], o["miles"]) for o in orders if o["miles"] is not None]
    with_hours = [(o["date"], truck.hours.at(o["date"])) for o in orders if truck.hours.at(o["date"]) is not None]
    if truck.end is not None:
        day = truck.end
    elif asked["scale"] == "days":
        seen = [began] + [r["date"] for r in truck.readings] + [s["date"] for s in truck.services]
        seen += [since for since, _ in truck.classes]
        day = max(seen) if truck.readings else asked["as_of"]
    elif asked["scale"] == "engine_hours":
        days = [d for d, _, _ in clock[-1:]] + [d for d, _ in with_hours]
        day = max(days) if days else max([d for d, _, _ in track[-1:]] + [began])
    else:
        day = max([d for d, _, _ in track[-1:]] + [d for d, _ in with_miles] + [began])

    def value(meter: Track, replaced: list[tuple[date, float]]) -> float | None:
        late = [v for d, _, v in meter.days[-1:] if d > began] + [v for _, v in replaced]
        if not late:
            return None
        there = meter.at(day)
        return max([there if there is not None else max(late)] + [v for _, v in replaced])

    miles, hours = value(truck.miles, with_miles), value(truck.hours, with_hours)
    return Moment(day, miles, hours, truck.in_scale(miles, hours, day))


def start_of(truck: Truck, place: dict[str, Any]) -> Moment:
    began = truck.row["in_service_date"]
    day = place.get("installed_date") or began
    own: float | None = None
    if place.get("installed_miles") is not None:
        own = place["installed_miles"]
        below = [row[1] for row in truck.miles.days if row[0] <= day]
        above = [row[2] for row in truck.miles.days if row[0] >= day]
        if (day != began and below and own < below[-1]) or (above and own > above[0]):
            own = None
    if own is None and day == began:
        own = truck.miles.right.get((began, truck.row.get("in_service_miles") or 0.0))
    return truck.moment(day, own)


def lives_at(truck, place, own, unplaced, orders, asked, left_out) -> list[Life]:
    start = start_of(truck, place)
    boundaries: list[tuple[Any, ...]] = []  # (day, rank, n, kind, moment, event)
    for n, event in enumerate(merge(own, asked)):
        boundaries.append((event[0]["date"], 1, n, "replace", truck.moment(event[0]["date"], event[0]["miles"]), event))
    for day in sorted({o["date"] for o in unplaced if o["component"] == place["component"]}):
        if day >= start.day:
            same = [o["miles"] for o in unplaced if o["component"] == place["component"] and o["date"] == day]
            known = [m for m in same if m is not None]
            boundaries.append((day, 2, 0, "unplaced", truck.moment(day, min(known) if known else None), None))
    boundaries.sort(key=lambda b: b[:3])
    end = last_moment(truck, orders, asked)
    last_day = max([start.day] + [b[0] for b in boundaries])
    if end.day < last_day:
        end = Moment(last_day, None, None, truck.in_scale(None, None, last_day))
    lives: list[Life] = []
    number = 0
    state = ("known" if place.get("age_known", True) else "age_unknown", start)
    for day, _, _, kind, moment, event in [*boundaries, (end.day, 3, 0, "end", end, None)]:
        if kind == "unplaced" and state[0] != "known":
            continue
        gone = day < truck.record_start and not (kind == "end" and truck.end is None)
        if not gone:
            number += 1
            if state[0] != "known":
                left_out[state[0]] = left_out.get(state[0], 0) + 1
            else:
                lives.append(one_life(truck, place, number, state[1], kind, moment, event, asked))
                if lives[-1].entry is None or lives[-1].exit is None:
                    left_out["no_meter"] = left_out.get("no_meter", 0) + 1
        state = ("known" if kind == "replace" else "position_unknown", moment)
    return lives


def one_life(truck, place, number, start, kind, end, event, asked) -> Life:
    entry_day = max(start.day, truck.record_start)
    seen = end.day >= entry_day
    if not seen:
        end = Moment(entry_day, None, None, None)
    ages = lambda m: None if m.at is None or start.at is None else max(m.at - start.at, 0.0)  # noqa: E731
    exit_ = ages(end) if seen else None
    entered = start if entry_day == start.day else truck.moment(entry_day)
    entry = ages(entered)
    if entry_day == end.day and asked["scale"] != "days":
        entry = exit_
    elif entry is not None and exit_ is not None:
        entry = min(entry, exit_)
    reason = {"end": "running" if truck.end is None else "out_of_service", "unplaced": "position_unknown"}.get(kind)
    failed = False
    life = Life(truck.row["unit_id"], place["position"], number, start, entry_day, end, entry, exit_, failed,
                reason or "", truck.class_on(end.day))  # fmt: skip
    if event is not None:
        reasons = [o["reason"] for o in event]
        if asked["unknown_as_failure"]:
            reasons = ["failure" if r == "unknown" else r for r in reasons]
        life.failed = "failure" in reasons
        named = [r for r in reasons if r != "unknown"]
        life.ending = "failure" if life.failed else (named[0] if named else "unknown")
        failing = [o for o, r in zip(event, reasons, strict=True) if r == "failure" and o.get("found_at")]
        if life.failed and failing and failing[0]["found_at"] == "inspection" and exit_ is not None:
            looks = [s for s in truck.services if covers(s, place) and s["date"] < end.day]
            low = entry
            if looks:
                day = max(s["date"] for s in looks)
                miles = [s["miles"] for s in looks if s["date"] == day and s["miles"] is not None]
                look = truck.moment(day, max(miles) if miles else None)
                if look.at is not None and start.at is not None:
                    low = max(look.at - start.at, entry)
            if low is not None and low < exit_:
                life.lower, life.upper = low, exit_
    return life


def covers(service: dict[str, Any], place: dict[str, Any]) -> bool:
    if service["action"] not in ("inspect", "regrease"):
        return False
    if service.get("position") is not None:
        return bool(service["position"] == place["position"])
    return service.get("component") in (None, place["component"])
