"""Numbers under stress as a table: ``python -m tests.hardening.stress`` runs every case and writes ``stress.md``.

After the cases of ``test_numbers.py`` and 10,000 strata of two lives, a report of each fleet and lives file that they
made is written, and every page, picture, CSV and JSON of it is read. ``--only WORDS`` runs some cases again and puts
their rows in the place of those that the table has.
"""

import argparse
import contextlib
import io
import os
import platform
import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from tests.hardening.numbers import find_faults_in_files
from tests.hardening.test_numbers import check_strata
from wearlab.cli import run

HERE = Path(__file__).parent
PYTHON = f"Python {platform.python_version()}"


def run_cases(place: Path, report: Path, only: str) -> Iterator[tuple[str, str, float]]:
    """Run the tests, which leave their sources below ``place``; yield each with its outcome and seconds."""
    words = ["-q", "-n", "0", f"--junitxml={report}", "-p", "no:cacheprovider", f"--basetemp={place}"]
    pytest.main([str(HERE / "test_numbers.py"), *words, "-o", "tmp_path_retention_policy=all", "-k", only])
    for case in ET.parse(report).iter("testcase"):  # noqa: S314 - pytest wrote it
        name = case.get("name", "")[5:].replace("_", " ")
        if not name.startswith("the checker"):
            yield name, "held" if not len(case) else "**not held**", float(case.get("time", 0))


def find_sources(place: Path) -> list[Path]:
    """Return the fleet folders and lives files that the cases left."""
    return sorted([path.parent for path in place.rglob("fleet.toml")] + list(place.rglob("lives.csv")))


def report_on(source: Path, place: Path) -> str:
    """Return what came of a report: how many files of it hold no number that cannot be, or in what words it refused."""
    out = place / "out"
    words, said = ["report", str(source), "--out", str(out)], io.StringIO()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(said):
        status = run(words)
    assert "should not have happened" not in said.getvalue(), said.getvalue()[-600:]
    assert "Warning" not in said.getvalue(), said.getvalue()[-600:]
    faults = find_faults_in_files(out) if out.exists() else []
    assert not faults, faults[:3]
    if not status:
        return f"held: {sum(path.is_file() for path in out.rglob('*'))} files"
    return f"refused: {said.getvalue().strip().splitlines()[-1].removeprefix('wearlab: ')[:110]}"


def attempt(job: Callable[[], str]) -> tuple[str, float]:
    """Return the outcome of a job, a failure in its words, and its seconds."""
    begun = time.monotonic()
    try:
        outcome = job()
    except Exception as error:
        outcome = f"**not held**: {type(error).__name__}: {error}"[:400]
    return outcome.replace("|", "/").replace("\n", " "), time.monotonic() - begun


def main() -> None:
    """Run the cases, the largest last, then the reports, and write what became of each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="run again the cases whose names hold this")
    asked = parser.parse_args()
    found = read_table() if asked.only else {}
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        found |= {name: row for name, *row in run_cases(place / "cases", place / "report.xml", asked.only)}
        if not asked.only:
            found["ten thousand strata of two lives"] = attempt(lambda: check_strata(place, 10_000) or "held")
        write_table(found)
        for number, source in enumerate(find_sources(place / "cases")):
            name = re.sub(r"^test_|0(_\w+)?$", "", source.relative_to(place / "cases").parts[0]).replace("_", " ")
            (place / f"{number}").mkdir()
            outcome = attempt(lambda s=source, n=number: report_on(s, place / f"{n}"))
            found[f"report of: {name} ({source.name})"] = outcome
            write_table(found)
    sys.exit(any("not held" in outcome for outcome, _ in found.values()))


def read_table() -> dict[str, tuple[str, float]]:
    """Return the rows of ``stress.md`` as it is."""
    rows = [line.strip("| ").split(" | ") for line in (HERE / "stress.md").read_text(encoding="utf-8").splitlines()]
    return {row[0]: (row[1], float(row[2])) for row in rows if len(row) == 3 and row[2] != "seconds"}


def write_table(found: dict[str, tuple[str, float]]) -> None:
    """Write ``stress.md``."""
    reports = sum(name.startswith("report of") for name in found)
    lines = [
        "# Numbers under stress",
        "",
        "Command: `python -m tests.hardening.stress`. Each case asks several commands with `--json`; then a report of",
        "each fleet and lives file that the cases made is written (names cut at 30 letters), and all its pages,",
        "pictures, CSV and JSON are read. Held means: answered, or refused with a clear reason and fix; every number",
        "finite, shares within 0 to 1, every interval with its estimate inside; no warning.",
        "",
        f"{datetime.now(UTC).date()}; {platform.machine()}, {os.cpu_count()} cores, {PYTHON}; {len(found) - reports}",
        f"cases and {reports} reports.",
        "",
        "| case | outcome | seconds |",
        "|---|---|---:|",
        *(f"| {name} | {outcome} | {seconds:.1f} |" for name, (outcome, seconds) in found.items()),
    ]
    (HERE / "stress.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
