"""What to do about a file that cannot be loaded as it is: the line of fleet.toml that would mend it."""

from collections.abc import Iterable
from datetime import datetime

from wearlab.evidence import DataError
from wearlab.history.config_section import CONFIG_NAME
from wearlab.history.load_rows import DataFile
from wearlab.history.load_sql import Reading
from wearlab.history.store import Store, read_table_sql

# The forms in which dates are commonly written in exports (common practice, no source), as strptime formats.
DATE_FORMS = (
    "%m/%d/%Y",
    "%d/%m/%Y",
    "%Y/%m/%d",
    "%d.%m.%Y",
    "%m-%d-%Y",
    "%d-%m-%Y",
    "%Y%m%d",
    "%d-%b-%Y",
    "%d %b %Y",
    "%b %d, %Y",
    "%d %B %Y",
    "%B %d, %Y",
    "%d-%b-%y",
    "%m/%d/%y",
    "%d/%m/%y",
    "%d.%m.%y",
    "%m/%d/%Y %H:%M",
    "%m/%d/%Y %H:%M:%S",
    "%m/%d/%Y %I:%M %p",
    "%m/%d/%Y %I:%M:%S %p",
    "%d/%m/%Y %H:%M",
    "%d/%m/%Y %H:%M:%S",
    "%d.%m.%Y %H:%M",
    "%d.%m.%Y %H:%M:%S",
    "%Y/%m/%d %H:%M:%S",
)
_SAMPLE = 500
_FEW_WITH_FORM = 2  # rows of a file with which a format that all follow is taken as the file's own
_FEW_WITHOUT = 5  # rows with which a column without any readable date is taken as a whole


def check_dates(store: Store, reading: Reading, file: DataFile, file_id: int, faults: set[int]) -> None:
    """Refuse (DataError) a file with a column of dates of which none can be read: it has a format of its own."""
    for number, fault in enumerate(reading.faults):
        if number not in faults or not fault.reason.startswith("not a date"):
            continue
        values = {"fault": number, "file_id": file_id}
        texts = store.rows(read_table_sql("load_table_fault_texts", reading.table), values)
        rows, forms = sum(count for _, _, count in texts), guess_date_forms(text for text, _, _ in texts[:_SAMPLE])
        if rows < (_FEW_WITH_FORM if forms else _FEW_WITHOUT):
            continue
        filled = {"column": fault.column, "file_id": file_id}
        if not store.number(read_table_sql("load_table_filled", reading.table), filled):
            raise _unreadable_dates(file, reading, fault.column, texts[0][:2], forms)


def guess_date_forms(texts: Iterable[str]) -> tuple[str, ...]:
    """Return every common date form that all of the texts follow."""
    sample = list(texts)
    return tuple(form for form in DATE_FORMS if sample and all(_follows(text, form) for text in sample))


def _follows(text: str, form: str) -> bool:
    try:
        found = datetime.strptime(text, form)  # noqa: DTZ007 - fleets' records carry no time zone
    except ValueError:
        return False
    return 1900 <= found.year < 2200


def _unreadable_dates(
    file: DataFile, reading: Reading, column: str, first_seen: tuple[str, int], forms: tuple[str, ...]
) -> DataError:
    first, line = first_seen
    wanted = ", ".join(("ISO 8601 such as 2024-01-31", *reading.mapping.dates))
    text = f"none of its dates can be read: {first!r} is not {wanted}"
    if len(forms) > 1:
        text += f"; it could be any of {', '.join(forms)}"
    line_of_toml = f'[tables.{file.table}] dates = ["{forms[0] if forms else "%m/%d/%Y"}"]'
    fix = f"add to {CONFIG_NAME}: {line_of_toml}"
    if not forms:
        fix += ", with the format that the file has"
    return DataError("unreadable-dates", text, fix, file.name, line, column)
