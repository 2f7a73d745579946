"""Gaps, practice and episodes from literal rows in plain Python, and the whole built from all rows."""

import itertools
from datetime import date, timedelta
from typing import Any

from tests.plain_lives import Life, Moment, Truck, last_moment, latest, lives_of, make_truck


def build(rows: dict[str, list[dict[str, Any]]], asked: dict[str, Any]) -> dict[str, Any]:
    """Return ``lives``, ``gaps``, ``left_out`` (counts by reason) of a fleet.

    ``asked``: records_from, as_of, scale, same_event_days, same_event_miles, unknown_as_failure, known_then.
    """
    trucks = [make_truck(unit, rows, asked) for unit in latest(rows["units"], "unit_id")]
    result: dict[str, Any] = {"lives": [], "gaps": [], "left_out": {}}
    made = []
    for truck in [t for t in trucks if t is not None]:
        lives, orders = lives_of(truck, rows, asked, result["left_out"])
        gaps = gaps_of(truck, orders, asked, rows)
        made.append((truck, lives, gaps, orders))
        result["lives"] += lives
        result["gaps"] += gaps
    known = {gap["duty_cycle"] for gap in result["gaps"] if gap["why_not"] is None}
    for truck, lives, gaps, orders in made:
        for life in [one for one in lives if one.fittable]:
            life.episodes = episodes_of(truck, life, gaps, orders, rows, {**asked, "classes": known})
    return result


def plan_on(truck: Truck, day: date, rows: dict[str, list[dict[str, Any]]], asked: dict[str, Any]):
    """Return the plan row in force: the truck's own before its class's."""
    plans = [p for p in rows["lube_plan"] if p["from_date"] <= min(day, asked["as_of"])]
    own = [p for p in plans if p.get("unit_id") == truck.row["unit_id"]]
    wide = [p for p in plans if p.get("unit_id") is None and p.get("duty_cycle") == truck.class_on(day)]
    for group in (own, wide):
        if group:
            newest = max(p["from_date"] for p in group)
            return [p for p in group if p["from_date"] == newest][-1]
    return None


def eras_of(truck: Truck, rows: dict[str, list[dict[str, Any]]], asked: dict[str, Any]) -> list[date]:
    """Return the days on which the truck's duty cycle or the plan in force for it changed."""
    began = truck.row["in_service_date"]
    days = {since for since, _ in truck.classes} | {began}
    days |= {max(p["from_date"], began) for p in rows["lube_plan"] if p["from_date"] <= asked["as_of"]}

    def state(day: date) -> tuple[Any, ...]:
        plan = plan_on(truck, day, rows, asked)
        return (truck.class_on(day), plan and tuple(plan.get(f"interval_{u}") for u in ("miles", "hours", "months")))

    eras = [began]
    for day in sorted(days):
        if state(day) != state(eras[-1]):
            eras.append(day)
    return eras


def stops_of(truck: Truck) -> list[Moment]:
    greases = [s for s in truck.services if s["action"] == "regrease"]
    stops = []
    for day in sorted({s["date"] for s in greases}):
        miles = [s["miles"] for s in greases if s["date"] == day and s["miles"] is not None]
        stops.append(truck.moment(day, max(miles) if miles else None))
    return stops


def gaps_of(truck: Truck, orders, asked, rows) -> list[dict[str, Any]]:
    stops = [s for s in stops_of(truck) if s.day >= truck.record_start]
    eras = eras_of(truck, rows, asked)
    chain = list(stops)
    cut = truck.row["in_service_date"] < asked["records_from"] and not (stops and stops[0].day == truck.record_start)
    if cut:
        chain.insert(0, truck.moment(truck.record_start))
    gaps = []
    for n, (a, b) in enumerate(itertools.pairwise(chain)):
        miles = None if a.miles is None or b.miles is None else b.miles - a.miles
        failing = ("failure", "unknown") if asked["unknown_as_failure"] else ("failure",)
        failures = [o["date"] for o in orders if o["reason"] in failing]
        near = [o["date"] for o in orders if o["greased"] and abs((o["date"] - b.day).days) <= 7]
        if cut and n == 0:
            why = "cut_by_record"
        elif b.day in failures:
            why = "ended_by_repair"
        elif near:
            why = "near_replacement"
        elif not miles or miles <= 0:
            why = "no_meter"
        else:
            why = None
        era = [e for e in eras if e < b.day][-1]
        gaps.append({"unit_id": truck.row["unit_id"], "start": a.day, "end": b.day, "miles": miles, "why_not": why,
                     "era": era, "duty_cycle": truck.class_on(b.day - timedelta(days=1))})  # fmt: skip
    return gaps


def practice_on(truck: Truck, day: date, gaps, rows, asked) -> dict[str, Any]:
    """Return what is known of the truck's practice on a day: the mean of its last five gaps, or its plan."""
    eras = eras_of(truck, rows, asked)
    era = [e for e in eras if e <= day][-1]
    counted = [g for g in gaps if g["why_not"] is None and g["end"] <= day]
    behind = [g for g in counted if g["era"] == era][-5:]
    plan = plan_on(truck, day, rows, asked)
    planned = plan.get("interval_miles") if plan else None
    raw = sum(g["miles"] for g in behind) / len(behind) if behind else None
    stops = [s for s in stops_of(truck) if truck.record_start <= s.day <= day]
    limit = None
    if counted and stops and stops[-1].miles is not None:
        limit = stops[-1].miles + 2 * max(g["miles"] for g in counted)
    source = "gaps" if behind else "plan" if planned is not None else "class"
    if source == "class" and truck.class_on(day) not in asked["classes"]:
        source = "unknown"
    return {"raw": raw, "behind": len(behind), "source": source, "limit": limit, "duty_cycle": truck.class_on(day),
            "plan": planned if source == "plan" else None}  # fmt: skip


def episodes_of(truck: Truck, life: Life, gaps, orders, rows, asked) -> list[dict[str, Any]]:
    """Cut one life wherever practice or duty cycle changed; a failure found later is not cut after its last look."""
    moments = [s for s in stops_of(truck) if s.day > truck.record_start and s.at is not None]
    for era in eras_of(truck, rows, asked):
        if era > truck.record_start and era not in {m.day for m in stops_of(truck)}:
            moment = truck.moment(era)
            if moment.at is not None:
                moments.append(moment)
    moments.sort(key=lambda m: m.day)
    pieces: list[tuple[float, dict[str, Any]]] = []
    first = truck.moment(truck.record_start)
    chain = [(float("-inf"), first), *((m.at, m) for m in moments)]
    end = last_moment(truck, orders, asked)
    for n, (at, moment) in enumerate(chain):
        state = practice_on(truck, moment.day, gaps, rows, asked)
        limit = state.pop("limit")
        unknown = {"raw": None, "behind": 0, "source": "unknown", "duty_cycle": state["duty_cycle"], "plan": None}
        after = chain[n + 1][1] if n + 1 < len(chain) else end
        if limit is not None and moment.miles is not None and limit <= moment.miles:
            pieces.append((at, unknown))
            continue
        pieces.append((at, state))
        if limit is not None and None not in (moment.miles, after.miles, after.at) and limit < after.miles:
            share = (limit - moment.miles) / (after.miles - moment.miles)
            pieces.append((at + share * (after.at - at), unknown))
    whole_from = life.start.at + (life.lower if life.lower is not None else life.exit)
    nothing = 1e-9 * max(1.0, abs(life.start.at + life.exit))
    episodes: list[dict[str, Any]] = []
    for n, (at, state) in enumerate(pieces):
        until = pieces[n + 1][0] if n + 1 < len(pieces) else float("inf")
        if until <= life.start.at + life.entry + nothing or at >= life.start.at + life.exit - nothing:
            continue
        if life.lower is not None and at > whole_from + nothing:
            continue
        begin = max(at - life.start.at, life.entry)
        if episodes and episodes[-1]["state"] == state:
            continue
        episodes.append({"entry": begin, "state": state})
    for n, episode in enumerate(episodes):
        episode["exit"] = episodes[n + 1]["entry"] if n + 1 < len(episodes) else life.exit
        episode["failed"] = life.failed and n + 1 == len(episodes)
    return episodes
