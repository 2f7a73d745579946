"""Lives written to files: the tables of a History, whole or not at all."""

from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from tests.same_tables import differences
from wearlab.demo import write_demo
from wearlab.evidence import DataError
from wearlab.history import pieces
from wearlab.history.source import View, read_source, write_source

VIEW = View(None, None, 0.9, date(2026, 11, 24), unknown_as_failure=False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("written") / "fleet"
    write_demo(made, seed=2, trucks=25)
    return made


def test_what_is_written_is_what_a_history_holds(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    history, _ = read_source(folder, VIEW, store_path=":memory:", progress=lambda _: None)
    monkeypatch.setattr(pieces, "PIECE_ROWS", 500)
    written = write_source(folder, VIEW, tmp_path / "out", store_path=":memory:", progress=lambda _: None)
    found = {name: pd.read_parquet(tmp_path / "out" / name) for name in written.written["table"]}
    wanted = {"lives": history.lives.drop(columns=list(history.factors)), "episodes": history.episodes,
              "gaps": history.gaps}  # fmt: skip
    for name, frame in wanted.items():
        assert differences(found[name].astype(frame.dtypes.to_dict()), frame) == [], name
    assert written.written.set_index("table")["rows"].to_dict() == {name: len(rows) for name, rows in found.items()}
    assert (written.basis.lives, written.basis.failures) == (history.basis.lives, history.basis.failures)
    assert len(found["factors"]) == history.lives[list(history.factors)].notna().sum().sum()


def test_the_lives_to_fit_are_a_plain_lives_file(folder: Path, tmp_path: Path) -> None:
    write_source(folder, VIEW, tmp_path / "out", store_path=":memory:", progress=lambda _: None)
    history, _ = read_source(folder, VIEW, store_path=":memory:", progress=lambda _: None)
    again, _ = read_source(
        tmp_path / "out" / "to_fit" / "to_fit.parquet", VIEW, store_path=None, progress=lambda _: None
    )
    mine = history.lives[history.lives["fittable"]].reset_index(drop=True)
    columns = ["unit_id", "position", "component", "duty_cycle", "entry", "exit", "failed", "lower", "upper"]
    assert differences(again.lives[columns], mine[columns]) == []


def test_a_folder_that_is_there_is_refused_and_left_as_it_was(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    with pytest.raises(DataError) as refused:
        write_source(folder, VIEW, tmp_path / "out", store_path=":memory:", progress=lambda _: None)
    assert refused.value.code == "folder-exists"
    assert list(tmp_path.iterdir()) == [tmp_path / "out"]


def test_nothing_is_left_where_the_writing_fails(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise OSError("no space")

    monkeypatch.setattr("wearlab.history.write_lives._write_batch", fail)
    with pytest.raises(OSError, match="no space"):
        write_source(folder, VIEW, tmp_path / "out", store_path=":memory:", progress=lambda _: None)
    assert list(tmp_path.iterdir()) == []
