"""What the columns of an unknown file hold, and which of the contract's they most likely are."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from wearlab.history.contract import TABLES, Column, Kind, Table
from wearlab.history.load_advice import guess_date_forms
from wearlab.history.load_rows import DataFile
from wearlab.history.mapping_words import CODE_WORDS, COLUMN_WORDS, TABLE_WORDS

_SAMPLE = 300  # different values looked at for dates and numbers
_ENOUGH = 0.8  # share of values that must fit for a column to be of a kind
_CLASSES = 8  # different values of a column that may hold the duty cycle
_TOLD = 0.2  # share of rows whose job names a component, from which the job is free text
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2}([.]\d+)?)?.*)?")
_NUMBER_FORMS = {
    ("", "."): re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?"),
    (",", "."): re.compile(r"[+-]?\d{1,3}(,\d{3})*(\.\d+)?|[+-]?\d+(\.\d+)?"),
    (".", ","): re.compile(r"[+-]?\d{1,3}(\.\d{3})*(,\d+)?|[+-]?\d+(,\d+)?"),
    (" ", ","): re.compile(r"[+-]?\d{1,3}([  ]\d{3})*(,\d+)?|[+-]?\d+(,\d+)?"),
    ("'", "."): re.compile(r"[+-]?\d{1,3}('\d{3})*(\.\d+)?|[+-]?\d+(\.\d+)?"),
}


@dataclass(frozen=True, slots=True)
class Profile:
    """What one column of a file holds: its values with how often each occurs, blanks left out."""

    name: str
    values: Mapping[str, int]
    dates: tuple[str, ...]  # formats that its values follow; "ISO" for ISO 8601
    numbers: tuple[tuple[str, str], ...]  # pairs of thousands separator and decimal mark that its values follow


@dataclass(frozen=True, slots=True)
class Placed:
    """One column of the contract found in a file, and why: ``name``, ``alike`` or ``values``."""

    column: Column
    profile: Profile
    why: str
    score: float


@dataclass(frozen=True, slots=True)
class Guess:
    """One file taken as one table: the columns placed, those required and not found, and those left over."""

    file: DataFile
    table: Table
    placed: tuple[Placed, ...]
    missing: tuple[str, ...]
    left: tuple[Profile, ...]
    score: float


def profile_column(name: str, values: Iterable[str | None]) -> Profile:
    """Return what a column holds."""
    counts = Counter(value.strip() for value in values if value is not None and value.strip())
    sample = [value for value, _ in counts.most_common(_SAMPLE)]
    return Profile(name, counts, _find_dates(sample), _find_numbers(sample))


def _find_dates(sample: list[str]) -> tuple[str, ...]:
    if sample and sum(_ISO.fullmatch(value) is not None for value in sample) >= _ENOUGH * len(sample):
        return ("ISO",)
    whole = guess_date_forms(sample)
    if whole or not sample:
        return whole
    # A few bad values must not hide the format of the rest.
    some = Counter(form for value in sample for form in guess_date_forms([value]))
    return tuple(form for form, hits in some.most_common(2) if hits >= _ENOUGH * len(sample))


def _find_numbers(sample: list[str]) -> tuple[tuple[str, str], ...]:
    enough = _ENOUGH * len(sample)
    return tuple(
        form
        for form, pattern in _NUMBER_FORMS.items()
        if sample and sum(pattern.fullmatch(value) is not None for value in sample) >= enough
    )


def guess_table(file: DataFile, label: str, profiles: tuple[Profile, ...], units: frozenset[str]) -> Guess | None:
    """Return the table that a file most likely holds, or None where none fits.

    ``label`` is the name of the file or sheet; ``units`` are unit numbers seen elsewhere, to know them by.
    """
    guesses = [_guess(file, label, table, profiles, units) for table in TABLES]
    best = max((guess for guess in guesses if _is_named(guess)), key=lambda guess: guess.score)
    needed = sum(column.required for column in best.table.columns)
    return _take_as_text(best) if best.score > 0.5 and len(best.missing) * 2 <= needed else None


def _is_named(guess: Guess) -> bool:
    """Return whether a guess rests on more than values: a table that a fleet may lack wants a column by its name."""
    return guess.table.required or any(one.why != "values" for one in guess.placed)


def _take_as_text(guess: Guess) -> Guess:
    """Return a guess whose column of actions is taken as free text, where that alone tells the component too."""
    placed = {one.column.name: one for one in guess.placed}
    action, note = placed.get("action"), guess.table.column("note")
    if action is None or note is None or placed.keys() & {"component", "position", "note"}:
        return guess
    if _told_share(action.profile, "component") < _TOLD:
        return guess
    text = Placed(note, action.profile, "alike", action.score)
    kept = tuple(one for one in guess.placed if one.column.name != "action")
    return replace(guess, placed=(*kept, text), missing=(*guess.missing, "action"))


def _told_share(profile: Profile, name: str) -> float:
    rows = sum(profile.values.values())
    told = sum(n for value, n in profile.values.items() if any(part in value.lower() for part, _ in CODE_WORDS[name]))
    return told / max(rows, 1)


def _guess(file: DataFile, label: str, table: Table, profiles: tuple[Profile, ...], units: frozenset[str]) -> Guess:
    only = {
        "date": _find_only(profile for profile in profiles if profile.dates),
        "duty_cycle": _find_only(profile for profile in profiles if _holds_classes(profile)),
    }
    scored = sorted(
        (
            Placed(column, profile, *_score(column, profile, units, only))
            for column in table.columns
            for profile in profiles
        ),
        key=lambda placed: -placed.score,
    )
    placed: dict[str, Placed] = {}
    taken: set[str] = set()
    for one in scored:
        if one.score > 0 and one.column.name not in placed and one.profile.name not in taken:
            placed[one.column.name] = one
            taken.add(one.profile.name)
    required = [column.name for column in table.columns if column.required]
    missing = tuple(name for name in required if name not in placed)
    found = sum(placed[name].score for name in required if name in placed)
    extra = sum(one.score for name, one in placed.items() if name not in required)
    score = (
        (found / len(required) if required else 0.0) + 0.08 * extra + 0.4 * _name_score(label, TABLE_WORDS[table.name])
    )
    left = tuple(profile for profile in profiles if profile.name not in taken)
    order = tuple(placed[name] for name in table.names if name in placed)
    return Guess(file, table, order, missing, left, score - 0.5 * len(missing))


def _find_only(profiles: Iterable[Profile]) -> Profile | None:
    """Return the one column of a kind, None where there is none or more than one."""
    found = list(profiles)
    return found[0] if len(found) == 1 else None


def _holds_classes(profile: Profile) -> bool:
    return not profile.dates and not profile.numbers and 2 <= len(profile.values) <= _CLASSES


def _score(
    column: Column, profile: Profile, units: frozenset[str], only: Mapping[str, Profile | None]
) -> tuple[str, float]:
    """Return why and how strongly a column of a file is one of the contract's; 0 where its values forbid it."""
    if profile.name == column.name:
        return "name", 1.0
    if profile.values and not _fits(column, profile):
        return "", 0.0
    by_name = 0.9 * _name_score(profile.name, COLUMN_WORDS.get(column.name, ()))
    by_values = _value_score(column, profile, units)
    what = "date" if column.kind is Kind.DATE else column.name
    if column.required and profile is only.get(what):
        by_values = 0.5
    return ("alike", by_name) if by_name >= by_values else ("values", by_values)


def _fits(column: Column, profile: Profile) -> bool:
    if column.kind in {Kind.DATE, Kind.TIME}:
        return bool(profile.dates)
    if column.kind in {Kind.NUMBER, Kind.WHOLE, Kind.DISTANCE}:
        return bool(profile.numbers)
    return not (profile.dates and column.kind is Kind.TEXT)


def _value_score(column: Column, profile: Profile, units: frozenset[str]) -> float:
    rows = sum(profile.values.values())
    if column.name == "unit_id" and units and rows:
        mine = sum(n for value, n in profile.values.items() if value in units) >= _ENOUGH * rows
        return 0.7 * (mine or len(units & profile.values.keys()) >= _ENOUGH * len(units))
    if column.name in CODE_WORDS and rows and len(profile.values) <= 60:
        placed = sum(n for value, n in profile.values.items() if propose_code(column, value))
        return 0.5 * (placed >= _ENOUGH * rows)
    return 0.0


def propose_code(column: Column, value: str) -> str | None:
    """Return what a value of an export most likely means in the contract, or None where no word tells."""
    if value in column.choices:
        return value
    same = re.sub(r"[^a-z]", "", value.lower())
    exact = next((choice for choice in column.choices if choice.replace("_", "") == same), None)
    return exact or next((means for part, means in CODE_WORDS.get(column.name, ()) if part in value.lower()), None)


def split_words(name: str) -> tuple[str, ...]:
    """Return the words of a name, whatever joins them, in small letters."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return tuple(re.findall(r"[a-z]+|\d+", spaced.lower()))


def _name_score(name: str, words: tuple[str, ...]) -> float:
    """Return 1 where a name is one of ``words``, less where it holds one, 0 where it holds none."""
    found = split_words(name)
    best = 0.0
    for place, known in enumerate(words):
        parts = tuple(known.split())
        if found == parts:
            return 1.0 - 0.01 * place
        if set(parts) <= set(found):
            best = max(best, 0.6 + 0.1 * len(parts) / len(found) - 0.01 * place)
    return best
