"""The page says what a study says, in plain words, and nothing in the data can act on it."""

import csv
import json
import re
import sys
import zlib
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import fastexcel
import pandas as pd
import pytest

from tests.fake_study import FEW, FakeResult, Names, make_basis, make_cluster, make_recommendation, make_study
from wearlab.evidence import SAFETY, Caution, DataError, Unanswered
from wearlab.show.decisions import decide
from wearlab.show.document import show_text
from wearlab.show.figures import (
    show_chance,
    show_date,
    show_measured,
    show_name,
    show_number,
    show_odds,
    show_place,
    show_share,
)
from wearlab.show.page import arrange, pictures_of
from wearlab.show.paper import find_printer, in_plain_colours, print_page
from wearlab.show.report import AUDIENCES, render_report, write_report
from wearlab.show.tables import show_ages, show_interval
from wearlab.study import Study

HOSTILE = (
    "<script>document.title='owned'</script>",
    '"><img src=x onerror="document.title=\'owned\'">',
    "'; alert(1); '",
    "{{ 7 * 7 }}",
    "\x1b[31mred\x07",
    "\u202eevil",
    "]]></svg><svg onload=alert(1)>",
    r"$\frac{1}{0}$",
)
UNSEEN = re.compile("[\\x00-\\x08\\x0b-\\x1f\\x7f-\\x9f\\u202a-\\u202e\\u2066-\\u2069]")


class Reader(HTMLParser):
    """Collects tags, their attributes and the text that a reader sees."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.inside: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self.inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.inside and self.inside[-1] == tag:
            self.inside.pop()

    def handle_data(self, data: str) -> None:
        if not self.inside:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def ids(self) -> list[str]:
        return [str(attributes["id"]) for _, attributes in self.tags if "id" in attributes]


@pytest.fixture(scope="module")
def study() -> Study:
    return make_study()


@pytest.fixture(scope="module")
def page(study: Study) -> Reader:
    return Reader(render_report(study))


def test_the_decisions_stand_before_everything_else(page: Reader) -> None:
    ids = page.ids()
    assert ids.index("decisions") < min(ids.index(name) for name in ("engineer", "manager", "analyst", "shop", "basis"))


@pytest.mark.parametrize(
    "words",
    [
        "Vocational: shorten the interval from 9,000 to 6,500 miles",
        "Saves 412 (120 to 801) USD per truck and year; the chance that it is an improvement is 97 %.",
        "Strong evidence",
        "Line-haul: keep regreasing every 16,000 miles",
        "The records do not support a change from today's interval.",
        "Joint, vocational: at 120,000 miles.",
        "Replace before failure: joint, where it pays; everything else on condition",
        "2 tasks on 2 trucks: 1 overdue, 1 to look at first",
        "Count on 84 failures in the next 12 months (61 to 109)",
        "2 trucks fail clearly more often than the class",
        "Boot failures have something in common: lot L-42",
        "2 tasks on 2 trucks",
    ],
)
def test_the_first_screen_says_what_to_do_in_words_and_figures(page: Reader, words: str) -> None:
    assert words in page.text


def test_every_section_and_picture_is_there(page: Reader) -> None:
    sections = {
        "regrease",
        "replacement",
        "lives",
        "classes",
        "forecast",
        "backtest",
        "early",
        "cluster",
        "work",
        "wear",
    }
    assert sections | {"groups", "methods", "cautions", "basis", "words"} <= set(page.ids())
    pictures = {
        *("costs", "practice", "sensitivity", "gaps", "life_curves", "paper", "class_lives"),
        *("class_rates", "forecast", "calibration", "observed", "cohorts", "cluster_1", "meters"),
    }
    assert {f"picture-{name}" for name in pictures} <= set(page.ids())


def test_every_picture_has_a_text_alternative(page: Reader) -> None:
    charts = [attributes for tag, attributes in page.tags if tag == "svg"]
    assert len(charts) >= 9
    assert all(chart["role"] == "img" and len(str(chart["aria-label"])) > 30 for chart in charts)


def test_every_picture_says_its_message_its_source_and_the_same_in_words_and_data(study: Study) -> None:
    pictures = pictures_of(arrange(study, audience="all"))
    assert len(pictures) >= 12
    assert len({picture.name for picture in pictures}) == len(pictures)
    for picture in pictures:
        assert len(picture.title) > 20, picture.name
        assert picture.source.startswith("Source: demo_data"), picture.name
        assert picture.note, picture.name
        assert picture.words, picture.name
        assert len(picture.data), picture.name


def test_the_message_of_a_picture_is_what_its_numbers_say(page: Reader) -> None:
    for message in (
        "By what it costs, regrease sooner in vocational, as today in line-haul",
        "In vocational work twice the interval means 1.92 (1.53 to 2.41) times the joint failures",
        "A joint in line-haul work lasts 1.92 (1.59 to 2.33) times as long as in vocational",
        "Boots fitted in quarter 2 of 2024 failed 21 times where 8.0 were to be expected",
        "Parts with a higher forecast chance did fail more often; 2 of 2 groups as forecast",
        "The forecast made as of 30 June 2025 said 80 (58 to 104) failures; 91 happened, inside its range.",
    ):
        assert message in page.text, message


def test_each_reader_opens_with_what_they_decide(study: Study) -> None:
    areas = {
        audience: {decision.area for decision in decide(study, audience=audience)}
        for audience in ("engineer", "manager", "analyst")
    }
    assert areas["engineer"] == {"Regrease schedule", "Wear by class", "Planned replacement", "Work list"}
    assert {"Parts to stock", "Regrease schedule", "Runs of failures", "Trucks to look at"} <= areas["manager"]
    assert areas["analyst"] == {"Trucks to look at", "Runs of failures", "Work list"}


def test_a_caution_is_told_once_and_counted_where_it_holds_too(page: Reader) -> None:
    assert page.text.count(FEW.text) == 2  # where the classes are compared, and in the list of all
    assert "told elsewhere on this page" in page.text


def test_ids_are_unique_and_every_link_within_the_page_leads_somewhere(page: Reader) -> None:
    ids = page.ids()
    assert len(ids) == len(set(ids))
    links = [str(attributes["href"]) for tag, attributes in page.tags if tag == "a" and attributes.get("href")]
    assert [link for link in links if link.startswith("#") and link[1:] not in ids] == []


def test_a_question_without_an_answer_says_what_is_missing(page: Reader) -> None:
    assert "Not answered from this data. There are no measurements. Record joint play at inspections." in page.text


def test_every_caution_of_every_result_is_on_the_page(study: Study, page: Reader) -> None:
    odd = Caution("odd", "A caution that only the forecast carries.")
    row = "A caution that stands in one row only."
    recommendation = make_recommendation(Names())
    recommendation.frames["regrease"]["cautions"] = [[row], []]
    forecast = FakeResult(dict(study.forecast.tables()), make_basis(Names()), (SAFETY, odd))  # type: ignore[union-attr]
    text = Reader(render_report(make_study(forecast=forecast, recommendation=recommendation))).text
    assert odd.text in text
    assert f"line-haul: {row}" in text
    listed = page.text[page.text.rindex("Cautions Safety.") :]
    for caution in study.cautions:
        assert caution.text in listed


def test_safety_comes_before_the_first_decision(page: Reader) -> None:
    assert page.text.index(SAFETY.text) < page.text.index("Regrease schedule")


def test_the_foot_names_files_with_hashes_day_settings_and_versions(page: Reader) -> None:
    for part in ("services.csv", "ab" * 32, "12,000", "30 June 2026", "wearlab 0.1.0", "seed 1"):
        assert part in page.text


def test_the_page_asks_the_network_for_nothing(study: Study) -> None:
    html = render_report(study)
    assert not re.search(r"""(src|href)\s*=\s*["'](https?:|//)""", html)
    assert "@import" not in html
    assert "url(http" not in html
    assert "default-src 'none'" in html


def test_the_same_study_gives_the_same_bytes() -> None:
    assert render_report(make_study()) == render_report(make_study())


def test_hostile_text_in_the_data_is_shown_and_does_nothing(page: Reader) -> None:
    hostile = " ".join(HOSTILE)
    loud = Reader(render_report(make_study(Names(unit=hostile, lot=hostile, source=hostile, caution=hostile))))
    assert [tag for tag, _ in loud.tags] == [tag for tag, _ in page.tags]
    assert [name for _, attributes in loud.tags for name in attributes if name.startswith("on")] == []
    for text in HOSTILE:
        assert show_text(text) in loud.text
    assert not UNSEEN.search("".join(loud.words).replace("\n", ""))


@pytest.mark.parametrize("starts", [("=1+1", "+1", "-1"), ("@SUM(A1)", "\t=1", "\r=1")])
def test_cells_that_a_spreadsheet_would_run_are_made_harmless(tmp_path: Path, starts: tuple[str, str, str]) -> None:
    unit, lot, caution = starts
    written = write_report(make_study(Names(unit=unit, lot=lot, caution=caution)), tmp_path)
    for path in (*written.tables, *(path for path in written.pictures if path.suffix == ".csv")):
        with path.open(encoding="utf-8", newline="") as file:
            cells = [cell for row in csv.reader(file) for cell in row if cell]
        unsafe = [cell for cell in cells if cell[0] in "=+-@\t\r" and not is_number(cell)]
        assert unsafe == [], path.name
        assert not UNSEEN.search(path.read_text(encoding="utf-8").replace("\n", ""))


def is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def test_tables_and_picture_data_are_written_beside_the_page(study: Study, tmp_path: Path) -> None:
    written = write_report(study, tmp_path / "new" / "folder")
    assert written.page.name == "report.html"
    links = re.findall(r'href="([^"#:]+\.csv)"', written.page.read_text(encoding="utf-8"))
    assert links
    assert [link for link in links if not (written.folder / link).is_file()] == []
    assert {path.name for path in written.pictures if path.suffix == ".csv"} <= set(links)
    charts = [path for path in written.pictures if path.suffix == ".svg"]
    assert len(charts) >= 9
    assert all("var(" not in path.read_text(encoding="utf-8") for path in charts)


def test_all_of_it_is_written_as_one_json_document(study: Study, tmp_path: Path) -> None:
    written = write_report(study, tmp_path)
    document = json.loads(written.document.read_text(encoding="utf-8"), parse_constant=pytest.fail)
    assert (document["as_of"], document["scale"], document["currency"]) == ("2026-06-30", "miles", "USD")
    assert document["answers"]["intervals"]["regrease"][1]["recommended"] == 6500.0
    assert document["answers"]["intervals"]["regrease"][0]["probability_better"] is None
    assert document["answers"]["cluster"][0]["verdict"]["level"] == "L-42"
    assert document["answers"]["wear"]["error"]["fix"] == "Record joint play at inspections."
    assert set(document["answers"]) >= {"lives", "fit", "compare", "early", "forecast", "due"}
    assert "today" not in document["settings"]


def test_a_workbook_is_written_when_asked_for(study: Study, tmp_path: Path) -> None:
    assert write_report(study, tmp_path).workbook is None
    written = write_report(study, tmp_path, sheet=True)
    assert written.workbook is not None
    names = fastexcel.read_excel(written.workbook).sheet_names
    assert {"about", "intervals_regrease", "early_units"} <= set(names)


def test_without_a_pdf_writer_the_refusal_says_how_to_get_one(
    study: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(DataError, match=r"wearlab\[pdf\]"):
        write_report(study, tmp_path, pdf=True)


def test_on_paper_every_chart_names_its_colours() -> None:
    page = in_plain_colours('<path style="fill: var(--series-1)"/><p style="font: var(--sans)">')
    assert page == '<path style="fill: #1b5583"/><p style="font: var(--sans)">'


@pytest.fixture
def printer() -> None:
    try:
        find_printer()
    except DataError as missing:
        pytest.skip(str(missing))


def paper_sizes(printed: bytes) -> set[tuple[int, ...]]:
    """The sizes of the pages of a PDF, in points."""
    inside = b"".join(
        zlib.decompress(part) for part in re.findall(rb"stream\n(\x78.*?)\nendstream", printed, re.DOTALL)
    )
    boxes = re.findall(rb"/MediaBox ?\[([^\]]*)\]", printed + inside)
    return {tuple(round(float(side)) for side in box.split()[2:]) for box in boxes}


@pytest.mark.usefixtures("printer")
def test_the_page_goes_on_paper_where_a_pdf_writer_is_present(study: Study, tmp_path: Path) -> None:
    written = write_report(study, tmp_path, audience="analyst", pdf=True)
    assert written.print is not None
    assert paper_sizes(written.print.read_bytes()) == {(595, 842)}


@pytest.mark.usefixtures("printer")
@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_paper_is_as_asked_and_the_same_page_gives_the_same_bytes(paper: str, points: tuple[int, int]) -> None:
    page = "<style>@page { size: auto; }</style><h1>One page</h1>"
    printed = print_page(page, paper=paper)
    assert paper_sizes(printed) == {points}
    assert print_page(page, paper=paper) == printed


def test_a_folder_that_cannot_be_written_is_refused_with_its_fix(study: Study, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(DataError, match="another folder"):
        write_report(study, tmp_path / "file")


def test_a_long_table_is_cut_on_the_page_and_whole_in_the_file(study: Study, page: Reader, tmp_path: Path) -> None:
    assert "12 of 300 rows; all of them in early_units.csv" in page.text
    written = write_report(study, tmp_path)
    rows = (written.folder / "early_units.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 301


@pytest.mark.parametrize("audience", AUDIENCES)
def test_each_reader_gets_their_chapter_and_what_all_need(study: Study, audience: str) -> None:
    ids = Reader(render_report(study, audience=audience)).ids()
    chapters = [name for name in ("engineer", "manager", "analyst") if name in ids]
    assert chapters == (["engineer", "manager", "analyst"] if audience == "all" else [audience])
    assert {"decisions", "shop", "methods", "cautions", "basis"} <= set(ids)


def test_measured_wear_is_drawn_on_its_way_to_the_limit() -> None:
    history = make_study().history
    measured = pd.DataFrame(
        {
            "unit_id": "T1",
            "position": "main.joint.1",
            "quantity": "joint_play",
            "unit": "in",
            "life_id": 7,
            "age_miles": [2e4, 5e4, 9e4],
            "value": [0.002, 0.0035, 0.0052],
        }
    )
    row = {"unit_id": "T1", "position": "main.joint.1", "quantity": "joint_play", "unit": "in", "measurements": 3}
    parts = pd.DataFrame([row | {"latest": 0.0052, "limit": 0.006, "miles_to_limit": 8e3, "low": 2e3, "high": 2e4}])
    study = make_study(
        wear=FakeResult({"parts": parts}, make_basis(Names())), history=replace(history, measurements=measured)
    )
    page = Reader(render_report(study))
    assert "picture-wear" in page.ids()
    assert "No part is past its limit; 1 will reach it within 10,000 miles" in page.text


def test_only_as_many_groups_are_drawn_as_can_be_told_apart_and_the_page_says_so() -> None:
    fits = make_study().fits
    tables = dict(fits.tables())  # type: ignore[union-attr]
    one = tables["curves"].loc[lambda curves: (curves["component"] == "joint") & (curves["duty_cycle"] == "line_haul")]
    tables["curves"] = pd.concat([one.assign(duty_cycle=f"class {number}") for number in range(7)], ignore_index=True)
    text = Reader(render_report(make_study(fits=FakeResult(tables, make_basis(Names()))))).text
    assert "Drawn are the 5 largest of 7 groups; the data have all of them." in text


def test_without_a_schedule_to_decide_the_page_opens_with_how_long_parts_last() -> None:
    nothing = Unanswered(make_basis(Names()), (), "no-practice", "no regreasing here", "give a fleet folder")
    headlines = [decision.headline for decision in decide(make_study(recommendation=nothing))]
    assert headlines[0].startswith("Joint: one in ten has failed by")
    assert headlines[-1] == "Not answered from this data"
    assert decide(make_study(recommendation=nothing))[-1].sentences == ("No regreasing here.", "Give a fleet folder.")


def test_an_unknown_reader_is_refused(study: Study) -> None:
    with pytest.raises(ValueError, match="audience"):
        render_report(study, audience="owner")


def test_a_study_that_answers_nothing_is_still_a_page() -> None:
    nothing = Unanswered(make_basis(Names()), (), "nothing", "There are no failures.", "Wait for some.")
    fields = ("fits", "comparison", "recommendation", "early", "forecast", "wear", "work")
    text = Reader(render_report(make_study(**dict.fromkeys(fields, nothing), clusters=(nothing,)))).text
    assert text.count("There are no failures.") >= len(fields) + 1


def test_several_clusters_each_have_their_section() -> None:
    clusters = (make_cluster(Names()), make_cluster(Names(), component="joint"))
    ids = Reader(render_report(make_study(clusters=clusters))).ids()
    assert len(ids) == len(set(ids))
    assert {"cluster", "cluster-2", "picture-cluster_1", "picture-cluster_2"} <= set(ids)


@pytest.mark.parametrize(
    ("shown", "text"),
    [
        (show_number(92_345.0), "92,300"),
        (show_number(0.02345), "0.0234"),
        (show_number(-4.0), "−4.00"),
        (show_number(5_600.0, like=(5_600.0, 0.3, 1.2e6)), "6,000"),
        (show_number(1.2e6, like=(5_600.0, 0.3, 1.2e6)), "1,200,000"),
        (show_number(1.03, like=(1.03, 0.3, 24.2)), "1.0"),
        (show_number(326e3, like=(1e6, 326e3, 12e6)), "300,000"),
        (show_number(12e6, like=(1e6, 326e3, 12e6)), "12,000,000"),
        (show_number(1.35e-31), "near 0"),
        (show_number(44_250.0, like=(1.35e-31, float("nan"), 44_250.0)), "44,200"),
        (show_number(0.0), "0"),
        (show_share(0.9999), "over 99.9 %"),
        (show_share(0.0001), "under 0.1 %"),
        (show_share(1.0), "100 %"),
        ("a chance of 1: " + show_odds(1.0), "a chance of 1: over 99.9 %"),
        ("a chance of 0: " + show_odds(0.0), "a chance of 0: under 0.1 %"),
        (show_chance(0.0001), "under 0.001"),
        (show_date(date(2026, 6, 3)), "3 June 2026"),
        (show_name("joint, line_haul"), "joint, line-haul"),
        (show_name("Lot_A"), "Lot_A"),
        (show_interval(84.2, 61.0, 109.0, "number"), "84.2 (61.0 to 109.0)"),
        (show_interval(84.2, 61.0, None, "number"), "84.2 (61.0 or more)"),
        (show_interval(None, None, None, "number"), "–"),
        (show_interval(0.215, -3.0, 4.0, "number"), "0.2 (−3.0 to 4.0)"),
        (show_interval(0.0, 0.0, 19_900.0, "number"), "0 (0 to 19,900)"),
        (show_interval(100.4, 61.63, 140.2, "money"), "100 (62 to 140)"),
        (show_interval(7.79, 7.11, 8.3, "money"), "7.79 (7.11 to 8.30)"),
        (show_interval(197_790.0, 168_388.0, 229_952.0, "money"), "198,000 (168,000 to 230,000)"),
        (show_interval(74.6, 60.0, 90.0, "tally"), "75 (60 to 90)"),
        (show_interval(3.5, 1.0, 7.0, "tally"), "3.5 (1.0 to 7.0)"),
        (show_measured(0.0065), "0.0065"),
        (show_place("main.joint.1"), "joint 1, main shaft"),
        (show_place("coupling_2.boot"), "boot, coupling shaft 2"),
        (show_place("front.left.2"), "front left 2"),
        (show_ages(1.187e8, 1.004e8, 1.67e8, "joint_cycles"), "119 (100 to 167) million joint turns"),
    ],
)
def test_figures_are_written_for_reading(shown: str, text: str) -> None:
    assert shown == text


def luminance(colour: str) -> float:
    """Relative luminance (Web Content Accessibility Guidelines 2.2)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_letters_and_lines_have_enough_contrast_in_light_and_dark() -> None:
    """WCAG 2.2: 4.5 for text (1.4.3), 3 for the parts of a chart (1.4.11)."""
    style = (Path(__file__).parents[1] / "wearlab" / "show" / "templates" / "page.css").read_text(encoding="utf-8")
    themes = [
        dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6});", block))
        for block in re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    ]
    assert len(themes) == 2
    for theme in themes:
        for ground in ("paper", "raised"):
            for letters in ("ink", "muted", "link", "warn"):
                assert contrast(theme[letters], theme[ground]) >= 4.5, (letters, ground)
        for number in range(1, 6):
            assert contrast(theme[f"series-{number}"], theme["paper"]) >= 4.5
            assert contrast(theme["ink"], theme[f"soft-{number}"]) >= 4.5
