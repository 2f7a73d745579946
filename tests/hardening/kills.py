"""Commands killed at random moments: what they change is as before or as after, whole and sound."""

import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from tests.command import run_wearlab
from tests.fleet_files import write_folder
from wearlab.demo import write_demo


def rows(number: int) -> str:
    """Return services of a fleet that is large enough to be caught while it is loaded."""
    lines = [f"S{n},T1,20{20 + n % 3}-0{1 + n % 9}-1{n % 9},{n},regrease" for n in range(number)]
    return "service_id,unit_id,date,miles,action\n" + "\n".join(lines) + "\n"


def count(store: Path) -> tuple[int, ...]:
    """Return how many rows each table of a sound store holds; raises where it is not sound."""
    if not store.exists():
        return ()
    ran = run_wearlab("check", store, "--json")
    assert ran.status == 0, ran.err + ran.out
    return tuple(row["rows"] for row in ran.document()["checked"])


def start(*words: str | Path) -> "subprocess.Popen[bytes]":
    """Start a command as a user does."""
    quiet = subprocess.DEVNULL
    return subprocess.Popen([sys.executable, "-m", "wearlab", *map(str, words)], stdout=quiet, stderr=quiet)


def kill_loads(times: int, place: Path, rnd: random.Random) -> str:
    """Kill a load at a random moment: the store is sound and as before, or as after; the next load does all of it."""
    before_folder = write_folder(place / "load", services=rows(2_000))
    assert run_wearlab("load", before_folder).status == 0
    kept = (before_folder / "wearlab.duckdb").read_bytes()
    before = count(before_folder / "wearlab.duckdb")
    write_folder(before_folder, services=rows(60_000))
    begun = time.monotonic()
    assert run_wearlab("load", before_folder).status == 0
    whole, after = time.monotonic() - begun, count(before_folder / "wearlab.duckdb")
    states = {before: 0, after: 0}
    for _ in range(times):
        restore(before_folder, kept)
        _kill_after(rnd.uniform(0, 1.1 * whole), "load", before_folder)
        states[count(before_folder / "wearlab.duckdb")] += 1
    assert run_wearlab("load", before_folder).status == 0
    assert count(before_folder / "wearlab.duckdb") == after
    return f"{states[before]} as before, {states[after]} as after, all sound; the load after the last did all of it"


def kill_unloads(times: int, place: Path, rnd: random.Random) -> str:
    """Kill an unload at a random moment; the store must be sound and as before, or as after."""
    folder = write_folder(place / "unload", services=rows(60_000))
    assert run_wearlab("load", folder).status == 0
    kept, before = (folder / "wearlab.duckdb").read_bytes(), count(folder / "wearlab.duckdb")
    begun = time.monotonic()
    assert run_wearlab("unload", folder, "services.csv").status == 0
    whole, after = time.monotonic() - begun, count(folder / "wearlab.duckdb")
    states = {before: 0, after: 0}
    for _ in range(times):
        restore(folder, kept)
        _kill_after(rnd.uniform(0, 1.1 * whole), "unload", folder, "services.csv")
        states[count(folder / "wearlab.duckdb")] += 1
    return f"{states[before]} as before, {states[after]} as after, all sound"


def kill_reports(times: int, place: Path, rnd: random.Random) -> str:
    """Kill a report at a random moment; each of its files must be the old one or the new one, none a part of one."""
    folder, out = place / "fleet", place / "out"
    write_demo(folder, seed=3, trucks=3)
    run_wearlab("load", folder)
    assert run_wearlab("report", folder, "--out", out, "--as-of", "2026-01-31").status == 0
    old = _contents(out)
    begun = time.monotonic()
    assert run_wearlab("report", folder, "--out", out).status == 0
    whole, new = time.monotonic() - begun, _contents(out)
    mixed = 0
    for _ in range(times):
        shutil.rmtree(out)
        for name, content in old.items():
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            (out / name).write_bytes(content)
        _kill_after(rnd.uniform(0.2 * whole, 1.1 * whole), "report", folder, "--out", out)
        found = {name: content for name, content in _contents(out).items() if not Path(name).name.startswith(".")}
        wrong = [name for name, content in found.items() if content not in (old.get(name), new.get(name))]
        assert not wrong, wrong
        mixed += found not in (old, new)
        count(folder / "wearlab.duckdb")
    return f"every file whole, old or new ({mixed} times some old and some new); the store sound"


def _contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def restore(folder: Path, content: bytes) -> None:
    """Put the store of a folder back as it was, and nothing beside it."""
    for path in folder.glob("wearlab.duckdb*"):
        if path.is_file():
            path.unlink()
    (folder / "wearlab.duckdb").write_bytes(content)


def _kill_after(seconds: float, *words: str | Path) -> None:
    with start(*words) as process:
        try:
            process.wait(seconds)
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)


# Of each command: its share of the moments at which one is killed, and what kills it.
KILLS: dict[str, tuple[float, Callable[[int, Path, random.Random], str]]] = {
    "load": (0.4, kill_loads),
    "unload": (0.4, kill_unloads),
    "report": (0.2, kill_reports),
}
