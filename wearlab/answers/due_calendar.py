"""The work list as an iCalendar file (RFC 5545): one all-day event per job, on the day it is due."""

from collections.abc import Hashable, Iterator
from datetime import date
from typing import Any

import pandas as pd

TITLES = {"regrease": "Regrease", "inspect": "Inspect", "replace_planned": "Replace"}
LONGEST_LINE = 75  # octets, RFC 5545 section 3.1


def write_calendar(work: pd.DataFrame, as_of: date, caution: str) -> str:
    """Return the text of an iCalendar file, lines ended by CRLF and folded at 75 octets; same work, same bytes."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//wearlab//work list//EN", "CALSCALE:GREGORIAN"]
    for row in work.to_dict("records"):
        lines += _event(row, as_of, caution)
    lines.append("END:VCALENDAR")
    return "".join(f"{part}\r\n" for line in lines for part in _fold(line))


def _event(row: dict[Hashable, Any], as_of: date, caution: str) -> Iterator[str]:
    where = "whole truck" if pd.isna(row["position"]) else str(row["position"])
    key = f"{row['unit_id']}/{where}/{row['task']}/{row['due_date']:%Y%m%d}"
    yield "BEGIN:VEVENT"
    yield f"UID:{_escape(key)}@wearlab"
    yield f"DTSTAMP:{as_of:%Y%m%d}T000000Z"
    yield f"DTSTART;VALUE=DATE:{row['due_date']:%Y%m%d}"
    yield "SUMMARY:" + _escape(f"{TITLES[row['task']]} {row['unit_id']}, {where}")
    yield "DESCRIPTION:" + _escape(f"{_status(row)}. {row['why']}. {caution}")
    if not pd.isna(row["shop"]):
        yield f"LOCATION:{_escape(str(row['shop']))}"
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


def _status(row: dict[Hashable, Any]) -> str:
    words = str(row["status"]).replace("_", " ").capitalize()
    return words if pd.isna(row["due_miles"]) else f"{words}, at {row['due_miles']:,.0f} miles"


def _escape(text: str) -> str:
    """Return text safe inside a value (RFC 5545 section 3.3.11); other control characters become spaces."""
    text = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    text = text.replace("\r\n", "\\n").replace("\n", "\\n").replace("\r", "\\n")
    return "".join(letter if letter >= " " and letter != "\x7f" else " " for letter in text)


def _fold(line: str) -> Iterator[str]:
    """Yield a line in pieces of at most 75 octets, never inside a character, each but the first begun by a space."""
    piece, size = "", 0
    for letter in line:
        width = len(letter.encode())
        if size + width > LONGEST_LINE:
            yield piece
            piece, size = " ", 1
        piece, size = piece + letter, size + width
    yield piece
