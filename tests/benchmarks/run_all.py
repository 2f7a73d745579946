"""Every benchmark in turn, each as its own command; what they print goes to one file, lines as they come.

Run: ``python -m tests.benchmarks.run_all [--services 100000] [--repeats 3] [--to FILE]``
100,000 services take about five minutes on two quiet cores; 1,000,000 about forty.
"""

import argparse
import subprocess
import sys
from pathlib import Path


def commands(services: int, repeats: int) -> list[list[str]]:
    """Return the arguments of every benchmark."""
    size, times = str(services), str(repeats)
    return [
        ["start", "--repeats", times],
        ["fits"],
        ["page", "--repeats", times],
        ["load", "--rows", size, "--repeats", times],
        ["lives", "--services", size, "--repeats", times],
        ["lives", "--services", size, "--repeats", "1", "--append"],
        ["end_to_end", "--services", size, "--repeats", times, "--all"],
        ["end_to_end", "--services", size, "--repeats", "1", "--report"],
    ]


def main() -> None:
    """Run them and leave with 1 if any failed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--services", type=int, default=100_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--to", type=Path)
    asked = parser.parse_args()
    failed = False
    for name, *options in commands(asked.services, asked.repeats):
        said = f"\n## python -m tests.benchmarks.{' '.join([name, *options])}\n\n"
        done = subprocess.run(
            [sys.executable, "-m", f"tests.benchmarks.{name}", *options], capture_output=True, text=True, check=False
        )
        failed |= done.returncode != 0
        said += done.stdout + (done.stderr if done.returncode else "")
        print(said, flush=True)
        if asked.to is not None:
            with asked.to.open("a", encoding="utf-8") as file:
                file.write(said)
    sys.exit(int(failed))


if __name__ == "__main__":
    main()
