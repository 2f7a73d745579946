"""Hostile input end to end: whole commands on spoiled fleet folders and lives files, with spoiled options.

Run ``python -m tests.hardening.commands --cases 10000``: the counts are added to ``fuzzing.json`` beside this file, and
the table ``fuzzing.md`` is written again. ``--show NUMBER`` runs one case and prints what it does; ``--again`` runs the
failures met so far once more.
"""

import argparse
import contextlib
import functools
import io
import json
import os
import random
import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import typer.main

from tests.hardening.campaign import Campaign, write_table
from tests.hardening.files import FORMATS, as_plain_csv, spoil_table, write_spoiled
from tests.hardening.hostile import DATES, FILE_NAMES, NAMES, NUMBERS, TEXTS
from tests.hardening.numbers import find_faults
from tests.hardening.readers import seed_of
from tests.hardening.settings import write_settings
from tests.hardening.tiny import make_fleet, make_lives
from wearlab.cli import run

# How often each command is drawn; those that take long are drawn seldom.
COMMANDS = {
    "load": 40, "lives": 24, "meters": 10, "classes": 8, "fit": 24, "compare": 3, "wear": 6, "driveline": 3, "early": 3,
    "cluster": 2, "intervals": 1, "forecast": 2, "due": 1, "map": 6, "unload": 5, "check": 5, "explain": 3, "demo": 0,
}  # fmt: skip
FILE_COMMANDS = {
    "fit": 30,
    "lives": 14,
    "early": 4,
    "compare": 4,
    "cluster": 2,
    "forecast": 3,
    "wear": 1,
    "load": 1,
    "due": 1,
}
_OWN = {
    "load": ("--strict",),
    "fit": ("--by", "--component", "--mode", "--picture"),
    "compare": ("--factor",),
    "driveline": ("--reference", "--speed", "--angles", "--unloaded", "--phases", "--torque", "--drive", "--tube"),
    "intervals": ("--try",),
    "early": ("--rate",),
    "cluster": ("--component", "--factor", "--fix-date"),
    "forecast": ("--months", "--ahead", "--adopt"),
    "due": ("--calendar",),
}
_COMMON = ("--as-of", "--scale", "--level", "--seed", "--unknown-as-failures", "--out")
_FLAGS = {"--strict", "--unknown-as-failures", "--json", "--backtest"}
_WORDS = {
    "--as-of": ("2021-06-30", "2020-01-02", "2019-01-01", "2200-01-01", *DATES),
    "--scale": ("miles", "engine_hours", "days", "joint_cycles", "cycles", ""),
    "--level": ("0.9", "0.5", "0.999", "0.8", "1", "0", "nan", "-1"),
    "--seed": ("1", "0", "-1", "7", "99999999999999999999", "x"),
    "--by": ("component", "duty_cycle", "component,lot", "lot,shop", "", ",", "component,component", "nothing", *NAMES),
    "--component": ("joint", "boot", "spline", "", *TEXTS),
    "--mode": ("worn", "dry", "torn", *TEXTS),
    "--factor": ("duty_cycle", "lot", "shop", "hardware", "component", "unit_id", "position", *NAMES),
    "--months": ("1", "12", "120", "0", "1000", "x"),
    "--ahead": ("1", "1e9", "1e-9", "0", "-1", "nan", "inf", "5000"),
    "--adopt": (
        "line_haul=9000",
        "vocational=1",
        "x=5",
        "line_haul",
        "=",
        "line_haul=0",
        "line_haul=nan,vocational=1e300",
    ),
    "--rate": ("0.05", "0.5", "0", "1", "2", "nan", "-1"),
    "--fix-date": DATES,
    "--try": ("6000,8000", "1", "1e12", "0", "nan", ",", "a,b", "1e-9"),
    "--speed": ("1800", "1", "10000", "0", "nan"),
    "--angles": ("5,3.5", "5", "90,90", "0,0,0", "-5,5", "nan,1", "1e9,2", "", "5,3,2,1,4,5,6", "x"),
    "--unloaded": ("4,3", "5", "x"),
    "--phases": ("0", "90", "nan"),
    "--torque": ("1000", "0", "-1", "nan", "1e300"),
    "--drive": ("3.55,513", "0,0", "3.55", "x"),
    "--tube": ("114.3,3.4,1800", "1,1,1", "0,0,0", "3.4,114.3,1800", "x"),
    "--reference": ("line_haul", "nothing", *TEXTS),
}


def run_case(name: str, rnd: random.Random, parent: Path) -> str:
    """Return how one command ended, ``read`` for status 0, ``refused`` for 1 and 2; anything else is raised."""
    with tempfile.TemporaryDirectory(dir=parent, ignore_cleanup_errors=True) as place:
        folder = Path(place) / "fleet"
        folder.mkdir()
        source = _write_lives(rnd, folder) if name == "lives file" else _write_fleet(rnd, folder)
        commands = FILE_COMMANDS if name == "lives file" else COMMANDS
        outcome = "refused"
        for _ in range(rnd.choice((1, 1, 2))):
            command = rnd.choices(list(commands), list(commands.values()))[0]
            outcome = _run_checked(command, _write_line(rnd, command, source, Path(place)))
        store = folder / "wearlab.duckdb"
        if store.exists() and rnd.random() < 0.5:
            assert _run_checked("check", ["check", str(store), "--json"]) == "read"
        strays = {path.name for path in Path(place).iterdir()} - {"fleet", "out", "p.svg", "c.ics", "d"}
        assert not strays, strays
        return outcome


def _write_fleet(rnd: random.Random, folder: Path) -> Path:
    (folder / "fleet.toml").write_bytes(write_settings(rnd, gentle=True))
    fleet = make_fleet(rnd)
    spoiled = set(rnd.sample(sorted(fleet), k=rnd.choice((0, 1, 1, 2)))) if rnd.random() < 0.9 else set(fleet)
    for name, table in fleet.items():
        kind = rnd.choice(("csv", "csv", "csv", "csv.gz", "parquet", "xlsx")) if name in spoiled else "csv"
        content = as_plain_csv(rnd, table)
        if name in spoiled:
            content = (
                write_spoiled(rnd, table, kind) if rnd.random() < 0.4 else FORMATS[kind](rnd, spoil_table(rnd, table))
            )
        (folder / f"{name}.{kind}").write_bytes(content)
    if rnd.random() < 0.2:
        odd = folder / rnd.choice(FILE_NAMES)
        if not odd.exists():
            odd.write_bytes(FORMATS[rnd.choice(("csv", "parquet"))](rnd, spoil_table(rnd, fleet["services"])))
    return folder


def _write_lives(rnd: random.Random, folder: Path) -> Path:
    kind = rnd.choice(("csv", "csv", "csv", "parquet"))
    path = folder / f"{rnd.choice(('lives', 'l i', 'é', 'x<y>'))}.{kind}"
    table = make_lives(rnd)
    if rnd.random() < 0.35:  # one bad cell refuses a lives file as a whole
        table = spoil_table(rnd, table)
    write = FORMATS["parquet"] if kind == "parquet" else as_plain_csv
    path.write_bytes(write_spoiled(rnd, table, kind) if rnd.random() < 0.15 else write(rnd, table))
    return path


def _write_line(rnd: random.Random, command: str, source: Path, place: Path) -> list[str]:
    """Return the words of one command line, a few of its options drawn and given any value."""
    if command == "explain":
        return ["explain", rnd.choice(("B10", "regrease", *TEXTS))]
    if command == "map":
        return ["map", str(source)]
    if command == "unload":
        return ["unload", str(source), rnd.choice(("services.csv", "units.csv", *FILE_NAMES))]
    if command == "check":
        return ["check", str(source), *rnd.choice(((), ("--json",)))]
    words = [command, str(source) if rnd.random() < 0.97 else rnd.choice(TEXTS)]
    if rnd.random() < 0.7:
        words.append("--json")
    own = _OWN.get(command, ())
    options = [
        *rnd.sample(own, k=min(len(own), rnd.choice((0, 0, 1, 1, 2)))),
        *rnd.sample(_COMMON, k=rnd.choice((0, 0, 1, 2))),
    ]
    paths = {"--out": place / "out", "--picture": place / "p.svg", "--calendar": place / "c.ics"}
    for option in options:
        words.append(option)
        if option in paths:
            words.append(str(paths[option]))
        elif option not in _FLAGS:
            usual, way = _WORDS[option], rnd.random()
            words.append(rnd.choice(usual[:2] if way < 0.6 else usual if way < 0.95 else (*TEXTS, *NUMBERS)))
    if rnd.random() < 0.03:
        words.insert(rnd.randrange(len(words) + 1), rnd.choice(TEXTS))
    return words


def _run_checked(command: str, words: list[str]) -> str:
    """Run one command line in this process and hold what it leaves behind against what is documented."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = run(words)
    said = err.getvalue()
    assert status in {0, 1, 2}, (status, words)
    assert "this should not have happened" not in said and "Traceback" not in said, (words, said[-900:])
    assert "Warning" not in said, (words, said[-900:])
    assert not any(ord(mark) < 32 and mark != "\n" for mark in out.getvalue() + said if "--json" not in words), words
    if status:
        assert command == "check" or "wearlab: " in said or status == 0, (words, said)
        assert len(said.strip().splitlines()[-1]) < 3000, (words, said[:300])
    if "--json" in words and out.getvalue():
        _check_document(json.loads(out.getvalue(), parse_constant=_no_constant), status, words)
    return "refused" if status else "read"


def _no_constant(constant: str) -> None:
    message = f"{constant} in a document"
    raise AssertionError(message)


def _check_document(document: dict[str, Any], status: int, words: list[str]) -> None:
    faults = find_faults(document)
    assert not faults, (words, faults[:3])
    if status and words[0] != "check":
        assert document["error"]["text"] and (status == 1 or document["error"]["fix"]), (words, document)
    if words[0] == "load" and not status:
        for row in document["tables"]:
            parts = row["rows_loaded"] + row["rows_set_aside"] + row["rows_already_loaded"]
            assert row["rows_read"] == parts, (words, row)


_WEIGHTS = {"fleet folder": 1, "lives file": 1}


def main() -> None:
    """Run some cases more, and write the table again."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=2_000)
    parser.add_argument("--seconds", type=float, default=540)
    parser.add_argument("--only", choices=tuple(_WEIGHTS))
    parser.add_argument("--show", type=int)
    parser.add_argument("--again", action="store_true")
    asked = parser.parse_args()
    names = [asked.only] if asked.only else [name for name in _WEIGHTS for _ in range(_WEIGHTS[name])]
    os.environ["COLUMNS"] = "160"
    warnings.simplefilter("always")  # not once a process: each case is to show its own
    typer.main.get_command = functools.cache(
        typer.main.get_command
    )  # the commands are put together once, not each time
    one: Callable[[str, int], str]
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as parent:

        def one(name: str, number: int) -> str:
            return run_case(name, seed_of(name, number), Path(parent))

        if asked.show is not None:
            sys.stdout.write(one(names[0], asked.show) + "\n")
            return
        campaign = Campaign("commands", "seeds")
        if asked.again:
            campaign.again(lambda name, _, seed: one(name, int(seed)))
        else:
            campaign.sow(one, names, asked.cases, asked.seconds)
    write_table()


if __name__ == "__main__":
    main()
