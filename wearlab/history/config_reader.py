"""fleet.toml read and checked: every key known, every number possible, every distance in miles."""

import re
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from wearlab.evidence import DataError
from wearlab.history.config import (
    Costs,
    Driveline,
    DrivelineLimit,
    FleetConfig,
    Limits,
    PartCost,
    PublishedInterval,
    WearLimit,
)
from wearlab.history.config_section import CONFIG_NAME, Section, suggest
from wearlab.history.config_tables import read_class_rules, read_privacy, read_tables

MILES_PER_KM = 0.621371192237334  # 1 / 1.609344, the international mile
SCALES = ("miles", "engine_hours", "days", "joint_cycles")

_TOP = (
    "distance",
    "records_from",
    "as_of",
    "duty_cycles",
    "same_event_days",
    "same_event_miles",
    "max_set_aside_share",
    "scale",
    "currency",
    "allow_beyond_published",
    "tables",
    "costs",
    "published_interval",
    "limits",
    "shop",
    "forecast",
    "driveline",
    "privacy",
    "class_rules",
)


def read_config(folder: Path) -> FleetConfig:
    """Return the checked ``fleet.toml`` of a folder, every distance in it in miles.

    Refuses (DataError with file and line) a file that is missing or is no TOML, an unknown key (with the nearest known
    one), a missing ``records_from``, an ``as_of`` before it, and a number that cannot be right. The international
    mile is 1.609344 km exactly (NIST Special Publication 811, appendix B.8).
    """
    top = _read_toml(folder)
    top.check_keys(_TOP)
    distance = top.word("distance", "mi", ("mi", "km"))
    miles = MILES_PER_KM if distance == "km" else 1.0
    records_from, as_of = _read_period(top)
    shop, published = top.section("shop"), top.section("published_interval")
    shop.check_keys(("interval_grid", "allow_beyond_published"))
    top.section("forecast").check_keys(("joining",))
    duty_cycles = top.words("duty_cycles") if "duty_cycles" in top.values else None
    share = top.number("max_set_aside_share", high=1.0)
    days = _read_whole(top, "same_event_days")
    return FleetConfig(
        distance=distance,
        records_from=records_from,
        as_of=as_of,
        duty_cycles=duty_cycles,
        same_event_days=7 if days is None else days,
        same_event_miles=_in_miles(top.number("same_event_miles"), miles, 500.0),
        max_set_aside_share=0.05 if share is None else share,
        scale=top.word("scale", "miles", SCALES),
        currency=top.word("currency", "USD"),
        interval_grid=_in_miles(shop.number("interval_grid", above=0.0), miles, 500.0),
        allow_beyond_published=any(part.flag("allow_beyond_published") for part in (top, shop, published)),
        tables=read_tables(top.section("tables"), duty_cycles),
        costs=_read_costs(top.section("costs"), miles),
        published_interval=_read_published(published, miles),
        limits=_read_limits(top.section("limits"), miles),
        joining=top.section("forecast").numbers("joining"),
        driveline=_read_driveline(top.section("driveline")),
        privacy=read_privacy(top.section("privacy")),
        class_rules=read_class_rules(top, duty_cycles, miles),
    )


def _read_toml(folder: Path) -> Section:
    path = folder / CONFIG_NAME
    fix = f"write {CONFIG_NAME} into the folder with at least: records_from = 2019-01-01"
    if not folder.is_dir():
        raise DataError("not-a-folder", "a fleet folder is wanted", "give the path of a folder", folder.name)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise DataError("no-config", f"the folder has no {CONFIG_NAME}", fix, CONFIG_NAME) from None
    except (OSError, UnicodeDecodeError) as error:
        why = "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else str(error.strerror)
        raise DataError("unreadable", f"cannot be read: {why}", "save it as UTF-8 text", CONFIG_NAME) from None
    try:
        return Section(tomllib.loads(text), (), text)
    except RecursionError:
        raise DataError("bad-toml", "its lists are nested too deep", "write it plainly", CONFIG_NAME) from None
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = re.search(r"\(at line (\d+), column (\d+)\)", message)
        line, column = (int(place[1]), place[2]) if place else (len(text.splitlines()), None)
        found = message.split(" (at ", maxsplit=1)[0]
        fix = "mend that line; texts stand in quotes, and a name is given once"
        raise DataError("bad-toml", f"this is not TOML: {found}", fix, CONFIG_NAME, line, column) from None


def _read_period(top: Section) -> tuple[date, date | None]:
    records_from, as_of = top.day("records_from"), top.day("as_of")
    if records_from is None:
        raise DataError(
            "no-records-from",
            "records_from is missing: the day from which the history is complete",
            "add the line: records_from = 2019-01-01",
            CONFIG_NAME,
        )
    if as_of is not None and as_of < records_from:
        top.refuse(
            "as_of",
            f"{as_of} is before the records begin ({records_from})",
            "give a later as_of, or an earlier records_from",
            code="as-of-too-early",
        )
    return records_from, as_of


def _read_whole(section: Section, key: str) -> int | None:
    value = section.number(key)
    if value is not None and value != int(value):
        section.refuse(key, f"{value} is not a whole number", "give a whole number of days")
    return None if value is None else int(value)


def _in_miles(value: float | None, miles: float, default: float) -> float:
    return default if value is None else value * miles


def _scale_all(values: Mapping[str, float], miles: float) -> dict[str, float]:
    return {name: value * miles for name, value in values.items()}


def _read_costs(section: Section, miles: float) -> Costs:
    known = ("regrease_stop", "harm_per_stop", "ownership_miles", "by_duty_cycle")
    parts = {name: _read_part(section.section(name), None) for name in _find_parts(section, known)}
    classes = section.section("by_duty_cycle")
    by_class, stops = {}, {}
    for duty_cycle in classes.values:
        one = classes.section(duty_cycle)
        by_class[duty_cycle] = parts | {
            name: _read_part(one.section(name), parts.get(name)) for name in _find_parts(one, ("regrease_stop",))
        }
        stop = one.number("regrease_stop")
        if stop is not None:
            stops[duty_cycle] = stop
    return Costs(
        regrease_stop=section.number("regrease_stop"),
        regrease_stop_by_duty_cycle=stops,
        harm_per_stop=section.number("harm_per_stop") or 0.0,
        ownership_miles=_scale_all(section.numbers("ownership_miles"), miles),
        parts=parts,
        by_duty_cycle=by_class,
    )


def _find_parts(section: Section, known: tuple[str, ...]) -> tuple[str, ...]:
    for key, value in section.values.items():
        if key not in known and not isinstance(value, dict):
            section.refuse(key, "no such setting", suggest(key, known), code="unknown-setting")
    return tuple(key for key in section.values if key not in known)


def _read_part(section: Section, general: PartCost | None) -> PartCost:
    section.check_keys(("planned", "failure"))
    planned, failure = section.number("planned"), section.number("failure")
    planned = planned if planned is not None or general is None else general.planned
    failure = failure if failure is not None or general is None else general.failure
    if planned is None or failure is None:
        missing = "planned" if planned is None else "failure"
        section.refuse(missing, "this cost is missing", "give both: { planned = 380, failure = 2400 }")
    return PartCost(planned, failure)


def _read_published(section: Section, miles: float) -> dict[str, PublishedInterval]:
    found = {}
    for duty_cycle in section.values:
        if duty_cycle == "allow_beyond_published":
            continue
        one = section.section(duty_cycle)
        one.check_keys(("miles", "hours", "months", "source"))
        distance = one.number("miles", above=0.0)
        interval = PublishedInterval(
            None if distance is None else distance * miles,
            one.number("hours", above=0.0),
            one.number("months", above=0.0),
            one.word("source", "source not stated"),
        )
        if interval.miles is None and interval.hours is None and interval.months is None:
            section.refuse(duty_cycle, "it has none of miles, hours, months", "give one of them, in the maker's words")
        found[duty_cycle] = interval
    return found


def _read_limits(section: Section, miles: float) -> Limits:
    known = ("b10_miles", "failures_per_truck_year")
    wear = {}
    for quantity in _find_parts(section, known):
        one = section.section(quantity)
        one.check_keys(("value", "unit", "source"))
        value = one.number("value", above=0.0)
        if value is None or "unit" not in one.values:
            missing = "value" if value is None else "unit"
            one.refuse(missing, "it is missing", 'give { value = 0.006, unit = "in", source = "..." }')
        wear[quantity] = WearLimit(value, one.word("unit", "in"), one.word("source", "source not stated"))
    return Limits(
        b10_miles=_scale_all(section.numbers("b10_miles"), miles),
        failures_per_truck_year=section.number("failures_per_truck_year", above=0.0),
        wear=wear,
    )


def _read_driveline(section: Section) -> Driveline:
    section.check_keys(("speed_rpm", "limits"))
    wanted = ("name", "value", "unit", "source")
    fix = f"write [[driveline.limits]] and under it {', '.join(wanted)}"
    rows = section.values.get("limits", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        section.refuse("limits", "a list of limits is wanted", fix)
    limits = []
    for row in rows:
        one = Section(row, (*section.path, "limits"), section.text)
        one.check_keys(wanted)
        missing = [key for key in wanted if key not in row]
        if missing:
            section.refuse("limits", f"the limit {str(row.get('name', ''))[:40]!r} has no {missing[0]}", fix)
        value = one.number("value", above=0.0) or 0.0
        limits.append(DrivelineLimit(one.word("name", ""), value, one.word("unit", ""), one.word("source", "")))
    return Driveline(section.number("speed_rpm", above=0.0, high=10_000.0), tuple(limits))
