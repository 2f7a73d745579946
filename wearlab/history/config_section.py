"""One table of fleet.toml with the way to it, so that each complaint says where it stands and what would be right."""

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from difflib import get_close_matches
from typing import Any, NoReturn

from wearlab.evidence import DataError

CONFIG_NAME = "fleet.toml"


@dataclass(frozen=True, slots=True)
class Section:
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
                self.refuse(key, "no such setting", suggest(key, names), code="unknown-setting")

    def section(self, key: str) -> "Section":
        """Return the table under ``key``, empty where there is none."""
        value = self.values.get(key, {})
        if not isinstance(value, dict):
            self.refuse(key, f"a table is wanted, not {value!r}", f"write {key} = {{ name = value }}")
        return Section(value, (*self.path, key), self.text)

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


def suggest(name: str, known: Iterable[str]) -> str:
    """Return the known name nearest to one that is not known, or all of them."""
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
