"""Lives and episodes built by Apache Spark from the same statements, Parquet in and out; the only door to PySpark."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd
from pyspark import StorageLevel
from pyspark.errors import AnalysisException, PySparkException
from pyspark.sql import DataFrame, SparkSession
from pyspark.sql import functions as f

from wearlab.evidence import DataError, SourceFile
from wearlab.history.config_reader import read_config
from wearlab.history.contract import TABLES, Column, Kind, Table
from wearlab.history.dialect import translate
from wearlab.history.episodes import EPISODE_TYPES, lay_out, spell_out
from wearlab.history.settle import settle
from wearlab.history.source import View, open_fleet
from wearlab.history.spill import Room
from wearlab.history.steps import (
    OUTPUTS,
    TO_LAY,
    WHOLE,
    Judgement,
    Values,
    bound,
    build_lives,
    build_practice,
    read_step,
    weigh_practice,
)
from wearlab.history.write_lives import Written, describe_written, write_rows

# Steps that are read once, or cost less than keeping them: worked out where they are read.
_PASSING = frozenset({
    "repeated", "superseded", "plan_now", "unit_now", "kind_now", "measurement_now", "era_moment", "unit_seen",
    "part_start", "look", "life_key", "life_looked", "life_greased", "left_out", "truck_shop", "practice",
    "stop_record", "record_before",
})  # fmt: skip
_KINDS = {Kind.DATE: "date", Kind.TIME: "timestamp_ntz", Kind.NUMBER: "double", Kind.WHOLE: "int",
          Kind.DISTANCE: "double", Kind.FLAG: "boolean"}  # fmt: skip
_TYPES = {"integer": "int", "bigint": "bigint", "double": "double", "boolean": "boolean", "string": "string"}
_BOOKS = {"attributes": "map<string,string>", "row_id": "bigint"}


@dataclass(frozen=True, slots=True)
class SparkEngine:
    """The steps run by a Spark session, each as a view; the rows of most are kept until the end."""

    session: SparkSession

    def make(self, name: str, values: Values) -> None:
        """Make the view ``name`` from ``sql/lives/<name>.sql``."""
        made = self._query(name, values)
        if name in _PASSING:
            made.createOrReplaceTempView(name)
        else:
            self._keep(name, made)

    def judge(self, judgement: Judgement, values: Values) -> None:
        """Make a view by a judgement in Python, on whole trucks wherever they lie."""
        plain = dict(values)
        points = self._query(judgement.query, values)
        order = [name for name in ("unit_no", "place_no", "day", "turn", "nth", "value") if name in points.columns]

        def judge(part: pd.DataFrame) -> pd.DataFrame:
            mine = part.drop(columns="bucket").sort_values(order, kind="stable", ignore_index=True)
            return judgement.judge(mine, plain)

        schema = ", ".join(f"{name} {_TYPES[kind]}" for name, kind in judgement.columns.items())
        judged = (
            points.withColumn("bucket", f.col("unit_no") % self._buckets())
            .groupBy("bucket")
            .applyInPandas(judge, schema)
        )
        self._keep(judgement.table, judged)

    def lay_out(self, values: Values) -> None:
        """Make the view ``episode``: lives laid out over stretches of practice, on whole trucks wherever they lie."""

        def lay(lives: pd.DataFrame, spans: pd.DataFrame) -> pd.DataFrame:
            ordered = (lives.sort_values("life_id"), spans.sort_values(["unit_no", "nth"]))
            return spell_out(lay_out(*(_coded(part) for part in ordered)))

        schema = ", ".join(f"{name} {_TYPES[kind]}" for name, kind in EPISODE_TYPES.items())
        parts = [self._query(name, values) for name in TO_LAY]
        lives, spans = (
            part.toDF(*part.columns)  # columns of its own: both tell of the same last stops
            .withColumn("bucket", f.col("unit_no") % self._buckets())
            .groupBy("bucket")
            for part in parts
        )
        lives.cogroup(spans).applyInPandas(lay, schema).createOrReplaceTempView("episode")

    def _buckets(self) -> int:
        return int(self.session.conf.get("spark.sql.shuffle.partitions") or 200)

    def frame(self, name: str, values: Values) -> pd.DataFrame:
        """Return the rows of the query ``sql/lives/<name>.sql``."""
        return self._query(name, values).toPandas()

    def hand_over(self, name: str, frame: pd.DataFrame) -> None:
        """Make the view ``name`` from a small frame of shops, classes and their means."""
        rows = [
            (None if pd.isna(shop) else str(shop), str(duty), float(mean), bool(whole))
            for shop, duty, mean, whole in frame.itertuples(index=False)
        ]
        schema = "shop string, duty_cycle string, mean_miles double, whole_class boolean"
        self.session.createDataFrame(rows, schema).createOrReplaceTempView(name)

    def write(self, name: str, folder: str, values: Values) -> int:
        """Write the rows of a query as Parquet into a folder, and return how many; refuses a folder that is there."""
        try:
            self._query(name, values).write.parquet(folder)
        except AnalysisException as error:
            if error.getCondition() != "PATH_ALREADY_EXISTS":
                raise
            raise DataError(
                "folder-exists", f"{folder} is there already", "name a folder that is new", folder
            ) from error
        return self.session.read.parquet(folder).count()

    def count(self, condition: str, view: str) -> int:
        """Return how many rows of a view fulfil a condition."""
        return self.session.table(view).where(condition).count()

    def _query(self, name: str, values: Values) -> DataFrame:
        return self.session.sql(translate(name), args=bound(read_step(name), values))

    def _keep(self, name: str, frame: DataFrame) -> None:
        reliable = self.session.conf.get("spark.checkpoint.dir", None)
        kept = frame.checkpoint() if reliable else frame.localCheckpoint(storageLevel=StorageLevel.DISK_ONLY)
        kept.createOrReplaceTempView(name)


@contextmanager
def open_session(master: str) -> Iterator[SparkSession]:
    """Open a Spark session on ``master`` and stop it afterwards; what spark-defaults.conf says is kept.

    Refuses (DataError) a machine without Java.
    """
    builder = SparkSession.builder.appName("wearlab lives").master(master)
    if master.startswith("local"):
        builder = builder.config("spark.ui.enabled", "false").config("spark.sql.shuffle.partitions", "4")
        os.environ.setdefault(
            "PYSPARK_PYTHON", sys.executable
        )  # the same Python on the same machine, with this package
    try:
        session = builder.config("spark.sql.session.timeZone", "UTC").getOrCreate()
    except PySparkException as error:
        raise DataError(
            "spark-failed",
            f"Spark did not start ({str(error).splitlines()[0]})",
            "install a Java runtime (17 or later), and check the address of --master",
        ) from error
    try:
        yield session
    finally:
        session.stop()


def build_on_spark(session: SparkSession, values: Values, progress: Callable[[str], None]) -> SparkEngine:
    """Build lives and episodes of the tables that ``read_rows`` named, as views, and return the engine."""
    engine = SparkEngine(session)
    for name in WHOLE:
        engine.make(name, values)
    trucks = session.table("unit_all").count()
    whole = {**values, "first_unit": 1, "last_unit": trucks, "lives_before": 0}
    progress("building lives")
    build_lives(engine, whole)
    progress("working out practice")
    shares = weigh_practice(engine, engine.frame("gap_summary", whole))
    practised = {**whole, **shares}
    build_practice(engine, practised)
    engine.lay_out(practised)
    return engine


def write_on_spark(
    source: Path,
    view: View,
    *,
    rows: str | None,
    to: str,
    master: str,
    store_path: str | None,
    progress: Callable[[str], None],
    room: Room,
) -> Written:
    """Write the lives, episodes, gaps and factors of a fleet as Parquet under ``to``, worked out by Spark.

    ``rows``: where the fleet's tables lie as Parquet (see ``read_rows``); None: the folder ``source`` is loaded into
    its store as always, and its rows are handed over. ``source`` holds fleet.toml in either case. Both paths may be
    anything that Spark reads and writes. Refuses (DataError) what loading refuses, and a table that is there already.
    """
    with ExitStack() as stack:
        files: tuple[SourceFile, ...] = ()
        if rows is None:
            rows = stack.enter_context(TemporaryDirectory(prefix="wearlab-rows-"))
            opened = open_fleet(
                source, store_path=store_path, today=view.today, strict=False, progress=progress, room=room
            )
            with opened as fleet:
                files = fleet.loaded.basis.files
                write_rows(fleet.store, Path(rows))
        session = stack.enter_context(open_session(master))
        read_rows(session, rows)
        values = settle(
            read_config(source),
            as_of=view.as_of,
            last_seen=lambda until: last_seen(session, until),
            scale=view.scale,
            today=view.today,
            unknown_as_failure=view.unknown_as_failure,
            known_then=False,
        )
        engine = build_on_spark(session, values, progress)
        counts = {name: engine.write(query, f"{to.rstrip('/')}/{name}", values) for name, query in OUTPUTS.items()}
        failures = engine.count("failed", "life")
        return describe_written(counts, failures, to, values, source.name, files, view.level)


def read_rows(session: SparkSession, rows: str) -> None:
    """Name the tables of a fleet that lie as Parquet under ``rows`` (one folder or file per table of the store).

    Columns are those of the store's tables, in miles; what is optional may be missing. Refuses (DataError) a fleet
    without a required table or column, and tables without ``row_id``.
    """
    for table in TABLES:
        _read_table(session, rows, table).createOrReplaceTempView(table.name)


def last_seen(session: SparkSession, today: date) -> date | None:
    """Return the last day up to ``today`` that any row speaks of."""
    found = session.sql(translate("last_seen"), args={"today": today}).first()
    return None if found is None else found[0]


def _read_table(session: SparkSession, rows: str, table: Table) -> DataFrame:
    types = {column.name: _type(column) for column in table.columns} | _BOOKS
    try:
        found = session.read.parquet(f"{rows.rstrip('/')}/{table.name}")
    except AnalysisException as error:
        if error.getCondition() != "PATH_NOT_FOUND":
            raise
        if table.required:
            raise DataError("file-missing", f"no table {table.name} lies there", "add it as Parquet", rows) from None
        return session.createDataFrame([], ", ".join(f"`{name}` {kind}" for name, kind in types.items()))
    needed = [column.name for column in table.columns if column.required] + ["row_id"]
    for name in needed:
        if name not in found.columns:
            why = f"the table {table.name} has no column {name}"
            raise DataError("column-missing", why, "row_id orders the rows: of two versions the greater wins", rows)
    return found.select([_column(found, name, kind).alias(name) for name, kind in types.items()])


def _column(found: DataFrame, name: str, kind: str) -> Any:
    return found[name].cast(kind) if name in found.columns else f.lit(None).cast(kind)


def _coded(frame: pd.DataFrame) -> pd.DataFrame:
    texts = [name for name in frame if frame[name].dtype == object]
    return frame.astype(dict.fromkeys(texts, "category")).reset_index(drop=True)


def _type(column: Column) -> str:
    return _KINDS.get(column.kind, "string")
