"""The chapters of the report: one per reader, each question with its answer or with what is missing for one."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from wearlab.evidence import SAFETY, Caution, Result, Unanswered
from wearlab.show.decisions import (
    cluster_name,
    cluster_section,
    units_of,
    verdict_of,
    what_is_missing,
)
from wearlab.show.figures import is_missing, show_name, show_sentence
from wearlab.show.layouts import BACKTEST
from wearlab.show.pictures import Picture
from wearlab.show.pictures_ahead import picture_calibration, picture_forecast
from wearlab.show.pictures_driveline import picture_load, picture_tubes
from wearlab.show.pictures_failures import picture_cluster, picture_cohorts, picture_observed
from wearlab.show.pictures_lives import picture_classes, picture_lives, picture_paper, picture_rates
from wearlab.show.pictures_practice import (
    picture_costs,
    picture_gaps,
    picture_life_by_interval,
    picture_practice,
    picture_sensitivity,
)
from wearlab.show.pictures_records import picture_meters, picture_wear
from wearlab.show.pictures_shaft import picture_margin, picture_turn
from wearlab.show.sentences import records, table_of
from wearlab.show.tables import ShownTable, lay_out, row_cautions
from wearlab.study import Study

PHYSICS = (
    "Physics of the shaft, as ratios between duties: how much of a class's shorter life its turns, torque and angles "
    "would explain, and which measured angles are out of range."
)
TRIED = (
    "The forecast made again from what was known on an earlier day, held against what happened since. More days: "
    "wearlab forecast --backtest."
)
CLUSTER_TABLES = (
    "what_would_settle",
    "levels",
    "beyond",
    "at_risk",
    "which_clock",
    "consequences",
    "combination",
    "install_audit",
    "install_effect",
    "before_after",
)


@dataclass(frozen=True, slots=True)
class Section:
    """One question with its answer, or with what is missing to answer it.

    ``elsewhere`` counts the cautions that hold here too but are told in another section.
    """

    name: str
    title: str
    paragraphs: tuple[str, ...]
    pictures: tuple[Picture, ...]
    tables: tuple[ShownTable, ...]
    cautions: tuple[str, ...]
    missing: tuple[str, ...]
    elsewhere: int = 0


@dataclass(frozen=True, slots=True)
class Chapter:
    """What one reader came for."""

    name: str
    title: str
    lead: str
    sections: tuple[Section, ...]


def make_chapters(study: Study, *, audience: str) -> tuple[Chapter, ...]:
    """Return the chapters for one reader, or for ``all``, each caution told once: at the first section it bears on."""
    makers = {"engineer": _engineer, "manager": _manager, "analyst": _analyst}
    chapters = [make(study) for name, make in makers.items() if audience in ("all", name)]
    return _say_once((*chapters, _shop(study)), _texts(study.history.cautions))


def _say_once(chapters: tuple[Chapter, ...], records_doubts: tuple[str, ...]) -> tuple[Chapter, ...]:
    told, kept = set(records_doubts), []
    for chapter in chapters:
        sections = []
        for section in chapter.sections:
            own = tuple(text for text in section.cautions if text not in told or section.name == "groups")
            told.update(own)
            sections.append(replace(section, cautions=own, elsewhere=len(section.cautions) - len(own)))
        kept.append(replace(chapter, sections=tuple(sections)))
    return tuple(kept)


def _texts(cautions: tuple[Caution, ...]) -> tuple[str, ...]:
    return tuple(show_sentence(caution.text) for caution in cautions if caution.code != SAFETY.code)


def _section(
    study: Study,
    name: str,
    title: str,
    question: str,
    result: Result | Unanswered,
    tables: Iterable[str],
    *,
    paragraphs: tuple[str, ...] = (),
    pictures: Iterable[Picture | None] = (),
) -> Section:
    doubts = _texts(result.cautions)
    if isinstance(result, Unanswered):
        return Section(name, title, (), (), (), doubts, what_is_missing(result))
    frames = {table: table_of(result, table) for table in tables}
    units = units_of(study)
    shown = tuple(
        lay_out(question, table, frame, section=name, units=units) for table, frame in frames.items() if len(frame)
    )
    doubts += tuple(text for frame in frames.values() for text in row_cautions(frame, known=doubts))
    return Section(name, title, paragraphs, tuple(filter(None, pictures)), shown, tuple(dict.fromkeys(doubts)), ())


def _engineer(study: Study) -> Chapter:
    rows = records(table_of(study.recommendation, "regrease"))
    stronger = tuple(
        f"{show_name(row['duty_cycle']).capitalize()}: stronger evidence would come from "
        f"{show_sentence(row['stronger'])}."
        for row in rows
        if not is_missing(row.get("stronger"))
    )
    regrease = _section(
        study,
        "regrease",
        "How often to regrease",
        "intervals",
        study.recommendation,
        ("regrease", "today", "today_by_shop", "effects", "tried", "sensitivity", "terms", "robustness", "trial"),
        paragraphs=(
            (
                "One stop greases the whole truck, so there is one interval per duty cycle. It is weighed on what "
                "a stop costs, what failures cost, and how failures have followed the intervals really run here."
            ),
            *stronger,
        ),
        pictures=(
            picture_costs(study),
            picture_life_by_interval(study),
            picture_practice(study),
            picture_sensitivity(study),
            picture_gaps(study),
        ),
    )
    replacement = _section(
        study,
        "replacement",
        "When to replace before failure",
        "intervals",
        study.recommendation,
        ("replacement",),
        paragraphs=(
            "A planned change pays only where parts wear out and a failure costs clearly more than the change.",
        ),
    )
    lives = _section(
        study,
        "lives",
        "How long parts last",
        "fit",
        study.fits,
        ("fits", "checks", "modes", "grease", "trend", "consequences"),
        paragraphs=("Parts that have not failed count too: they are known to have lasted at least this long.",),
        pictures=(picture_lives(study), picture_paper(study)),
    )
    lead = "What interval for each duty cycle, and what should be replaced before it fails?"
    return Chapter("engineer", "For the reliability engineer", lead, (regrease, replacement, lives, *_driveline(study)))


def _driveline(study: Study) -> tuple[Section, ...]:
    if study.driveline is None:
        return ()
    return (
        _section(
            study,
            "driveline",
            "What angles and loads do",
            "driveline",
            study.driveline,
            ("explained", "scales", "severity", "lines", "tubes", "suggested", "index", "changes", "references"),
            paragraphs=(PHYSICS,),
            pictures=(
                picture_load(study.driveline),
                picture_turn(study.driveline),
                picture_margin(study.driveline),
                picture_tubes(study.driveline),
            ),
        ),
    )


def _manager(study: Study) -> Chapter:
    classes = _section(
        study,
        "classes",
        "Which work wears parts faster",
        "compare",
        study.comparison,
        ("classes", "contrasts"),
        pictures=(picture_classes(study), picture_rates(study)),
    )
    forecast = _section(
        study,
        "forecast",
        "What will fail",
        "forecast",
        study.forecast,
        ("parts", "totals", "units", "by_class", "by_shop", "shelves", "joining"),
        paragraphs=("Each truck runs on at its own rate; a part that is replaced can fail again.",),
        pictures=(picture_forecast(study),),
    )
    lead = "Which work wears parts faster, by how much, at what cost, and what will fail next?"
    return Chapter("manager", "For the maintenance manager", lead, (classes, forecast, *_tried(study)))


def _tried(study: Study) -> tuple[Section, ...]:
    if study.backtest is None:
        return ()
    return (
        _section(
            study,
            "backtest",
            "Would the forecast have been right before?",
            "backtest",
            study.backtest,
            BACKTEST,
            paragraphs=(TRIED,),
            pictures=(picture_calibration(study),),
        ),
    )


def _analyst(study: Study) -> Chapter:
    intro = (
        "Each truck is held against a class fitted without it. Trucks differ normally; only what goes clearly beyond "
        "that, after having looked at all of them, is flagged."
    )
    early = _section(
        study,
        "early",
        "Trucks and parts that fail too early",
        "early",
        study.early,
        ("units", "lives", "power"),
        paragraphs=(intro, *_look_first(study)),
        pictures=(picture_observed(study), picture_cohorts(study)),
    )
    clusters = tuple(_cluster(study, number) for number in range(len(study.clusters)))
    lead = "Is a run of failures real, and what do the failed parts share?"
    return Chapter("analyst", "For the failure analyst", lead, (early, *clusters))


def _look_first(study: Study) -> tuple[str, ...]:
    units = table_of(study.early, "units")
    if not {"inspect", "flagged"} <= set(units):
        return ()
    flagged = units.loc[units["flagged"].astype(bool), ["component", "inspect"]].dropna().drop_duplicates()
    return tuple(
        f"On a flagged {show_name(row['component'])} look first at: {show_sentence(row['inspect'])}."
        for row in records(flagged)
    )


def _cluster(study: Study, number: int) -> Section:
    cluster = study.clusters[number]
    name = cluster_section(number)
    title = f"What failures have in common: {cluster_name(cluster)}"
    verdict = verdict_of(cluster)
    paragraphs = (show_sentence(verdict["text"]),) if verdict.get("text") else ()
    quiet = verdict.get("found") == "nothing"
    tables = ("levels",) if quiet else CLUSTER_TABLES
    pictures = () if quiet else (picture_cluster(study, number),)
    section = _section(study, name, title, "cluster", cluster, tables, paragraphs=paragraphs, pictures=pictures)
    return replace(section, tables=tuple(replace(table, folded=True) for table in section.tables)) if quiet else section


def _shop(study: Study) -> Chapter:
    work = _section(study, "work", "What is due", "due", study.work, ("work", "weeks", "shops"))
    wear = _section(
        study,
        "wear",
        "Measured wear",
        "wear",
        study.wear,
        ("parts", "before_next_look", "rates"),
        pictures=(picture_wear(study),),
    )
    groups = study.history.groups
    shown = (lay_out("lives", "groups", groups, section="groups", units=units_of(study)),) if len(groups) else ()
    counted = Section(
        "groups",
        "What was counted",
        ("Every life of the records, and those that had to be left out of the curves.",),
        tuple(filter(None, (picture_meters(study),))),
        shown,
        _texts(study.history.cautions),
        (),
    )
    lead = "Which trucks come in, what for, and what was counted to say so?"
    return Chapter("shop", "For the technician and planner", lead, (work, wear, counted))
