"""Episodes laid out by place: each life over the stretches of practice that it meets."""

import numpy as np
import pandas as pd
import pyarrow as pa

from wearlab.history.episodes import EPISODE_TYPES, lay_out, spell_out
from wearlab.history.write_lives import _array

INFINITY = float("inf")
NONE = float("nan")


def spans(*cuts: tuple[float, int, str]) -> pd.DataFrame:
    """One truck's stretches: where each begins, on which day, in which class; the first is open to the left."""
    begin, day, duty = (list(column) for column in zip(*cuts, strict=True))
    return pd.DataFrame(
        {
            "unit_no": 7, "nth": range(1, len(cuts) + 1), "from_at": [-INFINITY, *begin[1:]],
            "to_at": [*begin[1:], INFINITY], "from_day": day, "to_day": [*day[1:], 2**31 - 1],
            "from_miles": begin, "to_miles": [*begin[1:], NONE], "duty_cycle": pd.Categorical(duty),
            "practised_miles": 5.0, "practice_source": pd.Categorical(["gaps"] * len(cuts)),
            "raw_practised_miles": 5.0, "gaps_behind": 1, "cups_purged_before": [float(n) for n in range(len(cuts))],
            "grease_grade_before": pd.Categorical([None, *["moly"] * (len(cuts) - 1)]),
        }
    )  # fmt: skip


def life(start: float, exit_: float, meets: tuple[int, int], *, lower: float = NONE) -> pd.DataFrame:
    """One failed life from its start on the truck's meter; the days are a tenth of the miles."""
    texts = {name: pd.Categorical([name]) for name in ("unit_id", "position", "component", "hardware", "shop")}
    numbers = {
        "life_id": 3, "unit_no": 7, "entry": 0.0, "exit": exit_, "failed": True, "lower": lower,
        "upper": NONE if np.isnan(lower) else exit_, "entry_day": int(start / 10), "end_day": int((start + exit_) / 10),
        "entry_miles": 0.0, "exit_miles": exit_, "start_at": start, "start_meter_miles": start, "after_entry": start,
        "before_exit": start + exit_, "after_lower": start + lower, "first_span": meets[0], "last_span": meets[1],
        "cups_purged_before": 9.0,
    }  # fmt: skip
    return pd.DataFrame({**texts, **numbers, "grease_grade_before": pd.Categorical(["lithium"])}, index=[0])


def test_a_life_is_cut_where_practice_changes_and_fails_on_its_last_stretch() -> None:
    laid = lay_out(life(50.0, 200.0, (1, 3)), spans((0.0, 0, "long"), (100.0, 10, "long"), (200.0, 20, "short")))
    assert laid["entry"].tolist() == [0.0, 50.0, 150.0]
    assert laid["exit"].tolist() == [50.0, 150.0, 200.0]
    assert laid["failed"].tolist() == [False, False, True]
    assert laid["entry_day"].tolist() == [5, 10, 20]
    assert laid["exit_day"].tolist() == [10, 20, 25]
    assert laid["duty_cycle"].tolist() == ["long", "long", "short"]
    assert laid["cups_purged_before"].tolist() == [9.0, 1.0, 2.0]
    assert spell_out(laid)["grease_grade_before"].tolist() == ["lithium", "moly", "moly"]
    assert list(laid) == list(EPISODE_TYPES)


def test_a_failure_found_at_an_inspection_keeps_its_interval_whole() -> None:
    laid = lay_out(
        life(50.0, 200.0, (1, 3), lower=100.0), spans((0.0, 0, "long"), (100.0, 10, "long"), (200.0, 20, "short"))
    )
    assert laid["exit"].tolist() == [50.0, 200.0]
    assert laid["failed"].tolist() == [False, True]
    assert np.isnan(laid["lower"][0])
    assert laid["lower"][1] == 100.0


def test_a_stretch_without_length_is_no_episode() -> None:
    laid = lay_out(life(50.0, 200.0, (1, 3)), spans((0.0, 0, "a"), (100.0, 10, "b"), (100.0, 10, "c")))
    assert laid["duty_cycle"].tolist() == ["a", "c"]


def test_the_codes_of_texts_have_one_type_in_files_however_many_texts_there_are() -> None:
    few, many = (_array(pd.Series(pd.Categorical([str(n) for n in range(size)]))) for size in (2, 200))
    assert few.type == many.type == pa.dictionary(pa.int32(), pa.string())
    none = _array(pd.Series(pd.Categorical([None, None])))
    assert none.type == few.type
    assert none.null_count == 2
