"""What the store remembers of its loads: files, settings, cautions; and what no longer agrees with the folder."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import date
from importlib.metadata import version

from wearlab.evidence import Caution, DataError, add_cautions
from wearlab.history.config import FleetConfig
from wearlab.history.config_section import CONFIG_NAME
from wearlab.history.contract import TABLES, Table, find_table
from wearlab.history.load_files import fingerprint
from wearlab.history.load_repeats import write_for
from wearlab.history.load_rows import DataFile
from wearlab.history.load_stage import Known, Outcome, StagedFile
from wearlab.history.privacy import mark_key
from wearlab.history.store import Store, read_sql, read_table_sql

READ_APART = ("angles.csv", "spectra.csv")  # for driveline load: read where that is asked, never into the store


def needs_rebuild(store: Store, config: FleetConfig, today: date, key: bytes | None) -> bool:
    """Return whether the rows of the store were read with another mapping, or up to a later day, than they would be."""
    if store.count("files") == 0:
        return False
    facts = _read_facts(store)
    earlier = (config.as_of or today).isoformat() < facts.get("last_day", "")
    return earlier or facts.get("reading") != _reading_settings(config, key)


def _reading_settings(config: FleetConfig, key: bytes | None) -> str:
    """Return what of fleet.toml decides how a row reads, as one text to compare."""
    tables = {name: asdict(mapping) for name, mapping in config.tables.items()}
    for mapping in tables.values():
        del mapping["files"]
    privacy = [config.privacy.pseudonyms, config.privacy.leave_out, mark_key(key)]
    settings = {"distance": config.distance, "duty_cycles": config.duty_cycles, "tables": tables, "privacy": privacy}
    return json.dumps(settings, sort_keys=True)


def _read_facts(store: Store) -> dict[str, str]:
    return dict(store.rows("select name, value from facts order by name"))


def _note(store: Store, facts: dict[str, str], name: str, value: str | None) -> None:
    """Write one fact, or take it out where ``value`` is None; ``facts`` are those there."""
    if facts.get(name) == value:
        return
    store.execute("delete from facts where name = $name", {"name": name})
    if value is not None:
        store.execute("insert into facts values ($name, $value)", {"name": name, "value": value})


def recognise_files(store: Store, found: tuple[DataFile, ...], *, rebuild: bool) -> tuple[Known, ...]:
    """Return the folder's files, each with its number in the store: that of a file of the same bytes, or a new one."""
    names = {(file.table, file.name) for file in found}
    rows = [] if rebuild else store.rows(read_sql("load_accounts"))
    facts = _read_facts(store)
    next_id = 1 + max((row[0] for row in rows), default=0)
    known = []
    for file in found:
        sha256 = fingerprint(file)
        same = [row for row in rows if (row[1], row[3]) == (file.table, sha256)]
        there = [row for row in same if row[2] == file.name] or [row for row in same if (row[1], row[2]) not in names]
        if there:
            file_id, _, _, _, rows_read, _, rows_set_aside, _ = there[0]
            rows.remove(there[0])
            whole = f"again {file_id}" in facts or any(row[2] == file.name and row[0] != file_id for row in rows)
            done = rows_set_aside == 0 and f"again {file_id}" not in facts
            again = () if done or whole else _list_aside(store, file_id)
            known.append(Known(file, sha256, file_id, rows_read, done=done, again=again))
        else:
            known.append(Known(file, sha256, next_id, 0, done=False))
            next_id += 1
    return tuple(known)


def _list_aside(store: Store, file_id: int) -> tuple[int, ...]:
    return tuple(line for (line,) in store.rows(read_sql("load_lines_aside"), {"id": file_id}))


def check_all_there(store: Store, found: Iterable[DataFile]) -> None:
    """Refuse (DataError) to read all rows afresh while a file that some of them came from is gone from the folder."""
    here = {(file.table, file.name) for file in found}
    gone = [row[2] for row in store.rows(read_sql("load_accounts")) if row[5] and (row[1], row[2]) not in here]
    if gone:
        raise DataError(
            "file-gone",
            f"{CONFIG_NAME} has changed, so all rows must be read afresh, but {gone[0]} is no longer in the folder",
            f"put it back, or take its rows out first: wearlab unload FOLDER {gone[0]}",
            gone[0],
        )


def clear_rows(store: Store) -> None:
    """Take all rows out of the store, its accounts and notes too."""
    for table in (*TABLES, *(Table(name, ()) for name in ("files", "set_aside", "changes"))):
        store.execute(read_table_sql("load_table_clear", table))
    store.run("load_clear_facts")
    store.run("store_touch_each")


def record_load(
    store: Store,
    known: tuple[Known, ...],
    staged: tuple[StagedFile, ...],
    outcomes: Mapping[int, Outcome],
    *,
    config: FleetConfig,
    today: date,
    key: bytes | None,
) -> None:
    """Write the standing account of each file, the rows set aside, and what a later load must know."""
    facts = _read_facts(store)
    names = {row[0]: row[2] for row in store.rows(read_sql("load_accounts"))}
    for one in known:
        if names.get(one.file_id, one.file.name) != one.file.name:
            store.run("load_rename", {"name": one.file.name, "id": one.file_id})
    for read in staged:
        file, file_id = read.known.file, read.known.file_id
        _record_file(store, read, outcomes[file_id], today)
        earlier = any(row_id != file_id and name == file.name for row_id, name in names.items())
        kept = _count_kept(store, read.known) if earlier else 0
        cautions = [(caution.code, caution.text) for caution in read.cautions]
        _note(store, facts, f"kept {file.table} {file.name}", str(kept) if kept else None)
        _note(store, facts, f"cautions {file_id}", json.dumps(cautions) if cautions else None)
        _note(store, facts, f"again {file_id}", None)
    store.run("load_move_aside")
    _note(store, facts, "reading", _reading_settings(config, key))
    _note(store, facts, "last_day", (config.as_of or today).isoformat())


def _record_file(store: Store, one: StagedFile, outcome: Outcome, today: date) -> None:
    known = one.known
    values = {"id": known.file_id}
    store.run("store_unload_file", values)
    store.run("store_unload_aside", values)
    loaded = store.number(read_table_sql("load_table_of_file", find_table(known.file.table)), values)
    store.execute(
        read_sql("load_move_file"),
        {
            "file_id": known.file_id,
            "table": known.file.table,
            "name": known.file.name,
            "sha256": known.sha256,
            "bytes": known.file.path.stat().st_size,
            "rows_read": one.rows_read,
            "rows_loaded": loaded,
            "rows_set_aside": outcome.rows_set_aside,
            "rows_already_loaded": one.rows_read - loaded - outcome.rows_set_aside,
            "today": today,
            "version": version("wearlab"),
        },
    )


def _count_kept(store: Store, known: Known) -> int:
    """Return how many rows of earlier versions of this file are not in it any more; they stay loaded."""
    table = find_table(known.file.table)
    values = {"table": table.name, "name": known.file.name, "id": known.file_id}
    store.run("load_drop_earlier_aside", values)
    return store.number(write_for(table, "load_table_kept"), values)


def gather_cautions(
    store: Store, config: FleetConfig, known: tuple[Known, ...], unread: tuple[str, ...]
) -> tuple[Caution, ...]:
    """Return what a reader of any result from this store should know of its files."""
    facts = _read_facts(store)
    of_files = tuple(
        Caution(code, text) for one in known for code, text in json.loads(facts.get(f"cautions {one.file_id}", "[]"))
    )
    return add_cautions(
        of_files, _unread_cautions(known, unread), _row_cautions(store, known, facts), _name_cautions(store, config)
    )


def _unread_cautions(known: tuple[Known, ...], unread: tuple[str, ...]) -> tuple[Caution, ...]:
    cautions = []
    if not any(one.file.table == "readings" for one in known):
        text = "There is no readings table: miles between services rest on the meters of the services alone."
        cautions.append(Caution("no-readings", text))
    strange = [name for name in unread if name not in READ_APART]
    if strange:
        more = " and more" if len(strange) > 8 else ""
        text = f"Not read, since no table takes them: {', '.join(strange[:8])}{more}."
        cautions.append(Caution("file-not-read", text))
    return tuple(cautions)


def _row_cautions(store: Store, known: tuple[Known, ...], facts: Mapping[str, str]) -> tuple[Caution, ...]:
    cautions = []
    here = {one.file_id for one in known}
    names = {(one.file.table, one.file.name) for one in known}
    accounts = store.rows(read_sql("load_accounts"))
    aside, read = (sum(row[place] for row in accounts if row[0] in here) for place in (6, 4))
    if aside:
        text = f"{aside:,} of {read:,} rows could not be used and were set aside; wearlab load lists them."
        cautions.append(Caution("rows-set-aside", text))
    for _, table, name, _, _, rows_loaded, _, _ in accounts:
        if rows_loaded and (table, name) not in names:
            text = f"{name} is no longer in the folder; its rows are kept until wearlab unload takes them out."
            cautions.append(Caution("file-gone", text))
    for table, name in sorted(names):
        kept = facts.get(f"kept {table} {name}")
        if kept:
            text = (
                f"{name} has changed since it was first loaded: {int(kept):,} rows of its earlier version that are no "
                "longer in it are kept; wearlab unload takes them out, and the next load reads the file afresh."
            )
            cautions.append(Caution("earlier-version-kept", text))
    return tuple(cautions)


def _name_cautions(store: Store, config: FleetConfig) -> tuple[Caution, ...]:
    costs = config.costs
    places = {
        "costs.by_duty_cycle": costs.by_duty_cycle,
        "costs.ownership_miles": costs.ownership_miles,
        "published_interval": config.published_interval,
        "limits.b10_miles": config.limits.b10_miles,
    }
    cautions = []
    for place, named in places.items():
        for (name,) in store.rows(read_sql("load_classes_unknown"), {"names": list(named)}) if named else ():
            text = f"{CONFIG_NAME} names the duty cycle {name!r} in {place}, but no unit has it."
            cautions.append(Caution("class-without-units", text))
    parts = {*costs.parts, *(part for parts in costs.by_duty_cycle.values() for part in parts)}
    for (name,) in store.rows(read_sql("load_components_unknown"), {"names": sorted(parts)}):
        text = f"{CONFIG_NAME} names the component {name!r} in costs, but no position has it."
        cautions.append(Caution("component-without-positions", text))
    return tuple(cautions)
