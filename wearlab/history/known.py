"""The rows of a store as they were known on an earlier day: nothing written down later may be read."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date

from wearlab.history.contract import find_table
from wearlab.history.store import Store, read_table_sql

VERSIONED = ("units", "positions")  # of several rows with one key the one known on the day is read
DATED = ("readings", "duty_changes", "lube_plan", "measurements")  # rows that say that they were written later are not


@contextmanager
def as_known(store: Store, day: date) -> Iterator[None]:
    """Have every statement inside read trucks, places, readings and plans as they were known on ``day``.

    A row says when it was written down in a column ``posted_date``, ``updated_at`` or ``snapshot_date`` (ISO 8601);
    of trucks and places that do not, the day on which their file was loaded stands for it. Work orders have their own
    columns, and are read so by the statements themselves.
    """
    store.run("store_files")
    store.run("known_macro_day")
    names = [*VERSIONED, *(name for name in DATED if _later_rows(store, name, day))]
    try:
        for name in names:
            statement = "known_rows" if name in DATED else f"known_{name}"
            store.execute(read_table_sql(statement, find_table(name)), {"as_of": day})
        yield
    finally:
        for name in names:
            store.execute(f"drop table if exists temp.{name}")


def _later_rows(store: Store, name: str, day: date) -> bool:
    return store.number(read_table_sql("known_later_rows", find_table(name)), {"as_of": day}) > 0
