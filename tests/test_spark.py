"""Lives worked out by Apache Spark against the same lives worked out by the store's own database."""

import importlib.util
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings

from tests.fleet_rows import TABLES
from tests.same_tables import differences
from tests.spark_runs import TODAY, VIEWS
from tests.test_lives_random import trucks
from wearlab.demo import write_demo
from wearlab.history.settle import settle
from wearlab.history.source import open_fleet
from wearlab.history.steps import OUTPUTS
from wearlab.history.store import Store, quote_name
from wearlab.history.write_lives import write_lives, write_rows

missing = [name for name in ("pyspark", "sqlglot") if importlib.util.find_spec(name) is None]
pytestmark = [
    pytest.mark.skipif(bool(missing), reason=f"not installed: {', '.join(missing)} (pip install 'wearlab[spark]')"),
    pytest.mark.skipif(shutil.which("java") is None, reason="no Java runtime here (Debian: default-jre-headless)"),
]


def random_trucks(count: int) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of so many random trucks, the same at every run."""
    rows: dict[str, list[dict[str, Any]]] = {table: [] for table in TABLES}

    @settings(
        max_examples=count, deadline=None, derandomize=True, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(truck=trucks("R"))
    def draw(truck: dict[str, list[dict[str, Any]]]) -> None:
        number = len(rows["units"])
        for table, mine in truck.items():
            for row in mine:
                own = {name: f"R{number}" if row.get(name) else None for name in ("unit_id",) if name in row}
                own |= {"service_id": f"R{number}-{row['service_id']}"} if "service_id" in row else {}
                rows[table].append({**row, **own})

    draw()
    return rows


def add_rows(store: Store, rows: dict[str, list[dict[str, Any]]]) -> None:
    for table, mine in rows.items():
        for number, row in enumerate(mine):
            full = {"row_id": 1_000_000 + number, "attributes": {}, **row}
            names = ", ".join(quote_name(name) for name in full)
            holes = ", ".join("?" for _ in full)
            store.connection.execute(f"insert into {table} ({names}) values ({holes})", list(full.values()))


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Write the lives of a demo fleet and of random trucks by both engines, for each view."""
    folder = tmp_path_factory.mktemp("spark")
    write_demo(folder / "fleet", seed=7, trucks=12)
    with open_fleet(
        folder / "fleet", store_path=":memory:", today=TODAY, strict=False, progress=lambda _: None
    ) as fleet:
        add_rows(fleet.store, random_trucks(40))
        write_rows(fleet.store, folder / "rows")
        for name, view in VIEWS.items():
            values = settle(
                fleet.config, as_of=view.as_of, last_seen=lambda _: None, scale=view.scale, today=TODAY,
                unknown_as_failure=view.unknown_as_failure, known_then=False,
            )  # fmt: skip
            write_lives(fleet.store, values, folder / "local" / name, lambda _: None)
    command = [sys.executable, "-m", "tests.spark_runs", str(folder / "fleet"), str(folder / "rows"), str(folder / "s")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-4000:]
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("table", OUTPUTS)
def test_spark_writes_every_row_and_column_of_the_local_database(written: Path, view: str, table: str) -> None:
    wanted = pd.read_parquet(written / "local" / view / table)
    assert len(wanted) > 100
    assert differences(pd.read_parquet(written / "s" / view / table), wanted) == []
