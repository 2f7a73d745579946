"""Values as a reader sees them: numbers with separators, dates in words, text from data made harmless."""

import math
import re
from collections.abc import Callable
from dataclasses import fields
from datetime import date, datetime
from typing import Any

from wearlab.evidence import WORDS
from wearlab.history.config import Costs, FleetConfig, Limits
from wearlab.show.document import plain_value, show_text

MISSING = "–"
# A joint turns some thousand times a mile: what is counted in turns is told in larger units, heading and number alike.
LARGER = (
    ("per million {scale}", "per billion {scale}", 1e3),
    ("1,000 {scale}", "million {scale}", 1e3),
    ("{scale}", "million {scale}", 1e-6),
)
SMALL_SCALE = "joint turns"
SCALE_WORDS = {"miles": "miles", "engine_hours": "engine hours", "days": "days", "joint_cycles": "joint turns"}
NAMES = {
    **WORDS,
    "weibull": "Weibull",
}
UNITS = {"deg": "degrees", "rad/s2": "rad/s²", "rpm": "turns a minute"}
CODE = re.compile(r"[a-z0-9]+(?:[_-][a-z0-9]+)*")
CODE_IN_TEXT = re.compile(r"(?<![\w./\\-])[a-z][a-z0-9]*(?:_[a-z0-9]+)+(?:-[a-z0-9]+)*(?![\w/]|\.\w)")
PLACE = re.compile(r"[a-z0-9_-]+(?:\.[a-z0-9_-]+)+")
PARTS = ("joint", "slip_spline", "boot", "center_bearing")
SMALLEST = 1e-6  # a number below is of no use to anybody
FAR_WIDER = 10.0  # an interval that reaches this many times as far as its estimate sets the decimals
SETTINGS = frozenset(entry.name for table in (FleetConfig, Costs, Limits) for entry in fields(table))


def show_name(value: object) -> str:
    """Return codes of the data (``joint, line_haul``) as words; text that is not such a code stands as it is."""
    return ", ".join(_name(part) for part in show_text(value).split(", "))


def _name(text: str) -> str:
    if text in NAMES:
        return NAMES[text]
    return text.replace("_", " ") if CODE.fullmatch(text) else text


def show_place(value: object) -> str:
    """Return a code of a position as words: ``main.joint.1`` is ``joint 1, main shaft``.

    A position whose second word is no part has its words in their order; another way of naming stands as it is.
    """
    text = show_text(value)
    if not PLACE.fullmatch(text):
        return _name(text)
    shaft, part, *number = text.split(".")
    if part not in PARTS or len(number) > 1:
        return text.replace(".", " ").replace("_", " ")
    words, _, count = _name(shaft).rpartition(" ")
    where = f"{words} shaft {count}" if words and count.isdigit() else f"{_name(shaft)} shaft"
    return f"{' '.join((_name(part), *number))}, {where}"


def show_sentence(text: object) -> str:
    """Return a sentence with the codes of the data in it as words; names of settings in fleet.toml stay as they are."""
    return CODE_IN_TEXT.sub(_code_in_words, show_text(text))


def _code_in_words(found: re.Match[str]) -> str:
    return found[0] if found[0] in SETTINGS else _name(found[0])


def show_scale(scale: str) -> str:
    """Return the unit in which lives are measured, as words."""
    return SCALE_WORDS.get(scale, show_text(scale).replace("_", " "))


def in_larger_unit(heading: str, scale: str) -> tuple[str, float]:
    """Return a heading in the unit that its numbers are to be shown in, and by what they are to be multiplied.

    ``{scale}`` in the heading stands for ``scale``, which is in the words of ``show_scale``.
    """
    for part, larger, factor in LARGER if scale == SMALL_SCALE else ():
        if part in heading:
            return heading.replace(part, larger), factor
    return heading, 1.0


def show_age(value: float, scale: str, *, like: tuple[float, ...] = (), digits: int = 3) -> str:
    """Return an age with its unit: ``92,300 miles``, ``119 million joint turns``."""
    unit, factor = in_larger_unit("{scale}", show_scale(scale))
    shown = show_number(value * factor, digits, like=tuple(one * factor for one in like))
    return f"{shown} {unit.replace('{scale}', show_scale(scale))}"


def is_missing(value: object) -> bool:
    """Return whether a cell holds nothing: None, NaN, NaT or empty text."""
    plain = plain_value(value)
    return plain is None or plain == ""


def show_number(value: float, digits: int = 3, *, like: tuple[float, ...] = ()) -> str:
    """Return a number with ``digits`` significant digits, thousands separated, without an exponent.

    ``like`` are an estimate and the ends of its interval: all three are written with the decimals of the estimate, or
    with fewer where the interval reaches ten times as far, but with one digit at least of the estimate and of an end
    that is no less than a hundredth of it. A number too small to mean anything is ``near 0``.
    """
    if not math.isfinite(value):
        return MISSING
    if 0 < abs(value) < SMALLEST:
        return "near 0"
    estimate, reach = _reach(value, like)
    estimate = estimate if estimate >= SMALLEST else 0.0
    if value == 0 and estimate == 0:
        return "0"
    wide = reach >= FAR_WIDER * estimate
    places = (1 if wide and estimate else digits - 1) - math.floor(math.log10(reach if wide else estimate))
    if wide and estimate:
        least = min(abs(one) for one in (estimate, *like) if abs(one) >= estimate / 100)
        places = max(places, -math.floor(math.log10(least)))
    return f"{round(value, places) + 0.0:,.{max(places, 0)}f}".replace("-", "−")


def _reach(value: float, like: tuple[float, ...]) -> tuple[float, float]:
    """Return how large an estimate is, and how far it or its interval reaches."""
    sizes = [abs(one) if math.isfinite(one) else 0.0 for one in like or (value,)]
    return sizes[0], max(*sizes, abs(value))


def show_tally(value: float, *, like: tuple[float, ...] = ()) -> str:
    """Return how many are to be expected: whole from ten on, else one decimal, its interval likewise."""
    if not math.isfinite(value):
        return MISSING
    estimate, _ = _reach(value, like)
    return f"{round(value, 0 if estimate >= 10 else 1) + 0.0:,.{0 if estimate >= 10 else 1}f}".replace("-", "−")


def show_measured(value: float) -> str:
    """Return a measured value or its limit with four digits at most, without zeros that nobody read off."""
    if not math.isfinite(value):
        return MISSING
    places = max(0, 3 - math.floor(math.log10(abs(value)))) if value else 0
    shown = f"{value:,.{places}f}"
    return (shown.rstrip("0").rstrip(".") if places else shown).replace("-", "−")


def show_unit(value: object) -> str:
    """Return a unit of measure in words or signs."""
    return UNITS.get(str(value), show_text(value))


def show_count(value: float) -> str:
    """Return a count; one with a fraction (expected failures) keeps one decimal below 100."""
    if not math.isfinite(value):
        return MISSING
    whole = float(value).is_integer() or abs(value) >= 100
    return (f"{value:,.0f}" if whole else f"{value:,.1f}").replace("-", "−")


def show_whole(value: float) -> str:
    """Return a number without decimals, thousands separated."""
    return f"{value:,.0f}".replace("-", "−") if math.isfinite(value) else MISSING


def show_money(value: float, *, like: tuple[float, ...] = ()) -> str:
    """Return an amount of money without its currency: whole from 100 on, else two decimals.

    ``like`` are an estimate and the ends of its interval: one precision for all three, that of the largest, and no
    more than three of its digits.
    """
    if not math.isfinite(value):
        return MISSING
    _, reach = _reach(value, like)
    if value == 0:
        return "0"
    if reach < 100:
        return f"{value:,.2f}".replace("-", "−")
    coarse = min(0, 2 - math.floor(math.log10(reach))) if like else 0
    return f"{round(value, coarse) + 0.0:,.0f}".replace("-", "−")


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
    "tally": show_tally,
    "measured": show_measured,
    "ratio": show_ratio,
    "share": show_share,
    "odds": show_odds,
    "chance": show_chance,
}
_TOGETHER: dict[str, Callable[..., str]] = {"number": show_number, "money": show_money, "tally": show_tally}
KINDS = ("text", "prose", "label", "name", "place", "unit", "date", "flag", *_NUMBERS)


def is_numeric(kind: str) -> bool:
    """Return whether values of this kind line up on the right."""
    return kind in _NUMBERS


def show_value(value: Any, kind: str, *, like: tuple[Any, ...] = ()) -> str:
    """Return one cell as the reader sees it; ``kind`` is one of ``KINDS``, ``like`` an estimate and its interval."""
    if is_missing(value):
        return MISSING
    if kind in _TOGETHER and isinstance(plain_value(value), int | float):
        known = tuple(math.nan if is_missing(one) else float(one) for one in like)
        return _TOGETHER[kind](float(value), like=known)
    if kind in _NUMBERS and isinstance(plain_value(value), int | float):
        return _NUMBERS[kind](float(value))
    if kind == "date":
        return show_day(value)
    if kind == "flag":
        return "yes" if bool(value) else "no"
    return _WORDS.get(kind, show_text)(value)


_WORDS = {"name": show_name, "label": show_name, "place": show_place, "unit": show_unit, "prose": show_sentence}
