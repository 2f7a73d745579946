"""The same answer to the last byte, however many threads the machine offers and in whatever order the files come."""

import os
import subprocess
import sys
from pathlib import Path

DEMO = Path(__file__).parent.parent / "demo_data"


def document(command: str, source: Path, threads: int) -> bytes:
    offered = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), str(threads))
    done = subprocess.run(
        [sys.executable, "-m", "wearlab", command, str(source), "--json", "--store", ":memory:"],
        capture_output=True,
        check=False,
        env={**os.environ, **offered},
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_any_number_of_threads_gives_the_same_document() -> None:
    """The committed demo fleet: left alone, a product of 15 columns there ends in other digits on two threads."""
    alone = document("early", DEMO, 1)
    assert document("early", DEMO, 2) == alone
    assert document("early", DEMO, 8) == alone


def test_the_order_of_files_and_rows_does_not_change_an_answer(small_fleet: Path, tmp_path: Path) -> None:
    """Every file back to front, and split files under names that load in another order."""
    turned = tmp_path / small_fleet.name
    turned.mkdir()
    for path in small_fleet.iterdir():
        if path.suffix == ".csv":
            header, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
            stem, _, part = path.stem.partition("-")
            name = f"{stem}-{9999 - int(part)}.csv" if part else path.name
            (turned / name).write_text("".join([header, *reversed(rows)]), encoding="utf-8")
        elif path.suffix == ".toml":
            (turned / path.name).write_bytes(path.read_bytes())
    assert document("early", turned, 2) == document("early", small_fleet, 2)
