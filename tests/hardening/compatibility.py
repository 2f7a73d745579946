"""The tests on other versions of Python and of the libraries: ``python -m tests.hardening.compatibility NAME PYTHON``.

PYTHON is the interpreter of an environment in which wearlab and its tests are installed (``--note`` says how). The core
of the suite runs in it, without the browser, the notebooks and the long simulations, or the ``--files`` of it that are
named; the outcome is added to ``compatibility.json`` and ``compatibility.md`` beside this file. ``--lowest`` prints the
lower bounds of pyproject.toml as pins for such an environment: ``pip install -e '.[dev]' -c lowest.txt``.
"""

import argparse
import json
import os
import platform
import re
import subprocess
import sys
import tomllib
from datetime import UTC, datetime
from pathlib import Path

HERE, ROOT = Path(__file__).parent, Path(__file__).parents[2]
FOUND, TABLE = HERE / "compatibility.json", HERE / "compatibility.md"
CORE = (
    "test_store.py", "test_load.py", "test_load_formats.py", "test_load_bulk.py", "test_config.py", "test_mapping.py",
    "test_lives.py", "test_lives_view.py", "test_lives_file.py", "test_lives_practice.py", "test_meters.py",
    "test_fit.py",
    "test_batch.py", "test_interval.py", "test_quality.py", "test_compare.py", "test_weibull.py", "test_plots.py",
    "test_workbook.py", "test_words.py", "test_engine.py", "test_expected.py", "test_early.py", "test_wear.py",
    "hardening/test_found.py", "hardening/test_compatibility.py", "truth",
)  # fmt: skip
LIBRARIES = ("duckdb", "pandas", "numpy", "scipy", "lifelines", "scikit-learn", "matplotlib", "jinja2", "typer", "rich",
             "pyarrow", "fastexcel", "xlsxwriter")  # fmt: skip


def lowest() -> str:
    """Return the lower bounds of the dependencies as pins."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    bounds = [re.match(r"([\w-]+)>=([\d.]+)", one) for one in project["dependencies"]]
    return "".join(f"{bound[1]}=={bound[2]}\n" for bound in bounds if bound)


def main() -> None:
    """Run the core of the suite with one interpreter and add what it came to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("name", nargs="?")
    parser.add_argument("python", nargs="?")
    parser.add_argument("--note", default="newest versions")
    parser.add_argument("--lowest", action="store_true")
    parser.add_argument("--files", nargs="+", choices=CORE, default=CORE, help="run these files of the core alone")
    asked = parser.parse_args()
    if asked.lowest:
        sys.stdout.write(lowest())
        return
    code = (
        "import sys, json, importlib.metadata as m; print(sys.version.split()[0]); "
        "print(json.dumps({n: m.version(n) for n in %r}))"
    )
    said = subprocess.run([asked.python, "-c", code % (LIBRARIES,)], capture_output=True, text=True, check=True).stdout
    python, versions = said.splitlines()
    options = [
        "-q",
        "-n",
        "0",
        "-p",
        "no:cacheprovider",
        "-W",
        "ignore::DeprecationWarning",
        "--continue-on-collection-errors",
    ]
    words = [asked.python, "-m", "pytest", *options, *(f"tests/{name}" for name in asked.files)]
    ran = subprocess.run(words, capture_output=True, text=True, check=False, cwd=ROOT)
    lines = ran.stdout.splitlines()
    closing = next((line for line in reversed(lines) if " passed" in line or " failed" in line), "nothing ran")
    failed = [line for line in lines if line.startswith(("FAILED", "ERROR"))]
    found = json.loads(FOUND.read_text(encoding="utf-8")) if FOUND.exists() else {}
    found[asked.name] = {
        "python": python,
        "date": str(datetime.now(UTC).date()),
        "note": asked.note,
        "files": [] if asked.files == CORE else asked.files,
        "versions": json.loads(versions),
        "closing": closing,
        "failed": failed,
    }
    FOUND.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    _write_table(found)
    sys.stdout.write("\n".join([closing, *failed]) + "\n")


def _write_table(found: dict[str, dict[str, object]]) -> None:
    lines = [
        "# Versions of Python and of the libraries",
        "",
        "Command: `python -m tests.hardening.compatibility NAME PYTHON`, once for each environment. What ran is the",
        "core of the suite (store, loading, lives, fits, answers, plots, workbook, truth), without the browser, the",
        "notebooks and the long simulations; the whole suite runs on the gate's own version.",
        "",
        f"{platform.machine()}, {os.cpu_count()} cores",
        "",
        f"| environment | date | Python | outcome | {' | '.join(LIBRARIES)} |",
        "|---|---|---|---|" + "---|" * len(LIBRARIES),
    ]
    for name, one in found.items():
        files = one.get("files") or []
        assert isinstance(files, list)
        part = f"; of the core {', '.join(files)}" if files else ""
        versions = one["versions"]
        assert isinstance(versions, dict)
        cells = " | ".join(str(versions[library]) for library in LIBRARIES)
        lines.append(f"| {name} ({one['note']}) | {one['date']} | {one['python']} | {one['closing']}{part} | {cells} |")
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
