"""Answers on a terminal: the tables of the report in plain words, and text from data that cannot steer it."""

import re

import pandas as pd
import pytest

from tests.fake_study import Names, make_cluster, make_early, make_fits
from wearlab.terminal import print_cautions, print_tables, print_text

HOSTILE = "T1\x1b[31m\x1b]0;owned\x07\u202egnp\u2066\r\n=cmd()"
STEERING = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def test_a_table_has_the_headings_and_units_of_the_report(capsys: pytest.CaptureFixture[str]) -> None:
    print_tables(make_fits(Names()).tables(), command="fit", scale="engine_hours")
    out = capsys.readouterr().out
    assert "Life curves by part and duty cycle" in out
    assert "B10 life, engine hours" in out
    assert re.search(r"slip spline +line-haul +150 +40 +[\d,]+ \([\d,]+ to [\d,]+\)", out)


def test_tables_made_for_drawing_are_named_not_printed(capsys: pytest.CaptureFixture[str]) -> None:
    print_tables(make_fits(Names()).tables(), command="fit")
    last = capsys.readouterr().out.strip().splitlines()[-1]
    assert last.startswith("More tables (rows), whole with --json, or as CSV with --out DIR: curves (294), paper (3)")


def test_a_table_that_was_asked_for_is_not_folded_away(capsys: pytest.CaptureFixture[str]) -> None:
    print_tables(make_fits(Names()).tables(), command="fit", asked_for=("checks",))
    assert "Does the curve fit?" in capsys.readouterr().out


def test_a_long_table_shows_its_first_rows_in_order_and_says_how_many_there_are(
    capsys: pytest.CaptureFixture[str],
) -> None:
    print_tables({"units": make_early(Names()).tables()["units"]}, command="early")
    lines = capsys.readouterr().out.splitlines()
    assert "12 of 300 rows" in lines
    assert lines[2].startswith("T017")


def test_columns_that_were_asked_for_come_first(capsys: pytest.CaptureFixture[str]) -> None:
    fits = make_fits(Names()).tables()["fits"].assign(shop="north_yard")
    print_tables({"fits": fits}, command="fit", strata=("shop", "component"))
    heading, first = capsys.readouterr().out.splitlines()[1:3]
    assert heading.startswith("Shop")
    assert first.startswith("north yard  joint")


def test_money_has_its_currency(capsys: pytest.CaptureFixture[str]) -> None:
    parts = pd.DataFrame({"component": ["joint"], "cost": [1200.0], "cost_low": [900.0], "cost_high": [1500.0]})
    print_tables({"parts": parts}, command="forecast", currency="EUR")
    assert "Cost of the failures, EUR" in capsys.readouterr().out


def test_turns_of_a_joint_are_counted_in_larger_units(capsys: pytest.CaptureFixture[str]) -> None:
    row = {"component": "joint", "level": "regional", "failures": 140, "b10": 2.45e8, "rate_per_million": 0.000849}
    print_tables({"classes": pd.DataFrame([row])}, command="compare", scale="joint_cycles")
    heading, shown = capsys.readouterr().out.splitlines()[1:3]
    assert "B10 life, million joint turns" in heading
    assert "Failures per billion joint turns" in heading
    assert re.search(r"140 +245 +0\.849", shown)


def test_text_from_data_cannot_steer_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    names = Names(unit=HOSTILE, lot=HOSTILE)
    print_tables(make_early(names).tables(), command="early")
    print_tables(make_cluster(names).tables(), command="cluster")
    print_text(f"Found at {HOSTILE}")
    print_cautions((f"Lot {HOSTILE} stands out.",))
    said = capsys.readouterr()
    assert "T1\\u001b[31m" in said.out
    assert "\\u202e" in said.out
    assert "\\u001b" in said.err
    assert not STEERING.search(said.out)
    assert not STEERING.search(said.err)


def test_sentences_have_names_instead_of_codes_but_keep_those_of_settings(capsys: pytest.CaptureFixture[str]) -> None:
    print_text("boots at shop north_yard in line_haul: set same_event_days, see services_2020.csv")
    said = "boots at shop north yard in line-haul: set same_event_days, see services_2020.csv"
    assert capsys.readouterr().out.strip() == said
