"""Small fleet folders written for one test, and loaded without a store that is kept."""

from collections.abc import Mapping
from datetime import date
from pathlib import Path

from wearlab.history.load import Loaded, load_folder
from wearlab.history.store import IN_MEMORY, Store, open_store

TODAY = date(2026, 11, 24)
TOML = "records_from = 2019-01-01\nas_of = 2024-06-30\nmax_set_aside_share = 1.0\n"
UNITS = "unit_id,duty_cycle,in_service_date\nT1,line_haul,2019-01-01\nT2,vocational,2020-01-01\n"
POSITIONS = "unit_id,position,component\nT1,main.joint.1,joint\nT1,main.joint.2,joint\nT2,main.boot,boot\n"
SERVICES = "service_id,unit_id,date,miles,action\nS1,T1,2020-01-01,1000.5,regrease\nS2,T1,2021-01-01,9000,inspect\n"
READINGS = "unit_id,date,miles\nT1,2020-01-01,1000.5\nT2,2021-01-01,500\n"


def write_folder(folder: Path, toml: str = TOML, /, **files: str | bytes | None) -> Path:
    """Write a fleet folder; a keyword is the name of a CSV file without its ending, None leaves one out."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "fleet.toml").write_text(toml, encoding="utf-8")
    tables: dict[str, str | bytes | None] = {
        "units": UNITS,
        "positions": POSITIONS,
        "services": SERVICES,
        "readings": READINGS,
    }
    for name, content in (tables | files).items():
        if content is not None:
            data = content.encode() if isinstance(content, str) else content
            (folder / f"{name}.csv").write_bytes(data)
    return folder


def load_into(folder: Path, store: Store, *, strict: bool = False, messages: list[str] | None = None) -> Loaded:
    """Load a folder into an open store as the command line does on the invented day of the tests."""
    heard = messages if messages is not None else []
    return load_folder(folder, store, today=TODAY, progress=heard.append, strict=strict)


def load(folder: Path) -> Loaded:
    """Load a folder, keeping nothing."""
    with open_store(IN_MEMORY) as store:
        return load_into(folder, store)


def account(loaded: Loaded) -> Mapping[str, tuple[int, int, int, int]]:
    """Rows read, loaded, set aside and already loaded, by table."""
    rows = loaded.accounts.itertuples(index=False)
    return {
        str(row.table): (row.rows_read, row.rows_loaded, row.rows_set_aside, row.rows_already_loaded) for row in rows
    }


def aside(loaded: Loaded) -> list[tuple[str, int, str | None, str | None]]:
    """File, line, column and value of every row set aside."""
    rows = loaded.set_aside.itertuples(index=False)
    return [(row.file, row.line, row.column, row.value) for row in rows]
