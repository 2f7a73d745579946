"""Many hostile cases run in child processes: none may raise, crash, hang or eat the memory; the counts are kept.

What was run so far stands in ``fuzzing.json`` beside this file, so that a campaign goes on where it stopped.
"""

import fcntl
import json
import mmap
import os
import platform
import random
import resource
import signal
import struct
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from types import FrameType, FunctionType
from typing import Any

HERE = Path(__file__).parent
COUNTS, TABLE = HERE / "fuzzing.json", HERE / "fuzzing.md"
LONGEST = 30  # seconds of processor time that a case may take, whatever else the machine does
STUCK = 240  # seconds after which a child that does not even take its alarm is ended
MOST_MEMORY = 3 << 30  # bytes that a child may hold at its highest
KEPT = 20  # cases kept of each kind of failure, to be run again
BATCH = 50  # cases a child runs, so that what one leaves behind cannot reach far
OUTCOMES = ("read", "refused", "failed")


class TookTooLongError(Exception):
    """A case that did not end in time."""


class Fed(random.Random):
    """Chance that a search for new code feeds with bytes; when they are used up, chance seeded by them goes on."""

    def __init__(self, content: bytes) -> None:
        super().__init__(int.from_bytes(sha256(content).digest()[:8]))
        self.content, self.at = content, 0

    def getrandbits(self, k: int, /) -> int:
        """Return the next k bits."""
        size = (k + 7) // 8
        piece = self.content[self.at : self.at + size]
        self.at += size
        return int.from_bytes(piece) >> (8 * size - k) if len(piece) == size else super().getrandbits(k)

    def random(self) -> float:
        """Return the next number from 0 to 1."""
        return self.getrandbits(32) / 2**32


class Campaign:
    """One kind of cases by one engine; counts are added to those of earlier runs, and of others that run beside it."""

    def __init__(self, kind: str, engine: str) -> None:
        self.kind, self.engine = kind, engine
        self.names: list[str] = []
        self.noted = HERE / f".{kind}.{os.getpid()}.failed"

    def sow(self, run: Callable[[str, int], str], names: Sequence[str], cases: int, seconds: float) -> None:
        """Run numbered cases, each its own source of chance, until there are ``cases`` more or the time is up."""
        self.names = sorted(set(names))
        left, end = cases, time.monotonic() + seconds
        while left > 0 and time.monotonic() < end:
            many = min(BATCH, left)
            with _counts_held() as counts:  # numbers are taken before they are run, so that two runs share none
                number = counts["next"].get(self.kind, 0)
                counts["next"][self.kind] = number + many
            left, last = left - many, number + many
            while number < last:
                board = _Board(len(self.names))
                done = _watch(board, lambda b=board, first=number, end=last: self._run_batch(run, names, first, end, b))
                ran = board.current() + 1 if done < 0 else last - number
                crash = (names[(number + ran - 1) % len(names)], f"{number + ran - 1}", done) if done < 0 else None
                self._keep(board, crash)
                number += ran

    def _run_batch(
        self, run: Callable[[str, int], str], names: Sequence[str], first: int, end: int, board: "_Board"
    ) -> None:
        for number in range(first, end):
            name = names[number % len(names)]
            self._run_one(lambda n=name, k=number: run(n, k), name, f"{number}", number - first, board)

    def guide(self, run: Callable[[str, random.Random], str], names: Sequence[str], cases: int, seconds: float) -> None:
        """Let atheris look for input that reaches new code, in one child for each name."""
        self.names = sorted(set(names))
        for name in self.names:
            board = _Board(len(self.names))
            share = names.count(name) / len(names)
            done = _watch(board, lambda n=name, b=board, s=share: self._search(run, n, int(cases * s), seconds * s, b))
            self._keep(board, (name, "", done) if done < 0 else None)

    def again(self, run: Callable[[str, str, str], str]) -> None:
        """Run the noted failures of this kind once more and note how they end now."""
        for signature, one in _counts()["failures"].items():
            if one["kind"] != self.kind:
                continue
            self.names, board = [one["case"]], _Board(1)
            _watch(board, lambda o=one, b=board: self._run_again(run, o, b))
            with _counts_held() as counts:
                now = {outcome: board.count(0, number) for number, outcome in enumerate(OUTCOMES)}
                counts["failures"][signature]["now"] = now
            self.noted.unlink(missing_ok=True)

    def _run_again(self, run: Callable[[str, str, str], str], one: dict[str, Any], board: "_Board") -> None:
        for place, (engine, seed) in enumerate(one["seeds"]):
            self._run_one(lambda e=engine, s=seed: run(one["case"], e, s), one["case"], seed, place, board)

    def _search(
        self, run: Callable[[str, random.Random], str], name: str, cases: int, seconds: float, board: "_Board"
    ) -> None:
        import sys

        import atheris

        for module in [found for key, found in sys.modules.items() if key.startswith("wearlab.")]:
            for function in vars(module).values():
                if isinstance(function, FunctionType) and function.__module__ == module.__name__:
                    atheris.instrument_func(function)
        number = 0

        def test(content: bytes) -> None:
            nonlocal number
            self._run_one(lambda: run(name, Fed(content)), name, content.hex(), number, board)
            number += 1

        limits = [
            f"-runs={cases}",
            f"-max_total_time={int(seconds)}",
            "-max_len=4096",
            "-rss_limit_mb=0",
            "-timeout=600",
        ]
        atheris.Setup(["search", *limits, "-verbosity=0", "-print_final_stats=0"], test)
        atheris.Fuzz()

    def _run_one(self, run: Callable[[], str], name: str, seed: str, place: int, board: "_Board") -> None:
        board.start(place)
        signal.signal(signal.SIGPROF, _ring)
        signal.setitimer(signal.ITIMER_PROF, LONGEST)
        begun = time.process_time()
        try:
            outcome = run()
        except Exception as error:
            outcome = "failed"
            self._note(name, seed, error)
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
        board.end(self.names.index(name), OUTCOMES.index(outcome), time.process_time() - begun)

    def _note(self, name: str, seed: str, error: BaseException) -> None:
        mine = [step for step in traceback.extract_tb(error.__traceback__) if "wearlab" in step.filename] or [None]
        place = f"{Path(mine[-1].filename).name}:{mine[-1].name}" if mine[-1] else "-"
        line = {"case": name, "seed": seed, "error": f"{type(error).__name__}: {error}"[:900], "place": place}
        with self.noted.open("a", encoding="utf-8", errors="backslashreplace") as out:
            out.write(json.dumps(line) + "\n")

    def _keep(self, board: "_Board", crash: tuple[str, str, int] | None) -> None:
        lines = self.noted.read_text(encoding="utf-8").splitlines() if self.noted.exists() else []
        failed = [json.loads(line) for line in lines]
        if crash:
            name, seed, status = crash
            failed.append({"case": name, "seed": seed, "error": f"the process died: signal {-status}", "place": "-"})
        if board.memory() > MOST_MEMORY:
            failed.append({"case": "?", "seed": "", "error": f"{board.memory():,} bytes held", "place": "-"})
        with _counts_held() as counts:
            mine = counts["ran"].setdefault(f"{self.kind}: {self.engine}", {})
            for place, name in enumerate(self.names):
                found = mine.setdefault(name, dict.fromkeys(OUTCOMES, 0) | {"longest": 0.0, "memory": 0})
                for number, outcome in enumerate(OUTCOMES):
                    found[outcome] += board.count(place, number)
                found["longest"] = round(max(found["longest"], board.longest(place)), 2)
                found["memory"] = max(found["memory"], board.memory())
            for one in failed:
                signature = f"{self.kind}: {one['case']}: {one['error'].split(':')[0]} at {one['place']}"
                first = {"kind": self.kind, "case": one["case"], "error": one["error"], "times": 0, "seeds": []}
                kept = counts["failures"].setdefault(signature, first)
                kept["times"] += 1
                if len(kept["seeds"]) < KEPT and one["seed"]:
                    kept["seeds"].append([self.engine, one["seed"]])
        self.noted.unlink(missing_ok=True)


class _Board:
    """Counts that a child and its parent share, so that they outlive a child that dies."""

    def __init__(self, names: int) -> None:
        self.width = 4  # three outcomes and the longest time
        self.shared = mmap.mmap(-1, 8 * (2 + names * self.width))

    def _get(self, place: int, kind: str = "q") -> Any:
        return struct.unpack_from(kind, self.shared, 8 * place)[0]

    def _set(self, place: int, value: float, kind: str = "q") -> None:
        struct.pack_into(kind, self.shared, 8 * place, value)

    def start(self, number: int) -> None:
        self._set(0, number)

    def current(self) -> int:
        return int(self._get(0))

    def end(self, name: int, outcome: int, seconds: float) -> None:
        place = 2 + name * self.width
        self._set(place + outcome, self._get(place + outcome) + 1)
        self._set(place + 3, max(self._get(place + 3, "d"), seconds), "d")
        self._set(1, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)

    def count(self, name: int, outcome: int) -> int:
        return int(self._get(2 + name * self.width + outcome))

    def longest(self, name: int) -> float:
        return float(self._get(2 + name * self.width + 3, "d"))

    def memory(self) -> int:
        return int(self._get(1))


def _ring(_: int, __: FrameType | None) -> None:
    message = f"{LONGEST} s were not enough"
    raise TookTooLongError(message)


def _watch(board: _Board, work: Callable[[], None]) -> int:
    """Run work in a child and return its exit status, a signal as a negative number; one that is stuck is ended."""
    child = os.fork()
    if child == 0:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 1)
        os.dup2(null, 2)
        try:
            work()
        finally:
            os._exit(0)
    seen, since = -1, time.monotonic()
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        if board.current() != seen:
            seen, since = board.current(), time.monotonic()
        if time.monotonic() - since > STUCK:
            os.kill(child, signal.SIGKILL)
        time.sleep(0.02)


@contextmanager
def _counts_held() -> Iterator[dict[str, Any]]:
    """The counts, to be changed, while every other campaign waits."""
    held = os.open(HERE, os.O_RDONLY)
    try:
        fcntl.flock(held, fcntl.LOCK_EX)
        counts = _counts()
        yield counts
        COUNTS.write_text(json.dumps(counts, indent=1) + "\n", encoding="utf-8")
    finally:
        os.close(held)


def _counts() -> dict[str, Any]:
    if COUNTS.exists():
        found: dict[str, Any] = json.loads(COUNTS.read_text(encoding="utf-8"))
        return found
    return {"next": {}, "ran": {}, "failures": {}}


def write_table() -> None:
    """Write ``fuzzing.md``: what was tried, how often, and what happened."""
    TABLE.write_text("\n".join(_lines(_counts())) + "\n", encoding="utf-8")


_ABOUT = f"""\
# Hostile input: what was tried, how often, what happened

Commands: `python -m tests.hardening.readers --engine seeds --cases 90000`, `python -m tests.hardening.readers --engine
atheris --cases 30000`, `python -m tests.hardening.commands --cases 10000` (with `--seconds` for as long as it takes);
each adds to `fuzzing.json` and writes this table again. Each case is
a whole input, well made and then spoiled in its structure (cells, rows, columns, names, settings, options) and now and
then in its bytes. Good ends: an answer, or a refusal of one line with its fix. Counted as failed: an exception, a
crash, more than {LONGEST} s of processor time, more than {MOST_MEMORY >> 30} GB held, rows that do not add up, an exit
status or a document that is not as documented, a number that cannot be, a store that is not sound.
"""


def _lines(counts: dict[str, Any]) -> Iterator[str]:
    yield _ABOUT
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    libraries = ", ".join(f"{name} {version(name)}" for name in ("duckdb", "pandas", "pyarrow", "fastexcel"))
    yield f"{datetime.now(UTC).date()}; {machine}; {libraries}"
    yield ""
    yield "| engine | input | cases | answered | refused | failed | longest, s of processor | most memory, MB |"
    yield "|---|---|---:|---:|---:|---:|---:|---:|"
    sums: dict[str, int] = {}
    for engine, names in sorted(counts["ran"].items()):
        for name, found in names.items():
            cases = sum(found[outcome] for outcome in OUTCOMES)
            sums[engine.split(":")[0]] = sums.get(engine.split(":")[0], 0) + cases
            numbers = " | ".join(f"{found[outcome]:,}" for outcome in OUTCOMES)
            yield f"| {engine} | {name} | {cases:,} | {numbers} | {found['longest']:.2f} | {found['memory'] >> 20:,} |"
    yield ""
    yield "; ".join(f"{kind}: {many:,} cases in all" for kind, many in sums.items()) + "."
    yield ""
    if counts["failures"]:
        yield "Kinds of failure met on the way, by input, error and place. After the mending up to"
        yield f"{KEPT} cases of each were run again (`--again`); how they ended then stands in the last column, and a"
        yield "test of each in `test_found.py`."
        yield ""
        yield "| failure | times | first message | run again |"
        yield "|---|---:|---|---|"
        for signature, one in counts["failures"].items():
            message = one["error"].replace("|", "/").replace("\n", " ").replace("`", "'")[:110]
            now = ", ".join(f"{many} {_ENDS[end]}" for end, many in one.get("now", {}).items() if many) or "not yet"
            yield f"| {signature} | {one['times']:,} | `{message}` | {now} |"


_ENDS = {"read": "answered", "refused": "refused", "failed": "**failed**"}
