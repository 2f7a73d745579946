"""wearlab driveline as it is typed: a line of joints, its pictures, a fleet's own limits, and what is refused."""

from pathlib import Path

import pytest

from tests.command import Ran, run_here

LINE = ("--angles", "5,3.5", "--unloaded", "4,3", "--speed", "2600", "--tube", "101.6,3.2,2400", "--torque", "5000")


def ask(source: Path, *options: str | Path) -> Ran:
    return run_here("driveline", source, *options)


@pytest.fixture
def lives_file(tmp_path: Path) -> Path:
    path = tmp_path / "lives.csv"
    path.write_text("exit,failed\n120000,1\n150000,0\n", encoding="utf-8")
    return path


def test_a_line_is_checked_with_no_fleet_behind_it_and_says_what_to_change(lives_file: Path) -> None:
    ran = ask(lives_file, *LINE, "--spline", "35,20", "--drive", "3.55,513", "--planes", "0", "--json")
    assert ran.status == 0, ran.err
    document = ran.document()
    assert {"checks", "mended", "joints", "shafts", "figures", "references", "turn"} <= set(document)
    changes = {row["joint"]: row["becomes_deg"] for row in document["mended"]}
    assert all(angle <= 3.0 for angle in changes.values())
    assert all(row["source"] for row in document["references"])
    assert any("no design tool" in text for text in document["cautions"])


def test_its_pictures_are_written_into_a_folder(lives_file: Path, tmp_path: Path) -> None:
    ran = ask(lives_file, *LINE, "--picture", tmp_path / "pictures")
    assert ran.status == 0, ran.err
    written = {path.name for path in (tmp_path / "pictures").iterdir()}
    assert written == {"turn_1.svg", "turn_2.svg", "margin_1.svg", "picture_turn.csv", "picture_margin.csv"}
    assert "preferred angle" in ran.out
    assert "US Army TM 5-4210-230-14&P-1" in ran.out


def test_a_folder_of_pictures_that_cannot_be_written_is_refused(lives_file: Path) -> None:
    ran = ask(lives_file, *LINE, "--picture", lives_file / "pictures")
    assert ran.status == 2
    assert "Fix:" in ran.err
    assert "Traceback" not in ran.err


def test_with_nothing_to_look_at_the_question_has_no_answer(lives_file: Path) -> None:
    ran = ask(lives_file)
    assert ran.status == 1
    assert "--angles" in ran.err
