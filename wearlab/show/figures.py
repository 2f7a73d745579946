"""Values as a reader sees them: numbers with separators, dates in words, text from data made harmless."""

import math
import re
from dataclasses import fields
from datetime import date, datetime
from typing import Any

from wearlab.history.config import Costs, FleetConfig, Limits
from wearlab.show.document import plain_value, show_text

MISSING = "–"
SCALE_WORDS = {"miles": "miles", "engine_hours": "engine hours", "days": "days", "joint_cycles": "joint turns"}
NAMES = {
    "joint": "joint",
    "slip_spline": "slip spline",
    "boot": "boot",
    "center_bearing": "center bearing",
    "line_haul": "line-haul",
}
CODE = re.compile(r"[a-z0-9]+(?:[_-][a-z0-9]+)*")
CODE_IN_TEXT = re.compile(r"(?<![\w./\\-])[a-z][a-z0-9]*(?:_[a-z0-9]+)+(?:-[a-z0-9]+)*(?![\w/]|\.\w)")
PLACE = re.compile(r"[a-z0-9_-]+(?:\.[a-z0-9_-]+)+")
SETTINGS = frozenset(entry.name for table in (FleetConfig, Costs, Limits) for entry in fields(table))


def show_name(value: object) -> str:
    """Return codes of the data (``joint, line_haul``) as words; text that is not such a code stands as it is."""
    return ", ".join(_name(part) for part in show_text(value).split(", "))


def _name(text: str) -> str:
    if text in NAMES:
        return NAMES[text]
    return text.replace("_", " ") if CODE.fullmatch(text) else text


def show_place(value: object) -> str:
    """Return a code of a position (``main.joint.1``) as words; another way of naming positions stands as it is."""
    text = show_text(value)
    return text.replace(".", " ").replace("_", " ") if PLACE.fullmatch(text) else _name(text)


def show_sentence(text: object) -> str:
    """Return a sentence with the codes of the data in it as words; names of settings in fleet.toml stay as they are."""
    return CODE_IN_TEXT.sub(_code_in_words, show_text(text))


def _code_in_words(found: re.Match[str]) -> str:
    return found[0] if found[0] in SETTINGS else _name(found[0])


def show_scale(scale: str) -> str:
    """Return the unit in which lives are measured, as words."""
    return SCALE_WORDS.get(scale, show_text(scale).replace("_", " "))


def is_missing(value: object) -> bool:
    """Return whether a cell holds nothing: None, NaN, NaT or empty text."""
    plain = plain_value(value)
    return plain is None or plain == ""


def show_number(value: float, digits: int = 3, *, like: float | None = None) -> str:
    """Return a number with ``digits`` significant digits, thousands separated, without an exponent.

    ``like`` is the number whose decimals are to be used: the ends of an interval are written like its estimate.
    """
    if not math.isfinite(value):
        return MISSING
    leading = value if like is None or not math.isfinite(like) or like == 0 else like
    if leading == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(leading)))
    return f"{round(value, places):,.{max(places, 0)}f}".replace("-", "−")


def show_count(value: float) -> str:
    """Return a count; one with a fraction (expected failures) keeps one decimal below 100."""
    if not math.isfinite(value):
        return MISSING
    whole = float(value).is_integer() or abs(value) >= 100
    return (f"{value:,.0f}" if whole else f"{value:,.1f}").replace("-", "−")


def show_whole(value: float) -> str:
    """Return a number without decimals, thousands separated."""
    return f"{value:,.0f}".replace("-", "−") if math.isfinite(value) else MISSING


def show_money(value: float) -> str:
    """Return an amount of money without its currency: whole above 100, else two decimals."""
    if not math.isfinite(value):
        return MISSING
    return (f"{value:,.0f}" if abs(value) >= 100 or value == 0 else f"{value:,.2f}").replace("-", "−")


def show_ratio(value: float) -> str:
    """Return a ratio or coefficient with two decimals."""
    return f"{value:,.2f}".replace("-", "−") if math.isfinite(value) else MISSING


def show_share(value: float) -> str:
    """Return a share from 0 to 1 as a percentage, never rounded to a certainty that it does not have."""
    if not math.isfinite(value):
        return MISSING
    percent = 100 * value
    if 0 < percent < 1:
        return f"{percent:.1f} %" if percent >= 0.1 else "under 0.1 %"
    if 99 < percent < 100:
        return f"{percent:.1f} %" if percent <= 99.9 else "over 99.9 %"
    return f"{percent:.0f} %".replace("-", "−")


def show_odds(value: float) -> str:
    """Return a probability found by computing as a percentage; it never reads as certain, even at 0 and 1."""
    if value > 0.9995:
        return "over 99.9 %"
    return "under 0.1 %" if value < 0.0005 else show_share(value)


def show_chance(value: float) -> str:
    """Return a p or q value with three decimals, or as ``under 0.001``."""
    if not math.isfinite(value):
        return MISSING
    return "under 0.001" if value < 0.0005 else f"{value:.3f}"


def show_date(value: object) -> str:
    """Return a day as ``30 June 2026``."""
    plain = plain_value(value)
    if plain is None:
        return MISSING
    day = value if isinstance(value, date) else date.fromisoformat(str(plain)[:10])
    if isinstance(day, datetime):
        day = day.date()
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def show_day(value: object) -> str:
    """Return a day as a table prints it: ``30 Jun 2026``."""
    words = show_date(value).split(" ")
    return " ".join(words) if len(words) < 3 else f"{words[0]} {words[1][:3]} {words[2]}"


MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

_NUMBERS = {
    "number": show_number,
    "count": show_count,
    "whole": show_whole,
    "money": show_money,
    "ratio": show_ratio,
    "share": show_share,
    "odds": show_odds,
    "chance": show_chance,
}
KINDS = ("text", "prose", "label", "name", "place", "date", "flag", *_NUMBERS)


def is_numeric(kind: str) -> bool:
    """Return whether values of this kind line up on the right."""
    return kind in _NUMBERS


def show_value(value: Any, kind: str, *, like: Any = None) -> str:
    """Return one cell as the reader sees it; ``kind`` is one of ``KINDS``, ``like`` the estimate it is an end of."""
    if is_missing(value):
        return MISSING
    if kind == "number" and isinstance(plain_value(value), int | float):
        return show_number(float(value), like=None if is_missing(like) else float(like))
    if kind in _NUMBERS and isinstance(plain_value(value), int | float):
        return _NUMBERS[kind](float(value))
    if kind == "date":
        return show_day(value)
    if kind == "flag":
        return "yes" if bool(value) else "no"
    return _WORDS.get(kind, show_text)(value)


_WORDS = {"name": show_name, "label": show_name, "place": show_place, "prose": show_sentence}
