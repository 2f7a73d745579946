"""Lives worked out by Spark on this machine for several views, in a process of its own.

Run by tests/test_spark.py: python -m tests.spark_runs SOURCE ROWS TO
"""

import os
import sys
from datetime import date
from pathlib import Path

from wearlab.history.source import View
from wearlab.history.spark import write_on_spark
from wearlab.history.spill import USUAL_ROOM

TODAY = date(2026, 11, 24)
VIEWS = {
    "miles": View(date(2026, 6, 30), "miles", 0.9, TODAY, unknown_as_failure=False),
    "engine_hours": View(date(2023, 3, 5), "engine_hours", 0.9, TODAY, unknown_as_failure=True),
}
# Tests wait for many small steps, not for much data: no compiling of each step, and the quick compiler only.
LIGHT = (
    "--conf spark.sql.codegen.wholeStage=false --conf spark.ui.showConsoleProgress=false "
    '--driver-java-options "-XX:TieredStopAtLevel=1 -XX:ReservedCodeCacheSize=240m -XX:+UseSerialGC -Xss8m" '
    "pyspark-shell"
)

if __name__ == "__main__":
    os.environ["PYSPARK_SUBMIT_ARGS"] = LIGHT
    source, rows, to = sys.argv[1:]
    for name, view in VIEWS.items():
        write_on_spark(
            Path(source), view, rows=rows, to=f"{to}/{name}", master="local[2]", store_path=None,
            progress=lambda _: None, room=USUAL_ROOM,
        )  # fmt: skip
