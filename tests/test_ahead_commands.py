"""The commands that look ahead, as a user types them."""

from pathlib import Path

from tests.command import run_here


def test_trucks_that_join_and_the_service_level_can_be_given(small_fleet: Path) -> None:
    asked = ("--joining", "vocational=1,regional=0.5", "--service-level", "0.99", "--json")
    document = run_here("forecast", small_fleet, *asked).document()
    assert {row["duty_cycle"]: row["trucks"] for row in document["joining"]} == {"vocational": 12, "regional": 6}
    assert {row["service_level"] for row in document["parts"]} == {0.99}
    assert {"shop", "component", "stock"} <= set(document["shelves"][0])


def test_a_shops_work_is_written_as_a_page_and_a_calendar(small_fleet: Path, tmp_path: Path) -> None:
    page, calendar = tmp_path / "work.html", tmp_path / "work.ics"
    shop = "quarry"
    ran = run_here("due", small_fleet, "--shop", shop, "--page", page, "--calendar", calendar, "--json")
    assert ran.status == 0, ran.err
    work = ran.document()["work"]
    assert {row["shop"] for row in work} == {shop}
    text = page.read_text(encoding="utf-8")
    assert text.count("<section") == 1
    assert all(row["unit_id"] in text for row in work)
    assert calendar.read_bytes().count(b"BEGIN:VEVENT") == len(work)
    assert [row["week"] for row in work] == sorted(row["week"] for row in work)


def test_an_interval_that_is_no_number_is_refused(small_fleet: Path) -> None:
    assert run_here("forecast", small_fleet, "--adopt", "vocational=soon").status == 2


def test_trucks_that_join_are_not_counted_in_where_they_would_be_forgotten(small_fleet: Path) -> None:
    for other in (("--ahead", "3"), ("--backtest",), ("--adopt", "vocational=6000")):
        ran = run_here("forecast", small_fleet, "--joining", "vocational=1", *other)
        assert ran.status == 2
        assert "--joining" in ran.err
