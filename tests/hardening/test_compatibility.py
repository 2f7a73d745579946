"""A store that the first version wrote: it says how to go on, and the fleet folder makes it afresh."""

import gzip
from pathlib import Path

from tests.fleet_files import write_folder
from tests.hardening.test_found import answer
from wearlab.cli import run

# Written by ``wearlab load`` of version 0.1.0 (store format 1) from the folder of tests/fleet_files.py.
FIRST = Path(__file__).parents[1] / "data" / "store_format_1.duckdb.gz"


def test_a_store_of_the_first_format_is_left_alone_and_says_how_to_go_on(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    store = folder / "wearlab.duckdb"
    written = gzip.decompress(FIRST.read_bytes())
    store.write_bytes(written)
    for command in ("lives", "check"):
        status, document, _ = answer(command, folder)
        assert status == 2
        assert document["error"]["code"] == "store-version"
        assert "delete the store: it is made afresh from the fleet folder" in document["error"]["fix"]
    assert store.read_bytes() == written
    store.unlink()
    assert run(["lives", str(folder)]) == 0
    assert run(["check", str(folder)]) == 0
