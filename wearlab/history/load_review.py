"""What a person should look over after a load: values told by keyword rules, and rows replaced by later ones."""

import pandas as pd

from wearlab.history.config import FleetConfig
from wearlab.history.contract import find_table
from wearlab.history.store import Store, quote_name, read_sql, read_table_sql

_RULES = ["table", "column", "text", "means", "rows"]
_UNMATCHED = ["table", "column", "text", "rows"]
_CHANGES = ["table", "key", "file", "line", "replaced_by_file", "replaced_by_line"]


def review_rules(store: Store, config: FleetConfig) -> pd.DataFrame:
    """Return each keyword rule with the number of loaded rows it told, ``text`` None for rows that it left blank.

    Rows without a required value are not among them: they are set aside, with the text in which no rule was found.
    """
    rows: list[tuple[str, str, str | None, str | None, int]] = []
    for name, mapping in config.tables.items():
        for column, rules in mapping.keywords.rules.items():
            table = find_table(name)
            told = dict(store.rows(read_table_sql("load_table_told", table), {"column": column}))
            rows += [(name, column, part, means, int(told.get(part, 0))) for part, means in rules]
            blank = store.number(read_table_sql("load_table_blank", table), {"column": column})
            rows.append((name, column, None, None, blank))
    return pd.DataFrame.from_records(rows, columns=_RULES)


def review_unmatched(store: Store, config: FleetConfig) -> pd.DataFrame:
    """Return the texts in which no keyword rule found a value for a blank column, the commonest first, at most 50 each.

    Rows set aside because the value is required stand among them.
    """
    rows: list[tuple[str, str, str, int]] = []
    for name, mapping in config.tables.items():
        table, look_in = find_table(name), mapping.keywords.look_in
        text = quote_name(look_in) if look_in in table.names else "attributes[$look_in]"
        for column in mapping.keywords.rules:
            statement = read_table_sql("load_table_unmatched", table)
            statement = statement.replace("THIS_TEXT", text).replace("THIS_COLUMN", quote_name(column))
            values = {"table": name, "column": column, "look_in": look_in}
            used = {key: value for key, value in values.items() if f"${key}" in statement}
            rows += [(name, column, str(found), int(count)) for found, count in store.rows(statement, used)]
    return pd.DataFrame.from_records(rows, columns=_UNMATCHED)


def review_changes(store: Store) -> pd.DataFrame:
    """Return the log of changes: each loaded row that a later one replaced, with the row in force; both are kept."""
    return pd.DataFrame.from_records(store.rows(read_sql("load_changes")), columns=_CHANGES)
