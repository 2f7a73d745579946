"""The study: every answer once, every caution carried to the page, the same input the same bytes."""

import re
from dataclasses import replace
from datetime import date

import pytest
from markupsafe import escape

from wearlab.demo import write_demo
from wearlab.evidence import Unanswered
from wearlab.show.document import plain_value
from wearlab.show.figures import SETTINGS, show_sentence
from wearlab.show.report import render_report
from wearlab.show.words import explain
from wearlab.study import Settings, Study, run_study, second_process, study_history


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """The whole road walked once over an invented fleet of 90 trucks."""
    folder = tmp_path_factory.mktemp("study") / "fleet"
    write_demo(folder, seed=3, trucks=90)
    settings = Settings(today=date(2026, 11, 1), store=":memory:", cluster_components=("boot",))
    return run_study(folder, settings, progress=lambda _: None)


def test_every_caution_of_the_history_stands_in_every_result_made_from_it(study: Study) -> None:
    for result in study.results():
        if result is study.loaded:
            continue
        missing = set(study.history.cautions) - set(result.cautions)
        assert not missing, type(result).__name__


def test_every_caution_of_every_result_stands_on_the_page(study: Study) -> None:
    page = render_report(study)
    for caution in study.cautions:
        assert str(escape(show_sentence(caution.text))) in page, caution.text


def test_every_column_of_every_table_is_explained(study: Study) -> None:
    columns = {str(column) for frame in study.tables().values() for column in frame.columns}
    assert sorted(column for column in columns if explain(column) is None) == []


def test_no_code_of_the_data_stands_on_the_page_outside_file_names(study: Study) -> None:
    page = re.sub(r"<(script|style|svg).*?</\1>|<[^>]*>", " ", render_report(study), flags=re.DOTALL)
    codes = {word for word in re.findall(r"[a-z]+_[a-z_]+[a-z](?![\w.])", page) if word not in SETTINGS}
    assert codes & {"line_haul", "slip_spline", "center_bearing", "north_yard", "look_first", "joint_play"} == set()


def test_the_forecast_is_tried_on_an_earlier_day(study: Study) -> None:
    tried = study.tables()["backtest_backtest"]
    assert [day.isoformat() for day in tried["as_of"]] == ["2025-06-30"]
    assert "picture-calibration" in render_report(study)


def test_every_question_is_answered_for_the_demo_fleet(study: Study) -> None:
    for result in study.results():
        assert not isinstance(result, Unanswered), result


def test_the_page_is_the_same_to_the_byte(study: Study) -> None:
    assert render_report(study) == render_report(study)


def test_a_second_process_gives_the_same_page(study: Study) -> None:
    with second_process() as pool:
        again = study_history(study.history, study.loaded, study.settings, progress=lambda _: None, pool=pool)
    assert render_report(again) == render_report(replace(study, backtest=None, driveline=None))


def test_no_table_holds_an_infinite_number(study: Study) -> None:
    for name, frame in study.tables().items():
        numbers = frame.select_dtypes("number")
        assert not numbers.isin([float("inf"), float("-inf")]).to_numpy().any(), name


def test_every_low_is_below_its_high_and_holds_its_estimate(study: Study) -> None:
    for name, frame in study.tables().items():
        for low in (column for column in map(str, frame.columns) if column.endswith("_low")):
            high, estimate = low.removesuffix("low") + "high", low.removesuffix("_low")
            if high not in frame or not {low, high} <= set(frame.select_dtypes("number").columns):
                continue
            rows = frame[frame[low].notna() & frame[high].notna()]
            assert (rows[low] <= rows[high]).all(), (name, low)
            if estimate in rows.select_dtypes("number"):
                known = rows[rows[estimate].notna()]
                slack = 1e-9 * known[estimate].abs()
                held = (known[low] <= known[estimate] + slack) & (known[estimate] <= known[high] + slack)
                assert held.all(), (name, estimate, plain_value(known[~held].iloc[0].to_dict()))
