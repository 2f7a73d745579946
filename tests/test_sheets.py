"""The work list on paper: a sheet per shop, weeks in order, nothing from the data that a browser would run."""

from datetime import date
from html.parser import HTMLParser

import pandas as pd
import pytest

from wearlab.answers.due import WorkList, of_shop
from wearlab.evidence import SAFETY, Basis, DataError
from wearlab.show.sheets import draw_sheets

BASIS = Basis("made up for a test", (), date(2026, 6, 30), "miles", 0.9, (), 0, 0)


def _work(**first: object) -> pd.DataFrame:
    row = {
        "unit_id": "A",
        "position": "main.joint.1",
        "task": "inspect",
        "due_miles": 100_000.0,
        "due_date": date(2026, 6, 30),
        "status": "look_first",
        "why": "joint play 0.0058 in, limit 0.006",
        "shop": "north",
        "week": date(2026, 6, 29),
        "minutes": 10,
        "parts": None,
    }
    rows = [
        row | first,
        row | first | {"position": None, "task": "regrease", "status": "due", "minutes": 18, "parts": "grease"},
        row | {"unit_id": "C", "task": "regrease", "status": "soon", "week": date(2026, 7, 20)},
        row | {"unit_id": "B", "shop": "south"},
        row | {"unit_id": "D", "shop": None},
    ]
    return pd.DataFrame(rows)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        del attrs
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def _read(page: str) -> _Reader:
    reader = _Reader()
    reader.feed(page)
    return reader


def test_every_shop_has_a_sheet_and_every_job_a_row() -> None:
    page = draw_sheets(_work(), BASIS, SAFETY.text)
    reader = _read(page)
    assert reader.tags.count("section") == 3
    assert reader.tags.count("tr") == 5 + 4  # jobs, and one row of headings for each shop's week
    assert page.count("Inspect before greasing") == 3
    titles = [text for text in reader.texts if text.endswith(": work list")]
    assert titles == ["Shop not recorded: work list", "north: work list", "south: work list"]
    assert page.index("29 June 2026") < page.index("20 July 2026")
    assert "2 trucks, 3 jobs, about 38 minutes of work." in page


def test_a_truck_is_inspected_before_it_is_greased_on_paper_too() -> None:
    cells = [text for text in _read(draw_sheets(_work(), BASIS, SAFETY.text)).texts if text in ("Inspect", "Regrease")]
    assert cells == ["Inspect", "Inspect", "Regrease", "Regrease", "Inspect"]


def test_text_of_the_data_stays_text() -> None:
    nasty = '<script>alert("x")</script>'
    page = draw_sheets(_work(unit_id=nasty, why=nasty, shop=nasty, position=nasty), BASIS, SAFETY.text)
    assert "script" not in _read(page).tags
    assert "&lt;script&gt;" in page


def test_nothing_due_is_said() -> None:
    assert "Nothing is due" in draw_sheets(_work().iloc[:0], BASIS, SAFETY.text)


def test_the_page_asks_the_network_for_nothing() -> None:
    page = draw_sheets(_work(), BASIS, SAFETY.text)
    assert "http://" not in page
    assert "https://" not in page
    assert "default-src 'none'" in page


def test_one_shops_work_can_be_asked_for() -> None:
    work = _work()
    made = WorkList(BASIS, (), work, work[["shop"]], work[["shop"]])
    assert of_shop(made, "south").work["unit_id"].tolist() == ["B"]
    with pytest.raises(DataError, match="shop"):
        of_shop(made, "nord")
