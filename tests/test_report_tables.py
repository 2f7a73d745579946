"""The rows that a table of the page shows are the first of the whole frame in its order, ties and blanks included."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlab.show.fields import TOP_ROWS
from wearlab.show.tables import lay_out

CHANCES = st.one_of(st.integers(0, 20).map(lambda tenths: tenths / 20), st.just(float("nan")))
ROWS = st.lists(st.tuples(CHANCES, st.integers(0, 99), st.integers(1, 3)), min_size=10, max_size=60)


@pytest.mark.parametrize(
    ("question", "table", "column", "rising", "most"),
    [("forecast", "units", "probability", False, TOP_ROWS), ("due", "work", "days_left", True, 20)],
)
@given(rows=ROWS)
def test_the_rows_shown_are_the_first_of_all_in_order(
    rows: list[tuple[float, int, int]], question: str, table: str, column: str, rising: bool, most: int
) -> None:
    frame = pd.DataFrame(rows, columns=[column, "unit_id", "position"])
    frame["unit_id"] = [f"T{number:02}" for number in frame["unit_id"]]
    frame["position"] = [f"main.joint.{number}" for number in frame["position"]]
    shown = lay_out(question, table, frame, section="s", units={})
    whole = frame.sort_values([column, "unit_id", "position"], ascending=[rising, True, True], kind="stable")
    assert shown.total == len(frame)
    place = [heading for heading, _ in shown.headings].index("Truck")
    assert [row[place].text for row in shown.rows] == whole["unit_id"].head(most).tolist()
