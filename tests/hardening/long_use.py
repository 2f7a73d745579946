"""Years of use: a load with corrections and the main answers every month, against one load of everything at the end.

Run ``python -m tests.hardening.long_use --months 60 --trucks 60 --folder FOLDER``: it goes on where it stopped (the
folder keeps the fleet) and writes ``long_use.md``: size of the store, time and memory of each month. ``--all-every 12``
asks ``lives`` every month and the rest, the report with them, once a year.
"""

import argparse
import contextlib
import csv
import gc
import hashlib
import io
import json
import os
import platform
import random
import resource
import shutil
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from wearlab.cli import run
from wearlab.demo import write_demo

TABLE = Path(__file__).parent / "long_use.md"
ANSWERS = ("lives", "fit", "compare", "report")
START = date(2020, 7, 1)


@dataclass(frozen=True)
class Month:
    """What one month of use cost."""

    month: int
    asked: str
    rows: int
    store_bytes: int
    load_seconds: float
    answer_seconds: float
    memory_held: int


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


def ask(command: str, folder: Path, day: date) -> tuple[dict[str, Any], float]:
    """Run one command in this process; return its document and its seconds of processor time.

    A report stands in ``report`` beside the folder; its document is what each of its files holds.
    """
    report, out, begun = folder.parent / "report", io.StringIO(), _processor_seconds()
    words = [command, str(folder), "--as-of", day.isoformat()]
    words += ["--out", str(report)] if command == "report" else ["--json"]
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        status = run(words)
    assert status in {0, 1}, (words, out.getvalue()[-800:])
    document = _contents(report) if command == "report" else json.loads(out.getvalue())
    return document, _processor_seconds() - begun


def _processor_seconds() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def _memory_held() -> int:
    """Return the bytes that this process holds now."""
    gc.collect()
    words = Path("/proc/self/status").read_text(encoding="utf-8").split()
    return int(words[words.index("VmRSS:") + 1]) * 1024


def _contents(folder: Path) -> dict[str, str]:
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def live(folder: Path, fleet: Fleet, months: Iterable[int], *, all_every: int) -> list[Month]:
    """Live through some months: files come in, are loaded, and the questions are asked; return what each month cost.

    Only ``lives`` is asked in the months between those in which all answers are, the report among them.
    """
    lived = []
    for number in months:
        fleet.write_month(folder, number, random.Random(number))
        day, asked = month_end(number), ANSWERS if number % all_every == 0 else ANSWERS[:1]
        document, load_seconds = ask("load", folder, day)
        answers = sum(ask(command, folder, day)[1] for command in asked)
        rows = sum(row["rows_read"] for row in document["tables"])
        size = (folder / "wearlab.duckdb").stat().st_size
        lived.append(Month(number, ", ".join(asked), rows, size, load_seconds, answers, _memory_held()))
    return lived


def compare_with_one_load(folder: Path, day: date, commands: Iterable[str] = ANSWERS) -> list[str]:
    """Return the commands whose answers differ between the store of all months and one load of everything."""
    fresh = folder.parent.parent / "at_once"
    shutil.rmtree(fresh, ignore_errors=True)
    shutil.copytree(folder, fresh / folder.name, ignore=shutil.ignore_patterns("*.duckdb*"))
    ask("load", fresh / folder.name, day)
    wrong = []
    for command in commands:
        one, other = (ask(command, place, day)[0] for place in (folder, fresh / folder.name))
        assert one, command
        if one != other:
            wrong.append(command)
    return wrong


def main() -> None:
    """Live through the months that are left, compare, and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--months", type=int, default=60)
    parser.add_argument("--trucks", type=int, default=60)
    parser.add_argument("--all-every", type=int, default=1, help="months between those in which all is asked")
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=540, help="stop after the month in which this is reached")
    asked = parser.parse_args()
    fleet = Fleet(asked.folder / "source", asked.trucks)
    folder, log = asked.folder / "months" / "fleet", asked.folder / "log.json"
    begin(folder, fleet)
    lived = [Month(**one) for one in json.loads(log.read_text(encoding="utf-8"))] if log.exists() else []
    ends = time.monotonic() + asked.seconds
    while len(lived) < asked.months and time.monotonic() < ends:
        lived += live(folder, fleet, [len(lived) + 1], all_every=asked.all_every)
        log.write_text(json.dumps([vars(one) for one in lived]), encoding="utf-8")
    if len(lived) >= asked.months:
        wrong = compare_with_one_load(folder, month_end(asked.months))
        at_once = (asked.folder / "at_once" / folder.name / "wearlab.duckdb").stat().st_size
        words = f"--months {asked.months} --trucks {asked.trucks} --all-every {asked.all_every} --folder FOLDER"
        _write_table(lived, wrong, at_once, words)


def _write_table(lived: list[Month], wrong: list[str], at_once: int, words: str) -> None:
    shown = [one for one in lived if one.month in {1, 2, 3} or one.month % 6 == 0]
    same = "the same to the last digit" if not wrong else f"**different** for {', '.join(wrong)}"
    python, last = f"Python {platform.python_version()}", lived[-1].store_bytes
    lines = [
        f"# Years of use: {len(lived)} monthly loads with corrections",
        "",
        f"Command: `python -m tests.hardening.long_use {words}`.",
        "Each month its new services and readings come as files of their own, with five services of the month before",
        "corrected; then `load` and what else was asked run, all in one process. Seconds are of processor time, rows",
        "all that the folder holds, memory what the process holds at the end of the month.",
        "",
        f"{datetime.now(UTC).date()}; {platform.machine()}, {os.cpu_count()} cores, {python}",
        "",
        "| month | asked | rows | store, kB | bytes a row | load, s | asked, s | memory, MB |",
        "|---:|---|---:|---:|---:|---:|---:|---:|",
        *(
            f"| {one.month} | {one.asked} | {one.rows:,} | {one.store_bytes // 1000:,} | "
            f"{one.store_bytes / one.rows:.0f} | {one.load_seconds:.1f} | {one.answer_seconds:.1f} | "
            f"{one.memory_held >> 20:,} |"
            for one in shown
        ),
        "",
        f"One load of everything at the end: a store of {at_once // 1000:,} kB against {last // 1000:,} kB; the",
        f"documents of `lives`, `fit` and `compare` and every file of the report: {same}.",
    ]
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
