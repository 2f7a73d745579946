"""Numbers under stress as a table: ``python -m tests.hardening.stress`` runs every case and writes ``stress.md``."""

import os
import platform
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from tests.hardening.test_numbers import check_strata

HERE = Path(__file__).parent
PYTHON = f"Python {platform.python_version()}"


def main() -> None:
    """Run the cases, the largest last, and write what became of each."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        words = ["-q", "-n", "0", f"--junitxml={report}", "-p", "no:cacheprovider"]
        pytest.main([str(HERE / "test_numbers.py"), *words])
        found = [
            (case.get("name", "")[5:].replace("_", " "), float(case.get("time", 0)), not len(case))
            for case in ET.parse(report).iter("testcase")  # noqa: S314 - pytest wrote it
        ]
        begun = time.monotonic()
        check_strata(Path(folder), 10_000)
        found.append(("ten thousand strata of two lives", time.monotonic() - begun, True))
    lines = [
        "# Numbers under stress",
        "",
        "Command: `python -m tests.hardening.stress`. Each case asks several commands with `--json`. Held means:",
        "answered, or refused with a clear reason and fix; every number finite, shares within 0 to 1, every interval",
        "with its estimate inside; no warning.",
        "",
        f"{datetime.now(UTC).date()}; {platform.machine()}, {os.cpu_count()} cores, {PYTHON}",
        "",
        "| case | held | seconds |",
        "|---|---|---:|",
        *(f"| {name} | {'yes' if held else '**no**'} | {seconds:.1f} |" for name, seconds, held in found),
    ]
    (HERE / "stress.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    sys.exit(not all(held for _, _, held in found))


if __name__ == "__main__":
    main()
