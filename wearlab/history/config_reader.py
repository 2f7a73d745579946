"""fleet.toml read and checked: every key known, every number possible, every distance in miles."""

import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NoReturn

from wearlab.evidence import DataError
from wearlab.history.config import (
    Costs,
    Driveline,
    DrivelineLimit,
    FleetConfig,
    Keywords,
    Limits,
    PartCost,
    PublishedInterval,
    TableMap,
    WearLimit,
)
from wearlab.history.contract import TABLES, Table

CONFIG_NAME = "fleet.toml"
MILES_PER_KM = 0.621371192237334  # 1 / 1.609344, the international mile
SCALES = ("miles", "engine_hours", "days", "joint_cycles")
OPTIONS = ("delimiter", "quote", "encoding", "decimal", "thousands", "sheet")
EXCEL_SERIAL = "serial"  # a date given as a count of days, as spreadsheets keep it: 1 = 1900-01-01

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
)
_DATE_PARTS = frozenset("YymdbBHIMSpfjaA%")


@dataclass(frozen=True, slots=True)
class _Section:
    """One table of the file with the way to it, so that a complaint can say where it stands."""

    values: Mapping[str, Any]
    path: tuple[str, ...]
    text: str

    def refuse(self, key: str, text: str, fix: str, *, code: str = "bad-setting") -> NoReturn:
        """Raise the DataError for one key of this section."""
        where = ".".join((*self.path, key))
        raise DataError(code, f"{where}: {text}", fix, CONFIG_NAME, _find_line(self.text, self.path, key))

    def check_keys(self, known: Iterable[str]) -> None:
        """Refuse the first key that is not known, with the nearest name that is."""
        names = tuple(known)
        for key in self.values:
            if key not in names:
                self.refuse(key, "no such setting", _suggest(key, names), code="unknown-setting")

    def section(self, key: str) -> "_Section":
        """Return the table under ``key``, empty where there is none."""
        value = self.values.get(key, {})
        if not isinstance(value, dict):
            self.refuse(key, f"a table is wanted, not {value!r}", f"write {key} = {{ name = value }}")
        return _Section(value, (*self.path, key), self.text)

    def number(self, key: str, *, above: float | None = None, high: float = math.inf) -> float | None:
        """Return a number of at least 0 (or greater than ``above``) and at most ``high``, or None where not given."""
        value = self.values.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.refuse(key, f"a number is wanted, not {value!r}", f"write {key} = 100, without quotes")
        if value < 0 or (above is not None and value <= above) or value > high:
            wanted = f"greater than {above:g}" if above is not None else "0 or more"
            limit = f" and at most {high:g}" if math.isfinite(high) else ""
            self.refuse(key, f"{value} cannot be right", f"give a number {wanted}{limit}")
        return float(value)

    def words(self, key: str) -> tuple[str, ...]:
        """Return a list of texts; a single text counts as a list of one."""
        value = self.values.get(key, [])
        found = [value] if isinstance(value, str) else value
        if not isinstance(found, list) or not all(isinstance(word, str) and word for word in found):
            self.refuse(key, f"a list of texts is wanted, not {value!r}", f'write {key} = ["first", "second"]')
        return tuple(found)

    def word(self, key: str, default: str, choices: tuple[str, ...] = ()) -> str:
        """Return a text, one of ``choices`` where there are any."""
        value = self.values.get(key, default)
        if not isinstance(value, str) or not value:
            self.refuse(key, f"a text is wanted, not {value!r}", f'write {key} = "{default}"')
        if choices and value not in choices:
            self.refuse(key, f"{value!r} is not one of {', '.join(choices)}", f'write {key} = "{choices[0]}"')
        return value

    def flag(self, key: str) -> bool:
        """Return true or false, false where not given."""
        value = self.values.get(key, False)
        if not isinstance(value, bool):
            self.refuse(key, f"true or false is wanted, not {value!r}", f"write {key} = true")
        return value

    def day(self, key: str) -> date | None:
        """Return a date, or None where not given."""
        value = self.values.get(key)
        if isinstance(value, datetime):
            return value.date()
        if value is None or isinstance(value, date):
            return value
        try:
            return date.fromisoformat(value)
        except (TypeError, ValueError):
            self.refuse(key, f"a date is wanted, not {value!r}", f"write {key} = 2019-01-31, without quotes")

    def pairs(self, key: str) -> dict[str, str]:
        """Return a table of texts under ``key``; numbers count as their text."""
        section = self.section(key)
        for name, value in section.values.items():
            if isinstance(value, bool) or not isinstance(value, str | int | float):
                section.refuse(name, f"a text is wanted, not {value!r}", f'write "{name}" = "..."')
        return {name: str(value) for name, value in section.values.items()}

    def numbers(self, key: str) -> dict[str, float]:
        """Return a table of positive numbers under ``key``."""
        section = self.section(key)
        found = ((name, section.number(name, above=0.0)) for name in section.values)
        return {name: value for name, value in found if value is not None}


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
        tables=_read_tables(top.section("tables"), duty_cycles),
        costs=_read_costs(top.section("costs"), miles),
        published_interval=_read_published(published, miles),
        limits=_read_limits(top.section("limits"), miles),
        joining=top.section("forecast").numbers("joining"),
        driveline=_read_driveline(top.section("driveline")),
    )


def _read_toml(folder: Path) -> _Section:
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
        return _Section(tomllib.loads(text), (), text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = re.search(r"\(at line (\d+), column (\d+)\)", message)
        line, column = (int(place[1]), place[2]) if place else (len(text.splitlines()), None)
        found = message.split(" (at ", maxsplit=1)[0]
        fix = "mend that line; texts stand in quotes, and a name is given once"
        raise DataError("bad-toml", f"this is not TOML: {found}", fix, CONFIG_NAME, line, column) from None


def _read_period(top: _Section) -> tuple[date, date | None]:
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


def _read_whole(section: _Section, key: str) -> int | None:
    value = section.number(key)
    if value is not None and value != int(value):
        section.refuse(key, f"{value} is not a whole number", "give a whole number of days")
    return None if value is None else int(value)


def _in_miles(value: float | None, miles: float, default: float) -> float:
    return default if value is None else value * miles


def _scale_all(values: Mapping[str, float], miles: float) -> dict[str, float]:
    return {name: value * miles for name, value in values.items()}


def _read_tables(section: _Section, duty_cycles: tuple[str, ...] | None) -> dict[str, TableMap]:
    section.check_keys(table.name for table in TABLES)
    return {
        table.name: _read_table(section.section(table.name), table, duty_cycles)
        for table in TABLES
        if table.name in section.values
    }


def _read_table(section: _Section, table: Table, duty_cycles: tuple[str, ...] | None) -> TableMap:
    section.check_keys(("files", "columns", "dates", "codes", "options", "keywords"))
    columns = section.pairs("columns")
    for name in columns:
        _check_name(section.section("columns"), name, table)
    for form in section.words("dates"):
        parts = re.findall(r"%-?(.)", form)
        if form != EXCEL_SERIAL and (not parts or not set(parts) <= _DATE_PARTS):
            section.refuse("dates", f"{form!r} is not a date format", 'write dates = ["%m/%d/%Y"] or alike')
    options = _read_options(section)
    codes = section.section("codes")
    return TableMap(
        files=section.words("files"),
        columns=columns,
        dates=section.words("dates"),
        codes={name: _read_codes(codes, name, table, duty_cycles) for name in codes.values},
        options=options,
        keywords=_read_keywords(section.section("keywords"), table, duty_cycles),
    )


def _read_options(section: _Section) -> dict[str, str]:
    options, own = section.pairs("options"), section.section("options")
    own.check_keys(OPTIONS)
    for name in ("delimiter", "quote", "decimal", "thousands"):
        if name in options and len(options[name]) > 1:
            own.refuse(name, f"one character is wanted, not {options[name]!r}", f'write {name} = ","')
    for name in ("delimiter", "decimal", "encoding", "sheet"):
        if options.get(name) == "":
            own.refuse(name, "it is empty", "leave it out, or give a value")
    if "thousands" in options and options["thousands"] == options.get("decimal", "."):
        own.refuse("thousands", "it is the same as the decimal mark", 'write decimal = ",", thousands = "." or alike')
    return options


def _read_keywords(section: _Section, table: Table, duty_cycles: tuple[str, ...] | None) -> Keywords:
    rules = {}
    for name, pairs in section.values.items():
        if name == "look_in":
            continue
        if name not in table.names:
            section.refuse(name, f"the table {table.name} has no such column", _suggest(name, table.names))
        choices = _find_choices(table, name, duty_cycles)
        for pair in pairs if isinstance(pairs, list) else [None]:
            if not (isinstance(pair, list) and len(pair) == 2 and all(isinstance(word, str) and word for word in pair)):
                section.refuse(
                    name, f"pairs of texts are wanted, not {pairs!r}", f'write {name} = [["part", "meaning"]]'
                )
            if choices and pair[1] not in choices:
                section.refuse(name, f"{pair[1]!r} is not one of {', '.join(choices)}", _suggest(pair[1], choices))
        rules[name] = tuple((part.lower(), means) for part, means in pairs)
    return Keywords(section.word("look_in", "note"), rules)


def _find_choices(table: Table, name: str, duty_cycles: tuple[str, ...] | None) -> tuple[str, ...]:
    column = table.column(name)
    return (duty_cycles or ()) if name == "duty_cycle" else column.choices if column else ()


def _check_name(section: _Section, name: str, table: Table) -> None:
    # Any other name renames an attribute; one that nearly is a contract name is a slip.
    near = get_close_matches(name, table.names, n=1, cutoff=0.85)
    if name not in table.names and near:
        section.refuse(name, f"the table {table.name} has no such column", f"did you mean {near[0]}?")


def _read_codes(section: _Section, name: str, table: Table, duty_cycles: tuple[str, ...] | None) -> dict[str, str]:
    _check_name(section, name, table)
    pairs = section.pairs(name)
    choices = _find_choices(table, name, duty_cycles)
    for code, value in pairs.items():
        if choices and value not in choices:
            section.section(name).refuse(
                code, f"{value!r} is not one of {', '.join(choices)}", _suggest(value, choices)
            )
    return pairs


def _read_costs(section: _Section, miles: float) -> Costs:
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


def _find_parts(section: _Section, known: tuple[str, ...]) -> tuple[str, ...]:
    for key, value in section.values.items():
        if key not in known and not isinstance(value, dict):
            section.refuse(key, "no such setting", _suggest(key, known), code="unknown-setting")
    return tuple(key for key in section.values if key not in known)


def _read_part(section: _Section, general: PartCost | None) -> PartCost:
    section.check_keys(("planned", "failure"))
    planned, failure = section.number("planned"), section.number("failure")
    planned = planned if planned is not None or general is None else general.planned
    failure = failure if failure is not None or general is None else general.failure
    if planned is None or failure is None:
        missing = "planned" if planned is None else "failure"
        section.refuse(missing, "this cost is missing", "give both: { planned = 380, failure = 2400 }")
    return PartCost(planned, failure)


def _read_published(section: _Section, miles: float) -> dict[str, PublishedInterval]:
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


def _read_limits(section: _Section, miles: float) -> Limits:
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


def _read_driveline(section: _Section) -> Driveline:
    section.check_keys(("speed_rpm", "limits"))
    wanted = ("name", "value", "unit", "source")
    fix = f"write [[driveline.limits]] and under it {', '.join(wanted)}"
    rows = section.values.get("limits", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        section.refuse("limits", "a list of limits is wanted", fix)
    limits = []
    for row in rows:
        one = _Section(row, (*section.path, "limits"), section.text)
        one.check_keys(wanted)
        missing = [key for key in wanted if key not in row]
        if missing:
            section.refuse("limits", f"the limit {str(row.get('name', ''))[:40]!r} has no {missing[0]}", fix)
        value = one.number("value", above=0.0) or 0.0
        limits.append(DrivelineLimit(one.word("name", ""), value, one.word("unit", ""), one.word("source", "")))
    return Driveline(section.number("speed_rpm", above=0.0, high=10_000.0), tuple(limits))


def _suggest(name: str, known: Iterable[str]) -> str:
    names = tuple(known)
    near = get_close_matches(name.lower(), names, n=1, cutoff=0.5)
    return f"did you mean {near[0]}?" if near else f"the names known here: {', '.join(names)}"


def _find_line(text: str, path: tuple[str, ...], key: str) -> int | None:
    """Return the line on which a key most likely stands: the first that names it after the last part of its path."""
    lines = text.splitlines()
    found: int | None = None
    for part in (*path, key):
        pattern = re.compile(rf"(?<![\w.-])[\"']?{re.escape(part)}[\"']?\s*[\].=]|[.]\s*{re.escape(part)}\s*[\].=]")
        hit = next((number for number in range(found or 0, len(lines)) if pattern.search(lines[number])), None)
        found = found if hit is None else hit
    return None if found is None else found + 1
