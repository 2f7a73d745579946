"""How long the page of a large fleet takes to draw, with all its pictures and tables, and how large it is.

Run: ``python -m tests.benchmarks.page [--repeats 3]``; it rewrites page.md beside this file. Invented results of
that many trucks, as tests/test_report_big.py makes them; the answers behind them are not reckoned here. Medians.
"""

import argparse
import os
import platform
import statistics
import time

from tests.benchmarks.table import write_table
from tests.test_report_big import SIZES, make_big_study
from wearlab.show.report import render_report


def main() -> None:
    """Draw the page of each size in turn and rewrite the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeats", type=int, default=3)
    repeats = parser.parse_args().repeats
    rows = []
    for trucks, classes in SIZES:
        study = make_big_study(trucks, classes)
        wall, cpu = [], []
        for _ in range(repeats):
            started, used = time.perf_counter(), time.process_time()
            page = render_report(study)
            wall.append(time.perf_counter() - started)
            cpu.append(time.process_time() - used)
        size = f"{len(page.encode()) / 1e6:.2f}"
        rows.append([f"{trucks:,}", f"{classes}", *(f"{statistics.median(one):.1f}" for one in (wall, cpu)), size])
    about = (
        f"`python -m tests.benchmarks.page --repeats {repeats}`; {os.cpu_count()} CPUs, {platform.machine()}, "
        f"Python {platform.python_version()}, load average {os.getloadavg()[0]:.1f}; medians of {repeats}. "
        "Target: under 10 s and 5 MB at 1,000 and at 100,000 trucks."
    )
    heads = ["trucks", "duty cycles", "wall s", "CPU s", "page MB"]
    write_table("page", "The page of a large fleet", about, heads, rows)


if __name__ == "__main__":
    main()
