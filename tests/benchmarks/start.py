"""How long commands take to start, against a bare ``import duckdb``: medians, the cases in turn.

Run: ``python -m tests.benchmarks.start [--repeats 15]``
"""

import argparse
import os
import platform
import resource
import statistics
import subprocess
import sys
import time

CASES = {
    "python -c pass": ["-c", "pass"],
    "python -c 'import duckdb'": ["-c", "import duckdb"],
    "wearlab --help": ["-m", "wearlab", "--help"],
    "wearlab fit --help": ["-m", "wearlab", "fit", "--help"],
    "wearlab explain b10": ["-m", "wearlab", "explain", "b10"],
}


def measure(arguments: list[str]) -> tuple[float, float]:
    """Return wall and processor seconds of one start."""
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([sys.executable, *arguments], capture_output=True, check=False)
    wall, after = time.perf_counter() - started, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print the table in Markdown."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeats", type=int, default=15)
    repeats = parser.parse_args().repeats
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in CASES}
    for _ in range(repeats):
        for name, arguments in CASES.items():
            found[name].append(measure(arguments))
    middle = {name: [statistics.median(column) for column in zip(*runs, strict=True)] for name, runs in found.items()}
    wall, cpu = middle["python -c 'import duckdb'"]
    print("| case | wall s | CPU s | wall ratio | CPU ratio |")
    print("|---|---|---|---|---|")
    for name, (own, used) in middle.items():
        print(f"| {name} | {own:.3f} | {used:.3f} | {own / wall:.2f} | {used / cpu:.2f} |")
    print(f"\nMedians of {repeats}; load average {os.getloadavg()[0]:.1f}; Python {platform.python_version()}")


if __name__ == "__main__":
    main()
