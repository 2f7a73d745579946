"""Numbers under stress: a sensible answer or a clear refusal; never NaN, infinity, an interval without its estimate."""

import random
from collections.abc import Mapping
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.hardening.files import Table
from tests.hardening.numbers import find_faults, find_faults_in_files
from tests.hardening.test_found import answer, lives

TOML = "records_from = {start}\nas_of = {end}\nmax_set_aside_share = 1.0\n"
COSTS = "[costs]\nregrease_stop = {stop}\njoint = {{ planned = {planned}, failure = {failure} }}\n"
OPTIONAL = ("lube_plan", "duty_changes", "measurements")


def test_the_checker_finds_what_cannot_be() -> None:
    good = {
        "fits": [{"beta": 2.0, "beta_low": 1.0, "beta_high": 3.0, "p_value": 0.5}],
        "totals": [{"expected": 1, "low": 0}],
    }
    assert find_faults(good) == []
    assert find_faults({"fits": [{"beta": 4.0, "beta_low": 1.0, "beta_high": 3.0}]})
    assert find_faults({"fits": [{"beta": 0.5, "beta_low": 1.0, "beta_high": None}]})
    assert find_faults({"totals": [{"expected": 5.0, "low": 1.0, "high": 4.0}]})
    assert find_faults({"units": [{"probability": 0.9, "low": 0.3, "high": 0.95, "expected": 2.7}]}) == []
    assert find_faults({"units": [{"probability": 0.2, "low": 0.3, "high": 0.95, "expected": 0.5}]})
    assert find_faults({"x": [{"p_value": 1.5}]})
    assert find_faults({"x": [float("nan")]})


@pytest.mark.parametrize(
    ("name", "bad", "good"),
    [
        ("a.json", '{"x": [NaN]}', '{"x": [1.0, null, "nan"]}'),
        ("b_fits.csv", "beta,beta_low,beta_high\n4,1,3\n", "beta,beta_low,beta_high\n2,1,\n"),
        ("c.csv", "cost,unit\ninf,T1\n", "cost,unit\n1e9,T1\n"),
        ("d.html", "<td>nan</td>", "<td>information, finance, nan-o</td>"),
        ("e.svg", '<path d="M 1 -inf"/>', '<path d="M 1 -1"/>'),
    ],
)
def test_the_checker_finds_it_in_every_kind_of_file(name: str, bad: str, good: str, tmp_path: Path) -> None:
    (tmp_path / name).write_text(good, encoding="utf-8")
    assert find_faults_in_files(tmp_path) == []
    (tmp_path / name).write_text(bad, encoding="utf-8")
    assert len(find_faults_in_files(tmp_path)) == 1


def make_fleet(
    *, trucks: int = 8, start: date = date(2020, 1, 1), scale: float = 1.0, fail: float = 0.25
) -> dict[str, Table]:
    """A plain fleet: monthly stops and readings, two joints a truck, failures at random with a seed."""
    rnd = random.Random(5)
    fleet: dict[str, Table] = {
        "units": [["unit_id", "duty_cycle", "in_service_date"]],
        "positions": [["unit_id", "position", "component"]],
        "services": [["service_id", "unit_id", "date", "miles", "position", "action", "reason"]],
        "readings": [["unit_id", "date", "miles"]],
    }
    for number in range(trucks):
        unit, kind = f"T{number}", ("line_haul", "vocational")[number % 2]
        fleet["units"].append([unit, kind, start.isoformat()])
        fleet["positions"] += [[unit, f"joint.{place}", "joint"] for place in (1, 2)]
        for month in range(1, 25):
            day = (start + timedelta(days=30 * month)).isoformat()
            miles = repr((4000.0 + 100 * number) * month * scale)
            fleet["readings"].append([unit, day, miles])
            fleet["services"].append([f"R{number}.{month}", unit, day, miles, "", "regrease", ""])
            if rnd.random() < fail:
                place = f"joint.{rnd.choice((1, 2))}"
                fleet["services"].append([f"F{number}.{month}", unit, day, miles, place, "replace", "failure"])
    return fleet


def write(
    folder: Path, fleet: Mapping[str, Table], more: str = "", *, start: str = "2020-01-01", end: str = "2022-06-30"
) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "fleet.toml").write_text(TOML.format(start=start, end=end) + more, encoding="utf-8")
    for name, table in fleet.items():
        text = "".join(",".join(row) + "\n" for row in table)
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def ask(source: Path, *commands: str) -> dict[str, dict[str, Any]]:
    """The documents of some commands on one source; each was answered, or refused in words."""
    found = {}
    for command in commands:
        status, document, said = answer(command, source)
        assert status == 0 or (status in {1, 2} and len(document["error"]["text"]) > 10), said
        found[command] = document
    return found


@pytest.mark.parametrize("scale", [1e-7, 1e-3, 1e4])
def test_odometers_from_a_thousandth_of_a_mile_to_a_thousand_million(scale: float, tmp_path: Path) -> None:
    found = ask(write(tmp_path / "f", make_fleet(scale=scale)), "lives", "fit", "compare")
    assert sum(row["lives"] for row in found["lives"]["groups"]) > 0


@pytest.mark.parametrize("size", [1e-3, 1.0, 1e9])
def test_ages_of_any_size_give_the_same_shape(size: float, tmp_path: Path) -> None:
    rows = "".join(f"{size * (50 + 37 * i % 900)!r},{int(i % 3 > 0)},u{i % 9}\n" for i in range(60))
    found = ask(lives(tmp_path, "exit,failed,unit_id\n" + rows), "fit", "early", "cluster")
    (row,) = found["fit"]["fits"]
    assert row["beta"] == pytest.approx(1.789, abs=0.3)
    assert row["eta"] / size == pytest.approx(600, rel=0.3)


def test_one_part(tmp_path: Path) -> None:
    for failed in (0, 1):
        path = lives(tmp_path, f"exit,failed\n5000,{failed}\n")
        found = ask(path, "lives", "fit", "early", "compare", "cluster", "forecast")
        assert found["lives"]["groups"][0]["lives"] == 1


def test_one_truck_with_one_part(tmp_path: Path) -> None:
    fleet = make_fleet(trucks=1, fail=0.0)
    fleet["positions"] = fleet["positions"][:2]
    ask(write(tmp_path / "f", fleet), "lives", "fit", "compare", "wear", "classes", "due", "forecast")


def test_one_failure(tmp_path: Path) -> None:
    fleet = make_fleet(fail=0.0)
    fleet["services"].append(["F", "T1", "2021-06-01", "60000", "joint.1", "replace", "failure"])
    found = ask(
        write(tmp_path / "f", fleet, COSTS.format(stop=100, planned=300, failure=2000)), "fit", "compare", "intervals"
    )
    assert sum(row["failures"] for row in found["fit"]["fits"]) == 1


def test_all_failures_at_one_mile(tmp_path: Path) -> None:
    rows = "".join(f"5000,1,u{i % 4}\n" for i in range(20))
    ask(lives(tmp_path, "exit,failed,unit_id\n" + rows), "fit", "early", "cluster", "compare")
    ask(lives(tmp_path, "exit,failed,unit_id\n" + rows + "9000,0,u1\n2000,0,u2\n"), "fit", "early", "cluster")


def test_forty_modes(tmp_path: Path) -> None:
    rows = "".join(f"{100 + 37 * i % 900},1,mode {i % 40},u{i % 9}\n" for i in range(120))
    path = lives(tmp_path, "exit,failed,mode,unit_id\n" + rows)
    ask(path, "lives", "fit")
    status, document, _ = answer("fit", path, "--mode", "mode 7")
    assert status == 0
    assert document["fits"][0]["failures"] == 3


def test_many_strata_of_two_lives(tmp_path: Path) -> None:
    check_strata(tmp_path, 200)  # 10,000 of them: tests/hardening/stress.py


def check_strata(tmp_path: Path, strata: int) -> None:
    rows = "".join(f"{100 + 37 * i % 900},{int(i % 2)},s{i // 2}\n" for i in range(2 * strata))
    path = lives(tmp_path, "exit,failed,lot\n" + rows)
    status, document, said = answer("fit", path, "--by", "lot")
    assert status in {0, 1}, said
    if status == 0:
        assert len(document["fits"]) == strata
        assert all(row["lives"] == 2 for row in document["fits"])


def test_a_class_with_suspensions_alone(tmp_path: Path) -> None:
    fleet = make_fleet()
    fleet["services"] = [row for row in fleet["services"] if not (row[5] == "replace" and int(row[1][1:]) % 2)]
    found = ask(
        write(tmp_path / "f", fleet, COSTS.format(stop=100, planned=300, failure=2000)), "fit", "compare", "intervals"
    )
    by_class = {row["duty_cycle"]: row for row in found["fit"]["fits"]}
    assert by_class["vocational"]["failures"] == 0
    assert by_class["vocational"]["eta"] is None


def test_every_truck_twice_counts_once(tmp_path: Path) -> None:
    fleet = make_fleet()
    once = ask(write(tmp_path / "once", fleet), "lives")["lives"]
    doubled = {name: [table[0], *table[1:], *table[1:]] for name, table in fleet.items()}
    assert ask(write(tmp_path / "twice", doubled), "lives")["lives"]["groups"] == once["groups"]


def test_days_long_ago(tmp_path: Path) -> None:
    fleet = make_fleet(start=date(1900, 1, 1))
    folder = write(tmp_path / "f", fleet, start="1900-01-01", end="1902-12-31")
    found = ask(folder, "lives", "fit", "classes")
    assert sum(row["lives"] for row in found["lives"]["groups"]) > 16


def test_days_to_come_are_refused_as_such(tmp_path: Path) -> None:
    folder = write(tmp_path / "f", make_fleet(start=date(2199, 1, 1)), start="2199-01-01", end="2201-12-31")
    status, document, _ = answer("lives", folder)
    assert status == 2
    assert "after the day of the run" in document["error"]["text"]
    mixed = make_fleet()
    mixed["readings"].append(["T0", "2199-12-31", "5000000"])
    status, document, _ = answer("load", write(tmp_path / "g", mixed))
    assert [row["line"] for row in document["set_aside"]] == [len(mixed["readings"])]


def test_optional_tables_without_a_row(tmp_path: Path) -> None:
    fleet = {
        **make_fleet(),
        "lube_plan": [["duty_cycle", "from_date", "interval_miles"]],
        "duty_changes": [["unit_id", "date", "duty_cycle"]],
        "measurements": [["unit_id", "position", "date", "quantity", "value", "unit"]],
    }
    with_empty = ask(write(tmp_path / "f", fleet), "lives", "fit", "wear")
    without = ask(write(tmp_path / "g", make_fleet()), "lives")
    assert with_empty["lives"]["groups"] == without["lives"]["groups"]


@pytest.mark.parametrize("costs", [(0, 0, 0), (100, 2000, 300), (1e-9, 1e-9, 1e12)])
def test_costs_that_make_no_choice(costs: tuple[float, float, float], tmp_path: Path) -> None:
    stop, planned, failure = costs
    ask(
        write(tmp_path / "f", make_fleet(), COSTS.format(stop=stop, planned=planned, failure=failure)),
        "intervals",
        "compare",
    )


def test_negative_costs_are_refused_with_their_line(tmp_path: Path) -> None:
    status, document, _ = answer(
        "lives", write(tmp_path / "f", make_fleet(), COSTS.format(stop=-1, planned=1, failure=2))
    )
    assert (status, document["error"]["line"], document["error"]["file"]) == (2, 5, "fleet.toml")


def test_a_published_interval_below_what_is_practised(tmp_path: Path) -> None:
    published = '[published_interval]\nline_haul = { miles = 500, source = "invented" }\n'
    folder = write(tmp_path / "f", make_fleet(), COSTS.format(stop=100, planned=300, failure=2000) + published)
    document = ask(folder, "intervals")["intervals"]
    for row in document.get("regrease", ()):
        if row["duty_cycle"] == "line_haul" and row["recommended"] is not None:
            assert row["recommended"] <= 500
