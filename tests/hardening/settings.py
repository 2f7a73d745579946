"""fleet.toml made from one source of chance: every setting there is, in its place, then spoiled."""

import random
from copy import deepcopy
from datetime import date
from typing import Any

from tests.hardening.hostile import DATES, NAMES, TEXTS, odd_number, spoil_bytes

_VALUES: tuple[Any, ...] = (
    0, 1, -1, 7, 500, 0.05, 1.5, 1e300, -0.0, 10**30, True, False, "", "mi", "km", "miles", "USD", "line_haul",
    "2020-01-01", date(2020, 1, 1), date(9999, 12, 31), date(1, 1, 1), [], {}, [1, "a"], ["a", ""], {"a": 1},
    {"miles": 9000, "source": "x"}, {"planned": 300, "failure": 2000}, {"value": 0.006, "unit": "in"},
    [["part", "failure"]], [[["x"]]], "*.csv", "../*.csv", "/etc/passwd", "**/*", "[", "%Y-%m-%d", "%Q", "%",
    "serial", "\t", ";", ",", "utf-8", "utf-16", "rot13", "hex", "idna", float("inf"), float("nan"),
)  # fmt: skip
_PATHS: tuple[tuple[str, ...], ...] = (
    ("distance",), ("records_from",), ("as_of",), ("duty_cycles",), ("same_event_days",), ("same_event_miles",),
    ("max_set_aside_share",), ("scale",), ("currency",), ("allow_beyond_published",), ("tables",), ("costs",),
    ("limits",), ("shop", "interval_grid"), ("shop",), ("costs", "regrease_stop"), ("costs", "harm_per_stop"),
    ("costs", "ownership_miles"), ("costs", "ownership_miles", "line_haul"), ("costs", "joint"), ("costs", "boot"),
    ("costs", "joint", "planned"), ("costs", "by_duty_cycle", "line_haul", "joint"),
    ("costs", "by_duty_cycle", "vocational", "regrease_stop"), ("published_interval", "line_haul"),
    ("published_interval", "vocational", "hours"), ("published_interval",), ("limits", "b10_miles", "line_haul"),
    ("limits", "failures_per_truck_year"), ("limits", "joint_play"), ("tables", "services"),
    ("tables", "services", "files"), ("tables", "services", "columns"), ("tables", "services", "dates"),
    ("tables", "services", "columns", "miles"), ("tables", "services", "codes", "action"),
    ("tables", "units", "columns"), ("tables", "services", "codes", "reason", "F"), ("tables", "services", "options"),
    ("tables", "services", "keywords"), ("tables", "services", "options", "delimiter"),
    ("tables", "services", "options", "quote"), ("tables", "readings", "dates"),
    ("tables", "services", "options", "encoding"), ("tables", "services", "options", "decimal"),
    ("tables", "nothing"), ("tables", "services", "options", "thousands"), ("tables", "services", "options", "sheet"),
    ("tables", "units", "codes"), ("tables", "services", "keywords", "reason"),
    ("tables", "services", "keywords", "look_in"), ("nothing",), ("privacy",), ("privacy", "columns"),
    ("privacy", "key_file"), ("tables", "measurements", "columns", "value"),
)  # fmt: skip
_CASTS: tuple[Any, ...] = (lambda rnd: rnd.choice(DATES), lambda rnd: rnd.choice(TEXTS), odd_number)


def make_settings(rnd: random.Random) -> dict[str, Any]:
    """Return plausible settings of a fleet."""
    found: dict[str, Any] = {"records_from": date(2020, 1, 1), "as_of": date(2022, 12, 31), "max_set_aside_share": 1.0}
    if rnd.random() < 0.5:
        found["costs"] = {"regrease_stop": 140, "joint": {"planned": 300, "failure": 2400}}
    if rnd.random() < 0.3:
        found["published_interval"] = {"line_haul": {"miles": 25000, "source": "invented"}}
    if rnd.random() < 0.2:
        found["distance"] = "km"
    if rnd.random() < 0.3:
        found["limits"] = {"joint_play": {"value": 0.006, "unit": "in", "source": "invented"}}
    return found


def spoil_settings(rnd: random.Random, settings: dict[str, Any]) -> dict[str, Any]:
    """Return settings with some of their values replaced, put in, or taken out."""
    for _ in range(rnd.choice((0, 1, 1, 2, 4))):
        *path, last = rnd.choice(_PATHS)
        place: Any = settings
        for part in path:
            place = place.setdefault(part, {}) if isinstance(place, dict) else {}
        if isinstance(place, dict):
            name = last if rnd.random() < 0.9 else rnd.choice(NAMES)
            place[name] = deepcopy(rnd.choice(_VALUES)) if rnd.random() < 0.8 else rnd.choice(_CASTS)(rnd)
    if rnd.random() < 0.1 and settings:
        del settings[rnd.choice(list(settings))]
    return settings


def as_toml(settings: dict[str, Any]) -> str:
    """Return settings as TOML."""
    return "".join(f"{_key(name)} = {_value(value)}\n" for name, value in settings.items())


def write_settings(rnd: random.Random, *, gentle: bool = False) -> bytes:
    """Return a fleet.toml, spoiled in its values and now and then in its bytes; ``gentle``: seldom."""
    settings = make_settings(rnd)
    if not gentle or rnd.random() < 0.3:
        settings = spoil_settings(rnd, settings)
    content = as_toml(settings).encode("utf-8", errors="replace")
    return spoil_bytes(rnd, content) if rnd.random() < (0.02 if gentle else 0.3) else content


def _key(name: str) -> str:
    return _value(str(name))


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(name)} = {_value(part)}" for name, part in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, str):
        escaped = "".join(f"\\u{ord(mark):04x}" if ord(mark) < 32 or mark in '\\"\x7f' else mark for mark in value)
        return f'"{escaped}"'
    return str(value)
