"""Lives, episodes, gaps and factors written as Parquet, piece by piece: a fleet of any size in the same memory."""

import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from wearlab.evidence import Basis, Caution, DataError, SourceFile
from wearlab.history.contract import TABLES
from wearlab.history.episodes import lay_out
from wearlab.history.frames import EPISODE_COLUMNS
from wearlab.history.pieces import LocalEngine, build_in_pieces
from wearlab.history.steps import OUTPUTS, TO_LAY, Values, bound, read_step
from wearlab.history.store import Store

BATCH_ROWS = 100_000
BATCH_LIVES = 8_000  # whose episodes are written at once


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

        def write(name: str, batch: pa.RecordBatch) -> None:
            if name not in writers:
                writers[name] = stack.enter_context(_open_writer(made, name, batch.schema))
            _write_batch(writers[name], batch)
            counts[name] += batch.num_rows

        def lives(engine: LocalEngine, mine: Values) -> None:
            for name in OUTPUTS:
                if name != "episodes":
                    statement = read_step(OUTPUTS[name])
                    for batch in engine.store.batches(statement, bound(statement, mine), rows=BATCH_ROWS):
                        write(name, batch)
            counts["failures"] += engine.store.number("select count(*) from life where failed")

        def episodes(engine: LocalEngine, mine: Values) -> None:
            for batch in _batch_episodes(engine, mine):
                write("episodes", batch)

        build_in_pieces(store, values, lives=lives, episodes=episodes, progress=progress)
    return counts


def _batch_episodes(engine: LocalEngine, values: Values) -> Iterator[pa.RecordBatch]:
    """Yield the episodes of one piece as Arrow batches, at least one, be it empty; texts by their codes."""
    lives, spans = (engine.coded(name, values) for name in TO_LAY)
    for first in range(0, max(len(lives), 1), BATCH_LIVES):
        laid = lay_out(lives.iloc[first : first + BATCH_LIVES], spans)
        columns = {name: _array(laid[name]) for name in laid}
        for name in ("entry", "exit"):
            columns[f"{name}_date"] = columns.pop(f"{name}_day").cast(pa.int32()).view(pa.date32())
        columns["count"] = pa.array(np.ones(len(laid)))
        yield pa.RecordBatch.from_pydict({name: columns[name] for name in EPISODE_COLUMNS})


def _array(column: pd.Series) -> pa.Array:
    if not isinstance(column.array, pd.Categorical):
        return pa.array(column.to_numpy(), from_pandas=True)
    codes = pa.array(column.array.codes.astype(np.int32), mask=column.array.codes < 0)
    return pa.DictionaryArray.from_arrays(codes, pa.array(column.array.categories.tolist(), pa.string()))


def _write_batch(writer: pq.ParquetWriter, batch: pa.RecordBatch) -> None:
    if batch.num_rows:
        writer.write_batch(batch)


def _open_writer(folder: Path, name: str, schema: pa.Schema) -> pq.ParquetWriter:
    (folder / name).mkdir(parents=True)
    texts = [column.name for column in schema if pa.types.is_string(column.type) or pa.types.is_dictionary(column.type)]
    return pq.ParquetWriter(folder / name / f"{name}.parquet", schema, use_dictionary=texts, store_schema=False)


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
