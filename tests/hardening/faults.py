"""Faults while commands run: killed at random, disk full, folder read-only, store locked, damaged, of another version.

Run ``python -m tests.hardening.faults --kills 100`` as root on Linux (it mounts a small disk); it writes ``faults.md``.
``--part kills`` or ``--part rest`` runs one half; what was found is kept in ``faults.json`` beside this file.
"""

import argparse
import json
import os
import platform
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from tests.command import Ran, run_wearlab
from tests.fleet_files import write_folder
from tests.hardening.kills import KILLS, count, restore, rows, start
from tests.hardening.test_numbers import make_fleet, write

HERE = Path(__file__).parent
PYTHON = f"Python {platform.python_version()}"
FOUND, TABLE = HERE / "faults.json", HERE / "faults.md"
NOBODY = 65534
BLOCK = 262_144  # bytes of a block of the database; before the first stand three headers of 4,096


@contextmanager
def small_disk(place: Path, size: str) -> Iterator[Path]:
    """Mount a disk of a few MB for a moment."""
    disk = place / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(disk)], check=True)
    try:
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def refused(ran: Ran, *words: str) -> str:
    """Return the one line with which a command refused; raises where it did anything else."""
    lines = [line for line in ran.err.splitlines() if line.startswith("wearlab: ")]
    assert ran.status == 2, (ran.status, ran.err[-600:])
    assert len(lines) == 1, ran.err[-600:]
    assert "should not have happened" not in lines[0], lines[0]
    assert "Fix:" in lines[0], lines[0]
    assert any(word in lines[0] for word in words), lines[0]
    return lines[0].removeprefix("wearlab: ")[:150]


def full_disk_of_a_load(place: Path) -> str:
    """Load where the disk has no room for it: refused, the store as before; with room, all is loaded."""
    folder = write_folder(place / "f", services=rows(3))
    with small_disk(place, "3m") as disk:
        store = disk / "s.duckdb"
        assert run_wearlab("load", folder, "--store", store).status == 0
        before = count(store)
        write_folder(folder, services=rows(200_000))
        said = refused(run_wearlab("load", folder, "--store", store), "disk", "space", "written")
        assert count(store) == before
    return said


def full_disk_of_a_report(place: Path) -> str:
    """Write tables where the disk has no room: refused, and no part of a file is left."""
    folder = write(place / "f", make_fleet())
    with small_disk(place, "16k") as disk:
        said = refused(run_wearlab("fit", folder, "--out", disk / "out"), "written", "room", "space")
        assert all(path.stat().st_size and path.suffix == ".csv" for path in (disk / "out").iterdir())
    return said


def as_nobody(*words: str | Path) -> Ran:
    """Run a command as a user without rights of his own."""
    done = subprocess.run(
        [
            "setpriv",
            f"--reuid={NOBODY}",
            f"--regid={NOBODY}",
            "--clear-groups",
            sys.executable,
            "-m",
            "wearlab",
            *map(str, words),
        ],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "HOME": "/nonexistent", "MPLCONFIGDIR": "/tmp"},
    )
    return Ran(done.returncode, done.stdout, done.stderr)


def folder_that_cannot_be_written(place: Path) -> str:
    """Ask about a folder in which no store can be made: refused with the fix, which works."""
    folder = write(place / "f", make_fleet())
    place.chmod(0o755)
    folder.chmod(0o555)
    said = refused(as_nobody("lives", folder), "--store")
    assert as_nobody("lives", folder, "--store", ":memory:").status == 0
    refused(as_nobody("lives", folder, "--store", ":memory:", "--out", folder / "out"), "--out")
    return said


def file_that_cannot_be_read(place: Path) -> str:
    """Load a folder one file of which may not be read: refused with its name."""
    folder = write(place / "f", make_fleet())
    place.chmod(0o755)
    (folder / "services.csv").chmod(0o000)
    return refused(as_nobody("lives", folder, "--store", ":memory:"), "services.csv")


def permission_lost_in_mid_run(place: Path) -> str:
    """Take the right to write away while a load runs: refused or done, the store sound, the next load complete."""
    folder = write_folder(place / "f", services=rows(60_000))
    outcomes: dict[int, int] = {}
    for wait in (0.3, 0.6, 0.9, 1.2):
        restore(folder, b"")
        (folder / "wearlab.duckdb").unlink()
        process = start("load", folder)
        time.sleep(wait)
        subprocess.run(["chattr", "+i", str(folder)], check=True)
        status = process.wait(120)
        outcomes[status] = outcomes.get(status, 0) + 1
        subprocess.run(["chattr", "-i", str(folder)], check=True)
        assert set(outcomes) <= {0, 2}, outcomes
        assert run_wearlab("load", folder).status == 0
        assert count(folder / "wearlab.duckdb")[2] == 60_000
    return (
        ", ".join(f"status {status}: {many}" for status, many in sorted(outcomes.items())) + "; the next load did all"
    )


def store_in_use(place: Path) -> str:
    """Ask while another process holds the store: refused with the fix."""
    folder = write(place / "f", make_fleet())
    run_wearlab("load", folder)
    code = (
        "import sys, time\nfrom wearlab.history.store import open_store\n"
        "with open_store(sys.argv[1]):\n    print(flush=True)\n    time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(folder / "wearlab.duckdb")], stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        holder.stdout.readline()
        said = refused(run_wearlab("lives", folder), "in use")
        refused(run_wearlab("check", folder), "in use")
        holder.kill()
    assert run_wearlab("lives", folder).status == 0
    return said


def two_loads_at_once(place: Path) -> str:
    """Load one folder from two processes at once: one does it, the other comes after or is refused; all is there."""
    outcomes: dict[int, int] = {}
    for _ in range(5):
        folder = write_folder(place / "f", services=rows(20_000))
        restore(folder, b"")
        (folder / "wearlab.duckdb").unlink()
        for process in [start("load", folder), start("load", folder)]:
            status = process.wait(120)
            outcomes[status] = outcomes.get(status, 0) + 1
        assert set(outcomes) <= {0, 2}, outcomes
        assert count(folder / "wearlab.duckdb")[2] == 20_000
    return (
        ", ".join(f"status {status}: {many}" for status, many in sorted(outcomes.items())) + " of 10; the store sound"
    )


def store_of_another_version(place: Path) -> str:
    """Ask a store of another format: refused with how to go on; the store is left as it is."""
    folder = write(place / "f", make_fleet())
    run_wearlab("load", folder)
    change = "update facts set value = '999' where name = 'format'"
    code = f'import sys, duckdb\nduckdb.connect(sys.argv[1]).execute("{change}")'
    subprocess.run([sys.executable, "-c", code, str(folder / "wearlab.duckdb")], check=True)
    before = (folder / "wearlab.duckdb").read_bytes()
    said = refused(run_wearlab("lives", folder), "version")
    assert (folder / "wearlab.duckdb").read_bytes() == before
    return said


def damaged_pages(place: Path) -> str:
    """Spoil one page after another: commands refuse or answer right, and check calls no store sound that is not."""
    folder = write(place / "f", make_fleet())
    run_wearlab("load", folder)
    good = (folder / "wearlab.duckdb").read_bytes()
    right = run_wearlab("lives", folder, "--json").document()["groups"]
    outcomes: dict[str, int] = {}
    for first in (0, 4096, 8192, *range(3 * 4096, len(good), 2 * BLOCK)):
        content = bytearray(good)
        for at in (16, 3_000, 20_000, 100_000, 200_000) if first >= 3 * 4096 else (16,):
            content[first + at : first + at + 64] = bytes(64 * [0xA5])
        content = content[: len(good)]
        restore(folder, bytes(content))
        checked = run_wearlab("check", folder)
        assert checked.status in {0, 1, 2}, checked.err
        assert "should not have happened" not in checked.err, checked.err
        lives = run_wearlab("lives", folder, "--json")
        if lives.status == 0:
            assert lives.document()["groups"] == right
        else:
            refused(lives, "damaged", "cannot be opened", "store")
            assert checked.status, "check called a store sound that cannot be used"
        words = f"check {checked.status}, lives {lives.status}"
        outcomes[words] = outcomes.get(words, 0) + 1
    return "; ".join(f"{words}: {many}" for words, many in sorted(outcomes.items()))


def clock_set_back(place: Path) -> str:
    """Load on a day, and again with the clock set back by years: the rows of the later days stay, nothing is lost."""
    folder = write(place / "f", make_fleet())
    assert run_wearlab("load", folder).status == 0
    before = count(folder / "wearlab.duckdb")
    code = (
        "import sys, datetime\nimport wearlab.asked as asked\nasked.today = lambda: datetime.date(2015, 1, 1)\n"
        "import wearlab.cli\nimport wearlab.commands.data as data\ndata.today = asked.today\n"
        "sys.exit(wearlab.cli.run(sys.argv[1:]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "load", str(folder)], capture_output=True, text=True, check=False
    )
    ran = Ran(done.returncode, done.stdout, done.stderr)
    said = refused(ran, "day", "date") if ran.status == 2 else "loaded nothing new"
    assert count(folder / "wearlab.duckdb") == before
    assert run_wearlab("load", folder).status == 0
    return said


def odd_locales(place: Path) -> str:
    """Ask in odd locales, time zones and encodings of the terminal: the same document."""
    folder = write(place / "f", make_fleet())
    right = run_wearlab("fit", folder, "--json")
    settings = (
        {"LC_ALL": "C"},
        {"LC_ALL": "tr_TR.UTF-8"},
        {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE"},
        {"TZ": "Pacific/Kiritimati"},
        {"TZ": "America/Adak"},
        {"TZ": "nowhere"},
        {"PYTHONIOENCODING": "ascii"},
        {"PYTHONUTF8": "0", "LC_ALL": "POSIX"},
        {"COLUMNS": "1"},
        {"TERM": "dumb", "NO_COLOR": "1"},
    )
    for setting in settings:
        for words in (("fit", str(folder), "--json"), ("fit", str(folder))):
            done = subprocess.run(
                [sys.executable, "-m", "wearlab", *words],
                capture_output=True,
                check=False,
                env={**os.environ, **setting},
            )
            assert done.returncode == 0, (setting, done.stderr[-600:])
            if "--json" in words:
                assert json.loads(done.stdout.decode("utf-8")) == right.document(), setting
    return f"{len(settings)} settings: the same document in each"


def names_that_are_no_text(place: Path) -> str:
    """Files and folders whose names are no UTF-8: loaded, or refused in words."""
    said = []
    folder = write(place / os.fsdecode(b"fl\xffeet"), make_fleet())
    (folder / "services.csv").rename(folder / os.fsdecode(b"services-\xfe.csv"))
    for words in (
        ("lives", folder, "--store", ":memory:"),
        ("lives", folder),
        ("fit", folder, "--json", "--store", ":memory:"),
    ):
        ran = subprocess.run([sys.executable, "-m", "wearlab", *words], capture_output=True, check=False)
        text = ran.stderr.decode("utf-8", errors="replace")
        assert ran.returncode in {0, 2}, text
        assert "should not have happened" not in text, text
        assert "Traceback" not in text, text
        said.append(str(ran.returncode))
    return "status " + ", ".join(said)


REST: tuple[tuple[str, Callable[[Path], str]], ...] = (
    ("disk full while loading (tmpfs of 3 MB)", full_disk_of_a_load),
    ("disk full while writing tables (tmpfs of 16 kB)", full_disk_of_a_report),
    ("folder that cannot be written, as another user", folder_that_cannot_be_written),
    ("file that cannot be read, as another user", file_that_cannot_be_read),
    ("right to write lost in mid-run (immutable folder)", permission_lost_in_mid_run),
    ("store in use by another process", store_in_use),
    ("two loads at once, 5 times", two_loads_at_once),
    ("store of another version", store_of_another_version),
    ("damaged pages, one after another", damaged_pages),
    ("clock set back by eleven years", clock_set_back),
    ("odd locales, time zones, terminals", odd_locales),
    ("names that are no UTF-8", names_that_are_no_text),
)


def main() -> None:
    """Try the faults and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=100, help="of load, unload and report together")
    parser.add_argument("--part", choices=("all", "kills", "rest"), default="all")
    parser.add_argument("--only")
    asked = parser.parse_args()
    found: dict[str, list[str]] = json.loads(FOUND.read_text(encoding="utf-8")) if FOUND.exists() else {}
    jobs: list[tuple[str, Callable[[Path], str]]] = []
    if asked.part in {"all", "kills"}:
        for name, (share, work) in KILLS.items():
            many = max(round(asked.kills * share), 1)
            title = f"kill -9 at random moments of {name}, {many} times"
            jobs.append((title, lambda place, w=work, m=many: w(m, place, random.Random(7))))
    if asked.part in {"all", "rest"}:
        jobs += REST
    for name, job in jobs:
        if asked.only and asked.only not in name:
            continue
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place:
            try:
                found[name] = ["held", job(Path(place))]
            except Exception as error:
                found[name] = ["**not held**", f"{type(error).__name__}: {error}"[:400]]
        sys.stdout.write(f"{name}: {found[name]}\n")
        FOUND.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    _write_table(found)


def _write_table(found: dict[str, list[str]]) -> None:
    lines = [
        "# Faults while commands run",
        "",
        "Command: `python -m tests.hardening.faults --kills 100` (Linux, root). Held means: before-or-after state, a",
        "store that `wearlab check` finds sound, and where a command refused, one line that names the fix.",
        "",
        f"{datetime.now(UTC).date()}; {platform.machine()}, {os.cpu_count()} cores, {PYTHON}",
        "",
        "| fault | outcome | what was seen |",
        "|---|---|---|",
        *(f"| {name} | {outcome} | {seen.replace('|', '/')} |" for name, (outcome, seen) in found.items()),
    ]
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
