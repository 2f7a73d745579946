"""Hostile input for every reader: fleet.toml, lives files, and tables as CSV, gzip, Parquet and XLSX.

Run ``python -m tests.hardening.readers --engine seeds --cases 90000`` (or ``--engine atheris``, which looks for input
that reaches new code; it must be installed): the counts are added to ``fuzzing.json`` beside this file, and the table
``fuzzing.md`` is written again. Each case must end in a result or in a DataError of one line with a fix, within 30 s.
``--again`` runs the failures met so far once more.
"""

import argparse
import csv
import gzip
import hashlib
import io
import math
import random
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.hardening.campaign import Campaign, Fed, write_table
from tests.hardening.files import write_spoiled
from tests.hardening.hostile import FILE_NAMES, spoil_bytes
from tests.hardening.settings import write_settings
from tests.hardening.tiny import make_fleet, make_lives
from wearlab.evidence import DataError
from wearlab.history.config import FleetConfig, TableMap
from wearlab.history.config_reader import read_config
from wearlab.history.contract import find_table
from wearlab.history.lives_file import read_lives_file
from wearlab.history.load_files import lay_out, open_file
from wearlab.history.load_rows import DataFile
from wearlab.history.mapping import draft_mapping

Case = Callable[[random.Random, Path], str]

_OPTIONS = (
    {}, {}, {}, {"delimiter": ";"}, {"quote": ""}, {"quote": "'"}, {"encoding": "cp1252"}, {"encoding": "utf-16"},
    {"decimal": ","}, {"sheet": "Sheet1"}, {"encoding": "rot13"}, {"encoding": "hex"}, {"delimiter": "x"},
    {"quote": ","}, {"encoding": "idna"}, {"encoding": "unicode_escape"}, {"encoding": "utf-7"}, {"delimiter": "\n"},
    {"quote": "\n"},
)  # fmt: skip


def read_settings(rnd: random.Random, folder: Path) -> str:
    """Read a fleet.toml; every number of what it gives must be finite and every distance above or at zero."""
    (folder / "fleet.toml").write_bytes(write_settings(rnd))
    config = read_config(folder)
    for value in (config.same_event_days, config.same_event_miles, config.interval_grid, config.max_set_aside_share):
        assert math.isfinite(value) and value >= 0
    return "read"


def read_lives(rnd: random.Random, folder: Path) -> str:
    """Read a lives file; every life of what it gives must have ages that can be."""
    kind = rnd.choice(("csv", "csv", "csv", "parquet"))
    path = folder / f"lives.{kind}"
    path.write_bytes(write_spoiled(rnd, make_lives(rnd), kind))
    lives = read_lives_file(path, scale=rnd.choice((None, "hours", "miles", "")), level=0.9).lives
    ages = lives[["entry", "exit", "count"]].to_numpy()
    assert np.isfinite(ages).all() and (lives["entry"] < lives["exit"]).all() and (lives["count"] > 0).all()
    between = lives["lower"].notna()
    assert (lives.loc[between, "lower"] < lives.loc[between, "upper"]).all()
    return "read"


def read_table(kind: str) -> Case:
    """Return the case of one file of a format: opened, laid out, and read to its last row, every row accounted for."""

    def read(rnd: random.Random, folder: Path) -> str:
        table = rnd.choice(("services", "services", "units", "positions", "readings"))
        path = folder / f"{table}.{kind}"
        content = write_spoiled(rnd, make_fleet(rnd)[table], kind)
        path.write_bytes(content)
        file = DataFile(path.name, path, table, rnd.choice(_OPTIONS))
        sheet = open_file(file, FleetConfig())
        lay_out(file, sheet, find_table(table), TableMap())
        rows = malformed = 0
        for batch in sheet.batches:
            rows, malformed = rows + batch.rows.num_rows, malformed + len(batch.malformed)
            assert not batch.rows.num_rows or batch.rows.num_columns == len(sheet.header) + 1
        assert sheet.rows_expected in {None, rows}
        if kind in {"csv", "csv.gz"} and not file.options:
            _count_again(gzip.decompress(content) if kind == "csv.gz" else content, rows + malformed)
        return "read"

    return read


def _count_again(content: bytes, found: int) -> None:
    """Hold the rows against the standard library's count where the text is plain enough to have but one reading."""
    text = content.decode("utf-8", errors="replace")
    if set(text) & set('"\r\x00\ufffd;\t|\ufeff') or not content or max(map(len, text.split(","))) > 100_000:
        return
    records = [row for row in csv.reader(io.StringIO(text)) if row]
    assert found == len(records) - 1, (found, len(records) - 1)


def read_folder(rnd: random.Random, folder: Path) -> str:
    """Draft a mapping for a folder of unknown files of any names and formats."""
    for table in make_fleet(rnd).values():
        kind = rnd.choice(("csv", "csv", "csv.gz", "parquet", "xlsx"))
        name = rnd.choice((*FILE_NAMES, f"{table[0][0][:20].replace('/', '')}.{kind}", f"x.{kind}"))
        content = write_spoiled(rnd, table, kind)
        (folder / name).write_bytes(spoil_bytes(rnd, content) if rnd.random() < 0.1 else content)
    draft_mapping(folder)
    return "read"


CASES: dict[str, Case] = {
    "fleet.toml": read_settings,
    "lives file": read_lives,
    "CSV": read_table("csv"),
    "gzip": read_table("csv.gz"),
    "Parquet": read_table("parquet"),
    "XLSX": read_table("xlsx"),
    "unknown folder": read_folder,
}
_WEIGHTS = {"fleet.toml": 8, "lives file": 5, "CSV": 6, "gzip": 3, "Parquet": 3, "XLSX": 2, "unknown folder": 1}


def run_case(name: str, rnd: random.Random, parent: Path) -> str:
    """Return how one case ended: ``read`` or ``refused``; anything else is raised."""
    with tempfile.TemporaryDirectory(dir=parent) as folder:
        try:
            return CASES[name](rnd, Path(folder))
        except DataError as error:
            assert "\n" not in str(error) and error.text and error.code and len(str(error)) < 3000, str(error)[:3000]
            return "refused"


def seed_of(name: str, number: int) -> random.Random:
    """Return the source of chance of one case, the same on every machine."""
    return random.Random(int.from_bytes(hashlib.sha256(f"{name} {number}".encode()).digest()[:8]))


def _chance_of(name: str, engine: str, seed: str) -> random.Random:
    return Fed(bytes.fromhex(seed)) if engine == "atheris" else seed_of(name, int(seed))


def main() -> None:
    """Run some cases more, and write the table again."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--engine", choices=("seeds", "atheris"), default="seeds")
    parser.add_argument("--cases", type=int, default=20_000)
    parser.add_argument("--seconds", type=float, default=540)
    parser.add_argument("--only", choices=tuple(CASES))
    parser.add_argument("--again", action="store_true")
    asked = parser.parse_args()
    names = [asked.only] if asked.only else [name for name in CASES for _ in range(_WEIGHTS[name])]
    campaign = Campaign("readers", asked.engine)
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as parent:
        place = Path(parent)
        if asked.again:
            campaign.again(lambda name, engine, seed: run_case(name, _chance_of(name, engine, seed), place))
        elif asked.engine == "atheris":
            campaign.guide(lambda name, rnd: run_case(name, rnd, place), names, asked.cases, asked.seconds)
        else:
            campaign.sow(
                lambda name, number: run_case(name, seed_of(name, number), place), names, asked.cases, asked.seconds
            )
    write_table()


if __name__ == "__main__":
    main()
