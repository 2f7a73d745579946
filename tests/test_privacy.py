"""Who did the work, kept from view: pseudonyms at loading, and what readers outside the fleet do not see."""

import hashlib
import hmac
from pathlib import Path

import pytest

from tests.fleet_files import TODAY, TOML, account, aside, load_into, write_folder
from wearlab.evidence import DataError
from wearlab.history.outside import leave_out_personal
from wearlab.history.source import View, read_source
from wearlab.history.store import IN_MEMORY, open_store

KEY = b"sixteen bytes or more of chance"
ROWS = "service_id,unit_id,date,action,crew,driver,note\nS1,T1,2020-01-01,regrease,A. Body,N. One,saw A. Body\n"


def private(tmp_path: Path, more: str = "", **files: str) -> Path:
    (tmp_path / "fleet.key").write_bytes(KEY)
    toml = TOML + f'\n[privacy]\npseudonyms = ["crew", "driver"]\nleave_out = ["note"]\n{more}'
    return write_folder(tmp_path / "f", toml, **{"services": ROWS, **files})


def test_a_pseudonym_is_the_keyed_hash_of_the_text_and_the_text_is_nowhere_in_the_store(tmp_path: Path) -> None:
    folder, path = private(tmp_path, 'key_file = "../fleet.key"'), tmp_path / "s.duckdb"
    with open_store(str(path)) as store:
        load_into(folder, store)
        crew, attributes, note = store.row("select crew, attributes, note from services")
    assert crew == hmac.new(KEY, b"A. Body", hashlib.sha256).hexdigest()[:16]
    assert attributes == {"driver": hmac.new(KEY, b"N. One", hashlib.sha256).hexdigest()[:16]}
    assert note is None
    content = b"".join(file.read_bytes() for file in tmp_path.glob("s.duckdb*"))
    assert b"Body" not in content
    assert KEY not in content


def test_a_row_that_is_no_row_is_set_aside_without_its_text(tmp_path: Path) -> None:
    folder = private(tmp_path, 'key_file = "../fleet.key"', services=ROWS + "S2,T1,2020-01-01,regrease,A. Body\n")
    with open_store(IN_MEMORY) as store:
        loaded = load_into(folder, store)
        assert aside(loaded) == [("services.csv", 3, None, None)]


def test_the_key_may_stand_in_the_environment_and_another_key_reads_all_afresh(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = private(tmp_path)
    monkeypatch.delenv("WEARLAB_PRIVACY_KEY", raising=False)
    with open_store(IN_MEMORY) as store:
        with pytest.raises(DataError) as caught:
            load_into(folder, store)
        assert caught.value.code == "no-key"
        seen = []
        for key in (KEY, KEY, b"another key of enough bytes"):
            monkeypatch.setenv("WEARLAB_PRIVACY_KEY", key.decode())
            loaded = load_into(folder, store)
            seen.append((account(loaded)["services"], store.row("select crew from services")[0]))
    assert [rows for rows, _ in seen] == [(1, 1, 0, 0), (1, 0, 0, 1), (1, 1, 0, 0)]
    assert seen[0][1] == seen[1][1] != seen[2][1]


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ('key_file = "fleet.key"', "key-inside"),
        ('key_file = "../none.key"', "no-key"),
        ('pseudonym = "x"', "unknown-setting"),
    ],
)
def test_a_key_in_the_folder_or_one_that_is_not_there_is_refused(tmp_path: Path, more: str, code: str) -> None:
    with pytest.raises(DataError) as caught, open_store(IN_MEMORY) as store:
        load_into(private(tmp_path, more), store)
    assert caught.value.code == code


@pytest.mark.parametrize("name", ["date", "action", "duty_cycle"])
def test_only_free_text_has_a_pseudonym(tmp_path: Path, name: str) -> None:
    folder = write_folder(tmp_path / "f", TOML + f'\n[privacy]\npseudonyms = ["{name}"]\n')
    with pytest.raises(DataError) as caught, open_store(IN_MEMORY) as store:
        load_into(folder, store)
    assert caught.value.code == "bad-setting"


def test_a_history_for_outside_readers_has_no_column_that_says_who(tmp_path: Path) -> None:
    services = (
        "service_id,unit_id,date,miles,action,position,reason,crew,driver,shop\n"
        "S1,T1,2020-01-01,1000,replace,main.joint.1,failure,A. Body,N. One,north\n"
        "S2,T1,2021-01-01,9000,regrease,,,A. Body,N. One,north\n"
    )
    folder = write_folder(tmp_path / "f", services=services)
    view = View(None, None, 0.9, TODAY, unknown_as_failure=False)
    history, _ = read_source(folder, view, store_path=IN_MEMORY, progress=lambda _: None)
    assert {"crew", "driver", "shop"} <= set(history.factors)
    outside = leave_out_personal(history)
    assert {"crew", "driver"}.isdisjoint({*outside.factors, *outside.lives})
    assert "shop" in outside.factors
    assert outside.stops["crew"].isna().all()
    assert "crew, driver" in outside.cautions[-1].text
