"""Years of use: a load with corrections and the main answers every month, against one load of everything at the end.

Run ``python -m tests.hardening.long_use --months 60 --trucks 60``: it goes on where it stopped (``--folder`` keeps the
fleet) and writes ``long_use.md``: size of the store, time and memory of each month.
"""

import argparse
import csv
import json
import os
import platform
import random
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from wearlab.demo import write_demo

TABLE = Path(__file__).parent / "long_use.md"
COMMANDS = ("load", "lives", "fit", "compare")
START = date(2020, 7, 1)


@dataclass(frozen=True)
class Month:
    """What one month of use cost."""

    month: int
    rows: int
    store_bytes: int
    load_seconds: float
    answer_seconds: float
    most_memory: int


def month_end(number: int) -> date:
    """Return the day to which the records of a month reach."""
    months = START.year * 12 + START.month - 1 + number
    return date(months // 12, months % 12 + 1, 1)


class Fleet:
    """A demo fleet whose rows come in month by month, some of them corrected in the month after."""

    def __init__(self, source: Path, trucks: int) -> None:
        if not (source / "fleet.toml").exists():
            write_demo(source, seed=11, trucks=trucks)
        self.source = source
        self.services = _read(sorted(source.glob("services-*.csv")))
        self.readings = _read([source / "readings.csv"])

    def month_of(self, row: dict[str, str]) -> int:
        """Return in which month a row comes in; a row without a day comes in the first."""
        try:
            day = date.fromisoformat(row.get("posted_date") or row["date"])
        except ValueError:
            return 1
        return max(1, (day.year - START.year) * 12 + day.month - START.month + 1)

    def write_month(self, folder: Path, number: int, rnd: random.Random) -> None:
        """Write the files of one month: what is new, and some rows of the month before, corrected."""
        new = [row for row in self.services if self.month_of(row) == number]
        old = [row for row in self.services if self.month_of(row) == number - 1 and row["service_id"]]
        corrected = [_correct(row, number) for row in rnd.sample(old, min(len(old), 5))]
        _write(folder / f"services-m{number:03}.csv", [*new, *corrected], list(self.services[0]))
        readings = [row for row in self.readings if self.month_of(row) == number]
        _write(folder / f"readings-m{number:03}.csv", readings, list(self.readings[0]))


def _correct(row: dict[str, str], number: int) -> dict[str, str]:
    later = f"{month_end(number).isoformat()}T08:00:00"
    return {**row, "labor_hours": "1.25", "note": f"corrected in month {number}", "updated_at": later}


def _read(paths: Iterable[Path]) -> list[dict[str, str]]:
    found = []
    for path in paths:
        with path.open(encoding="utf-8", newline="") as stream:
            found += list(csv.DictReader(stream))
    return found


def _write(path: Path, rows: list[dict[str, str]], names: list[str]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, names, extrasaction="ignore", lineterminator="\n", restval="")
        writer.writeheader()
        writer.writerows({key: value for key, value in row.items() if key is not None} for row in rows)


def begin(folder: Path, fleet: Fleet) -> None:
    """Write what does not come in month by month."""
    folder.mkdir(parents=True, exist_ok=True)
    toml = (fleet.source / "fleet.toml").read_text(encoding="utf-8")
    lines = [line for line in toml.splitlines() if not line.startswith("max_set_aside_share")]
    (folder / "fleet.toml").write_text("\n".join(["max_set_aside_share = 1.0", *lines]), encoding="utf-8")
    for name in ("units.csv", "positions.csv", "lube_plan.csv", "duty_changes.csv"):
        shutil.copy(fleet.source / name, folder / name)


def ask(command: str, folder: Path, day: date, *more: str) -> tuple[dict[str, Any], float, int]:
    """Run one command as a user does; return its document, its seconds of processor time, and its most memory."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    words = [sys.executable, "-m", "wearlab", command, str(folder), "--json", "--as-of", day.isoformat(), *more]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    out, err = process.communicate()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert process.returncode in {0, 1}, err.decode()[-800:]
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return json.loads(out), seconds, after.ru_maxrss * 1024


def live(folder: Path, fleet: Fleet, months: Iterable[int], commands: tuple[str, ...] = COMMANDS[1:]) -> list[Month]:
    """Live through some months: files come in, are loaded, and the questions are asked; return what each month cost."""
    lived = []
    for number in months:
        fleet.write_month(folder, number, random.Random(number))
        day = month_end(number)
        document, load_seconds, memory = ask("load", folder, day)
        answers = 0.0
        for command in commands:
            _, seconds, most = ask(command, folder, day)
            answers, memory = answers + seconds, max(memory, most)
        rows = sum(row["rows_read"] for row in document["tables"])
        size = (folder / "wearlab.duckdb").stat().st_size
        lived.append(Month(number, rows, size, load_seconds, answers, memory))
    return lived


def compare_with_one_load(folder: Path, day: date) -> list[str]:
    """Return the commands whose answers differ between the store of all months and one load of everything."""
    fresh = folder.parent / "at_once"
    shutil.rmtree(fresh, ignore_errors=True)
    shutil.copytree(folder, fresh / folder.name, ignore=shutil.ignore_patterns("*.duckdb*"))
    ask("load", fresh / folder.name, day)
    wrong = []
    for command in COMMANDS[1:]:
        one, other = (ask(command, place, day)[0] for place in (folder, fresh / folder.name))
        if one != other:
            wrong.append(command)
    size = (fresh / folder.name / "wearlab.duckdb").stat().st_size
    sys.stdout.write(f"store of one load of everything: {size:,} bytes\n")
    (folder.parent / "at_once_bytes").write_text(str(size), encoding="utf-8")
    return wrong


def main() -> None:
    """Live through the months that are left, compare, and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--months", type=int, default=60)
    parser.add_argument("--trucks", type=int, default=60)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=540, help="stop after the month in which this is reached")
    asked = parser.parse_args()
    fleet = Fleet(asked.folder / "source", asked.trucks)
    folder, log = asked.folder / "months" / "fleet", asked.folder / "log.json"
    begin(folder, fleet)
    lived = [Month(**one) for one in json.loads(log.read_text(encoding="utf-8"))] if log.exists() else []
    ends = time.monotonic() + asked.seconds
    while len(lived) < asked.months and time.monotonic() < ends:
        lived += live(folder, fleet, [len(lived) + 1])
        log.write_text(json.dumps([vars(one) for one in lived]), encoding="utf-8")
    if len(lived) >= asked.months:
        wrong = compare_with_one_load(folder, month_end(asked.months))
        _write_table(
            lived, wrong, int((asked.folder / "months" / "at_once_bytes").read_text(encoding="utf-8")), asked.trucks
        )


def _write_table(lived: list[Month], wrong: list[str], at_once: int, trucks: int) -> None:
    shown = [one for one in lived if one.month in {1, 2, 3} or one.month % 6 == 0]
    same = "the same documents to the last digit" if not wrong else f"**different** for {', '.join(wrong)}"
    last = lived[-1].store_bytes
    python = f"Python {platform.python_version()}"
    lines = [
        f"# Years of use: {len(lived)} monthly loads of a fleet of {trucks} trucks",
        "",
        f"Command: `python -m tests.hardening.long_use --months {len(lived)} --trucks {trucks} --folder FOLDER`.",
        "Each month its new services and readings come as files of their own, with five services of the month before",
        "corrected; then `load`, `lives`, `fit` and `compare` run, each a process of its own. Seconds are of processor",
        "time; rows are all that the folder holds; memory is the most that any command of any month so far held.",
        "",
        f"{datetime.now(UTC).date()}; {platform.machine()}, {os.cpu_count()} cores, {python}",
        "",
        "| month | rows | store, kB | bytes a row | load, s | answers, s | memory, MB |",
        "|---:|---:|---:|---:|---:|---:|---:|",
        *(
            f"| {one.month} | {one.rows:,} | {one.store_bytes // 1000:,} | {one.store_bytes / one.rows:.0f} | "
            f"{one.load_seconds:.1f} | {one.answer_seconds:.1f} | {one.most_memory >> 20:,} |"
            for one in shown
        ),
        "",
        f"One load of everything at the end: a store of {at_once // 1000:,} kB against {last // 1000:,} kB; {same}",
        "from `lives`, `fit` and `compare`.",
    ]
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
