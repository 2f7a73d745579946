"""What fleet.toml says of how each table of an export is read: files, columns, dates, codes, keyword rules."""

import math
import re
from difflib import get_close_matches

from wearlab.history.config import ClassRule, Keywords, Privacy, TableMap
from wearlab.history.config_section import Section, suggest
from wearlab.history.contract import TABLES, Kind, Table

OPTIONS = ("delimiter", "quote", "encoding", "decimal", "thousands", "sheet")
EXCEL_SERIAL = "serial"  # a date given as a count of days, as spreadsheets keep it: 1 = 1900-01-01
_RULED = ("duty_cycle", "component", "position", "quantity", "unit")  # columns by which rows are told apart
_BOUNDS = tuple(
    f"{what}_{side}" for what in ("miles_per_year", "miles_per_hour", "share_unpaved") for side in ("over", "up_to")
)
_DATE_PARTS = frozenset("YymdbBHIMSpfjaA%")


def read_tables(section: Section, duty_cycles: tuple[str, ...] | None) -> dict[str, TableMap]:
    """Return the checked ``[tables]`` of fleet.toml, by table."""
    section.check_keys(table.name for table in TABLES)
    return {
        table.name: _read_table(section.section(table.name), table, duty_cycles)
        for table in TABLES
        if table.name in section.values
    }


def _read_table(section: Section, table: Table, duty_cycles: tuple[str, ...] | None) -> TableMap:
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


def _read_options(section: Section) -> dict[str, str]:
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


def _read_keywords(section: Section, table: Table, duty_cycles: tuple[str, ...] | None) -> Keywords:
    rules = {}
    for name, pairs in section.values.items():
        if name == "look_in":
            continue
        if name not in table.names:
            section.refuse(name, f"the table {table.name} has no such column", suggest(name, table.names))
        choices = _find_choices(table, name, duty_cycles)
        for pair in pairs if isinstance(pairs, list) else [None]:
            if not (isinstance(pair, list) and len(pair) == 2 and all(isinstance(word, str) and word for word in pair)):
                section.refuse(
                    name, f"pairs of texts are wanted, not {pairs!r}", f'write {name} = [["part", "meaning"]]'
                )
            if choices and pair[1] not in choices:
                section.refuse(name, f"{pair[1]!r} is not one of {', '.join(choices)}", suggest(pair[1], choices))
        rules[name] = tuple((part.lower(), means) for part, means in pairs)
    return Keywords(section.word("look_in", "note"), rules)


def _find_choices(table: Table, name: str, duty_cycles: tuple[str, ...] | None) -> tuple[str, ...]:
    column = table.column(name)
    return (duty_cycles or ()) if name == "duty_cycle" else column.choices if column else ()


def _check_name(section: Section, name: str, table: Table) -> None:
    # Any other name renames an attribute; one that nearly is a contract name is a slip.
    near = get_close_matches(name, table.names, n=1, cutoff=0.85)
    if name not in table.names and near:
        section.refuse(name, f"the table {table.name} has no such column", f"did you mean {near[0]}?")


def _read_codes(section: Section, name: str, table: Table, duty_cycles: tuple[str, ...] | None) -> dict[str, str]:
    _check_name(section, name, table)
    pairs = section.pairs(name)
    choices = _find_choices(table, name, duty_cycles)
    for code, value in pairs.items():
        if choices and value not in choices:
            section.section(name).refuse(code, f"{value!r} is not one of {', '.join(choices)}", suggest(value, choices))
    return pairs


def read_privacy(section: Section) -> Privacy:
    """Return the checked ``[privacy]`` of fleet.toml; a number, a date or a code of the contract has no pseudonym."""
    section.check_keys(("pseudonyms", "leave_out", "key_file"))
    read = {"pseudonyms": section.words("pseudonyms"), "leave_out": section.words("leave_out")}
    for key, names in read.items():
        for name in names:
            columns = [column for table in TABLES if (column := table.column(name))]
            if any(column.kind is not Kind.TEXT or column.choices for column in columns) or name in _RULED:
                section.refuse(key, f"{name!r} is no free text", "name a column such as crew or driver")
            if key == "leave_out" and any(column.required for column in columns):
                section.refuse(key, f"{name!r} is required", f'write pseudonyms = ["{name}"]')
    key_file = section.word("key_file", "-") if "key_file" in section.values else None
    return Privacy(read["pseudonyms"], read["leave_out"], key_file)


def read_class_rules(top: Section, duty_cycles: tuple[str, ...] | None, miles: float) -> tuple[ClassRule, ...]:
    """Return the checked ``[[class_rules]]`` of fleet.toml in their order, distances in miles."""
    rules = top.values.get("class_rules", [])
    if not isinstance(rules, list) or not all(isinstance(rule, dict) for rule in rules):
        top.refuse("class_rules", "a list of tables is wanted", "write each rule under its own [[class_rules]]")
    found = []
    for values in rules:
        rule = Section(values, ("class_rules",), top.text)
        rule.check_keys(("duty_cycle", *_BOUNDS))
        name = rule.word("duty_cycle", "", duty_cycles or ())
        bounds = {bound: rule.number(bound, high=1.0 if "share" in bound else math.inf) for bound in _BOUNDS}
        if all(value is None for value in bounds.values()):
            rule.refuse(
                "duty_cycle", f"the rule for {name!r} has no bound", "add one, such as miles_per_year_over = 60000"
            )
        scaled = {k: v if v is None or "share" in k else v * miles for k, v in bounds.items()}
        found.append(ClassRule(name, **scaled))
    return tuple(found)
