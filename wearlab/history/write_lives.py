"""Lives, episodes, gaps and factors written as Parquet, piece by piece: a fleet of any size in the same memory."""

import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from wearlab.evidence import Basis, Caution, DataError, SourceFile
from wearlab.history.contract import TABLES
from wearlab.history.pieces import LocalEngine, build_in_pieces
from wearlab.history.steps import OUTPUTS, Values, bound, read_step
from wearlab.history.store import Store

BATCH_ROWS = 100_000


@dataclass(frozen=True, slots=True)
class Written:
    """Lives written to files: how many rows of which table, and where."""

    basis: Basis
    cautions: tuple[Caution, ...]
    written: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables written, with their rows and folders."""
        return {"written": self.written}


def describe_written(
    counts: Mapping[str, int], failures: int, folder: str, values: Values, source: str, files: tuple[SourceFile, ...],
    level: float,
) -> Written:  # fmt: skip
    """Return what was written as a result."""
    names = list(counts)
    table = pd.DataFrame(
        {"table": names, "rows": [counts[name] for name in names], "folder": [f"{folder}/{name}" for name in names]}
    )
    basis = Basis(source, files, values["as_of"], values["scale"], level, (), counts["lives"], failures)
    aside = sum(file.rows_set_aside for file in files)
    text = f"{aside} rows could not be used and were set aside before these lives were made."
    return Written(basis, (Caution("rows-set-aside", text),) if aside else (), table)


def write_rows(store: Store, folder: Path) -> None:
    """Write the rows of every table of the store as ``<folder>/<table>/<table>.parquet``."""
    for table in TABLES:
        columns = ", ".join((*table.names, "attributes", "row_id"))
        statement = f"select {columns} from {table.name} order by row_id"  # noqa: S608 - names of the contract
        batches = store.batches(statement, rows=BATCH_ROWS)
        first = next(batches)
        with _open_writer(folder, table.name, first.schema) as writer:
            for batch in batches:
                _write_batch(writer, batch)


def write_lives(store: Store, values: Values, folder: Path, progress: Callable[[str], None]) -> dict[str, int]:
    """Write ``<folder>/<table>/<table>.parquet`` for each of ``OUTPUTS``; return the rows written by table.

    ``failures`` counts the failures among the lives. ``folder`` appears when all of it is written. Refuses (DataError)
    a folder that is there already.
    """
    counts = {**dict.fromkeys(OUTPUTS, 0), "failures": 0}
    with _new_folder(folder) as made, ExitStack() as stack:
        writers: dict[str, pq.ParquetWriter] = {}

        def write(engine: LocalEngine, mine: Values, names: tuple[str, ...]) -> None:
            for name in names:
                statement = read_step(OUTPUTS[name])
                for batch in engine.store.batches(statement, bound(statement, mine), rows=BATCH_ROWS):
                    if name not in writers:
                        writers[name] = stack.enter_context(_open_writer(made, name, batch.schema))
                    _write_batch(writers[name], batch)
                    counts[name] += batch.num_rows

        def lives(engine: LocalEngine, mine: Values) -> None:
            write(engine, mine, tuple(name for name in OUTPUTS if name != "episodes"))
            counts["failures"] += engine.store.number("select count(*) from life where failed")

        build_in_pieces(
            store,
            values,
            lives=lives,
            episodes=lambda engine, mine: write(engine, mine, ("episodes",)),
            progress=progress,
        )
    return counts


def _write_batch(writer: pq.ParquetWriter, batch: pa.RecordBatch) -> None:
    if batch.num_rows:
        writer.write_batch(batch)


def _open_writer(folder: Path, name: str, schema: pa.Schema) -> pq.ParquetWriter:
    (folder / name).mkdir(parents=True)
    return pq.ParquetWriter(folder / name / f"{name}.parquet", schema)


@contextmanager
def _new_folder(folder: Path) -> Iterator[Path]:
    if folder.exists():
        raise DataError("folder-exists", f"{folder.name} is there already", "name a folder that is new", str(folder))
    part = folder.with_name(folder.name + ".part")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True)
    try:
        yield part
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    part.replace(folder)
