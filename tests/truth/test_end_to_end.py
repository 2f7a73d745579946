"""Published data through the whole road: files in, the command line, published and agreed values out."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.command import run_here
from tests.curve_data import CASES as AGREED

DATA = Path(__file__).parents[1] / "data"


def read_published(name: str) -> pd.DataFrame:
    """A published data set; its first line names the source."""
    return pd.read_csv(DATA / f"{name}.csv", comment="#")


def exact_lives(name: str) -> pd.DataFrame:
    """Lives that end at a known age, as a plain lives file."""
    published = read_published(name)
    lives = pd.DataFrame({"exit": published["time"], "failed": published["event"]})
    for column in ("entry", "count"):
        if column in published:
            lives[column] = published[column]
    return lives


def inspected_lives(name: str) -> pd.DataFrame:
    """Lives known between two inspections, as a plain lives file: no upper age means still good at the lower."""
    published = read_published(name)
    return pd.DataFrame(
        {
            "exit": pd.NA,
            "failed": published["upper"].notna().astype(int),
            "lower": published["lower"],
            "upper": published["upper"],
            "count": published["count"],
        }
    )


CASES = [
    ("shock_absorber", "shock_absorber_all", exact_lives, "km"),
    ("ball_bearing", "ball_bearing", exact_lives, "million_revolutions"),
    ("diesel_fan", "diesel_fan", exact_lives, "hours"),
    ("turbine_wheel", "turbine_wheel", inspected_lives, "hundred_hours"),
    ("heat_exchanger", "heat_exchanger", inspected_lives, "years"),
    ("sim_delayed_entry", "sim_delayed_entry", exact_lives, "km"),
]


@pytest.mark.parametrize(
    ("name", "case", "make", "scale", "form"),
    [*((*case, "csv") for case in CASES), (*CASES[0], "parquet"), (*CASES[3], "parquet")],
)
def test_a_lives_file_gives_the_agreed_curve(
    name: str, case: str, make: object, scale: str, form: str, tmp_path: Path
) -> None:
    lives = make(name)  # type: ignore[operator]
    path = tmp_path / f"lives.{form}"
    if form == "csv":
        lives.to_csv(path, index=False)
    else:
        lives.convert_dtypes().to_parquet(path)
    ran = run_here("fit", path, "--scale", scale, "--level", "0.95", "--json")
    assert ran.status == 0, ran.err
    (fit,) = ran.document()["fits"]
    expected = AGREED[case]["values"]
    for column, quantity in (
        ("beta", "weibull.beta"),
        ("eta", "weibull.eta"),
        ("b10", "weibull.B10"),
        ("log_likelihood", "weibull.loglik"),
    ):
        assert fit[column] == pytest.approx(expected[quantity], rel=1e-6), column
    assert ran.document()["scale"] == scale


def write_engine_fleet(folder: Path) -> Path:
    """The valve-seat histories of 41 diesel engines as a fleet folder: days only, no meter at all.

    Source: Nelson and Doganaksoy (1989); Nelson (1995), Technometrics 37:147.
    """
    published = read_published("valve_seat")
    begin = pd.Timestamp("2000-01-01")
    published["date"] = begin + pd.to_timedelta(published["time"], unit="D")
    ends = published[published["event"] == "end"]
    repairs = published[published["event"] != "end"].reset_index(drop=True)
    folder.mkdir()
    (folder / "fleet.toml").write_text(
        'records_from = 2000-01-01\nas_of = 2004-01-01\nscale = "days"\nsame_event_days = 0\n', encoding="utf-8"
    )
    pd.DataFrame(
        {
            "unit_id": ends["unit"],
            "duty_cycle": "engine",
            "in_service_date": begin,
            "out_of_service_date": ends["date"],
        }
    ).to_csv(folder / "units.csv", index=False, date_format="%Y-%m-%d")
    pd.DataFrame({"unit_id": ends["unit"], "position": "seat", "component": "valve_seat"}).to_csv(
        folder / "positions.csv", index=False
    )
    pd.DataFrame(
        {
            "service_id": [f"R{number}" for number in range(len(repairs))],
            "unit_id": repairs["unit"],
            "date": repairs["date"],
            "position": "seat",
            "component": "valve_seat",
            "action": "replace",
            "reason": "failure",
        }
    ).to_csv(folder / "services.csv", index=False, date_format="%Y-%m-%d")
    pd.DataFrame({"unit_id": [], "date": [], "miles": []}).to_csv(folder / "readings.csv", index=False)
    return folder


def test_the_valve_seat_histories_give_exactly_48_failures(tmp_path: Path) -> None:
    folder = write_engine_fleet(tmp_path / "engines")
    ran = run_here("lives", folder, "--json")
    assert ran.status == 0, ran.err
    document = ran.document()
    assert document["scale"] == "days"
    (group,) = document["groups"]
    assert group["failures"] == 48
    assert group["suspensions"] == 41
    assert group["lives"] == 89


def test_a_picture_of_the_fit_shows_every_failure_age_on_weibull_paper_and_the_line(tmp_path: Path) -> None:
    path, picture = tmp_path / "lives.csv", tmp_path / "paper.svg"
    exact_lives("ball_bearing").to_csv(path, index=False)
    ran = run_here("fit", path, "--picture", picture, "--json")
    assert ran.status == 0, ran.err
    paper = pd.DataFrame(ran.document()["paper"])
    expected = AGREED["ball_bearing"]["values"]
    assert len(paper) == 22  # two of the 23 bearings failed at one age
    assert paper["failed_share"].iloc[-1] == pytest.approx(expected["rr.mrr_benard_F_last"], rel=1e-9)
    at_eta = float(np.interp(np.log(expected["weibull.eta"]), paper["x"], paper["line"]))
    assert at_eta == pytest.approx(0.0, abs=1e-9)  # the line crosses 63.2 % at the characteristic life
    drawn = picture.read_text(encoding="utf-8")
    assert drawn.startswith(("<?xml", "<svg"))
    assert "</svg>" in drawn
