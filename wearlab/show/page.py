"""A study arranged as a page: chapters, sections, tables and cautions, ready for a template that only formats."""

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace

from wearlab.evidence import SAFETY, Basis, Caution, Result, Unanswered
from wearlab.show.decisions import (
    Decision,
    cluster_name,
    cluster_section,
    decide,
    records,
    table_of,
    verdict_of,
    what_is_missing,
)
from wearlab.show.document import show_text
from wearlab.show.figures import is_missing, show_count, show_date, show_name, show_number, show_scale, show_share
from wearlab.show.pictures import Picture
from wearlab.show.pictures_failures import picture_cluster, picture_forecast, picture_observed
from wearlab.show.pictures_lives import picture_classes, picture_lives, picture_paper
from wearlab.show.pictures_practice import picture_costs, picture_gaps, picture_practice, picture_sensitivity
from wearlab.show.pictures_records import picture_meters, picture_wear
from wearlab.show.tables import ShownTable, lay_out, row_cautions
from wearlab.study import Study

AUDIENCES = ("all", "engineer", "manager", "analyst")
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
    """One question with its answer, or with what is missing to answer it."""

    name: str
    title: str
    paragraphs: tuple[str, ...]
    pictures: tuple[Picture, ...]
    tables: tuple[ShownTable, ...]
    cautions: tuple[str, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Chapter:
    """What one reader came for."""

    name: str
    title: str
    lead: str
    sections: tuple[Section, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """The whole report."""

    title: str
    facts: tuple[tuple[str, str], ...]
    decisions: tuple[Decision, ...]
    chapters: tuple[Chapter, ...]
    cautions: tuple[str, ...]
    safety: str
    files: tuple[tuple[str, ...], ...]
    settings: tuple[tuple[str, str], ...]
    versions: tuple[tuple[str, str], ...]
    beside: tuple[tuple[str, str], ...]


def arrange(study: Study, *, audience: str) -> Page:
    """Return the page for one reader (one of ``AUDIENCES``): their chapter, the work list, and what all need."""
    if audience not in AUDIENCES:
        raise ValueError(f"audience must be one of {', '.join(AUDIENCES)}, not {audience!r}")
    makers = {"engineer": _engineer, "manager": _manager, "analyst": _analyst}
    chapters = [make(study) for name, make in makers.items() if audience in ("all", name)]
    basis = study.basis
    source = show_text(basis.source)
    return Page(
        title=f"Drive shafts of {source}",
        facts=_facts(study),
        decisions=decide(study),
        chapters=(*chapters, _shop(study)),
        cautions=tuple(show_text(caution.text) for caution in study.cautions if caution.code != SAFETY.code),
        safety=SAFETY.text,
        files=_files(basis),
        settings=_settings(study),
        versions=tuple(study.versions.items()),
        beside=tuple((f"{name}.csv", show_count(len(frame))) for name, frame in study.tables().items()),
    )


def _facts(study: Study) -> tuple[tuple[str, str], ...]:
    basis, groups = study.basis, study.history.groups
    facts = [("Looking back from", show_date(basis.as_of))] if basis.as_of else []
    if len(study.history.units):
        facts.append(("Trucks", show_count(len(study.history.units))))
    facts += [("Lives", show_count(basis.lives)), ("Failures", show_count(basis.failures))]
    if "exposure" in groups and len(groups):
        facts.append((f"Part {show_scale(basis.scale)} watched", show_number(float(groups["exposure"].sum()))))
    facts.append(("Every range", f"two-sided, {show_share(basis.level)}"))
    return tuple(facts)


def _section(
    name: str,
    title: str,
    question: str,
    result: Result | Unanswered,
    tables: Iterable[str],
    *,
    paragraphs: tuple[str, ...] = (),
    pictures: Iterable[Picture | None] = (),
    known: tuple[Caution, ...] = (),
) -> Section:
    if isinstance(result, Unanswered):
        return Section(name, title, (), (), (), _doubts(result.cautions, known), what_is_missing(result))
    frames = {table: table_of(result, table) for table in tables}
    shown = tuple(lay_out(question, table, frame, section=name) for table, frame in frames.items() if len(frame))
    doubts = _doubts(result.cautions, known)
    doubts += tuple(text for frame in frames.values() for text in row_cautions(frame, known=_doubts(result.cautions)))
    return Section(name, title, paragraphs, tuple(filter(None, pictures)), shown, tuple(dict.fromkeys(doubts)), ())


def _doubts(cautions: tuple[Caution, ...], known: tuple[Caution, ...] = ()) -> tuple[str, ...]:
    new = [caution for caution in cautions if caution.code != SAFETY.code and caution not in known]
    return tuple(show_text(caution.text) for caution in new)


def _engineer(study: Study) -> Chapter:
    rows = records(table_of(study.recommendation, "regrease"))
    stronger = tuple(
        f"{show_name(row['duty_cycle']).capitalize()}: stronger evidence would come from {show_text(row['stronger'])}."
        for row in rows
        if not is_missing(row.get("stronger"))
    )
    regrease = _section(
        "regrease",
        "How often to regrease",
        "intervals",
        study.recommendation,
        ("regrease", "today", "effects", "tried", "sensitivity", "terms", "robustness"),
        paragraphs=(
            (
                "One stop greases the whole truck, so there is one interval per duty cycle. It is weighed on what "
                "a stop costs, what failures cost, and how failures have followed the intervals really run here."
            ),
            *stronger,
        ),
        pictures=(picture_costs(study), picture_practice(study), picture_sensitivity(study), picture_gaps(study)),
    )
    replacement = _section(
        "replacement",
        "When to replace before failure",
        "intervals",
        study.recommendation,
        ("replacement",),
        paragraphs=(
            "A planned change pays only where parts wear out and a failure costs clearly more than the change.",
        ),
        known=study.recommendation.cautions,
    )
    lives = _section(
        "lives",
        "How long parts last",
        "fit",
        study.fits,
        ("fits", "checks", "modes", "trend", "consequences"),
        paragraphs=("Parts that have not failed count too: they are known to have lasted at least this long.",),
        pictures=(picture_lives(study), picture_paper(study)),
    )
    lead = "What interval for each duty cycle, and what should be replaced before it fails?"
    return Chapter("engineer", "For the reliability engineer", lead, (regrease, replacement, lives))


def _manager(study: Study) -> Chapter:
    classes = _section(
        "classes",
        "Which work wears parts faster",
        "compare",
        study.comparison,
        ("classes", "contrasts"),
        pictures=(picture_classes(study),),
    )
    forecast = _section(
        "forecast",
        "What will fail",
        "forecast",
        study.forecast,
        ("parts", "totals", "units", "by_shop", "backtest"),
        paragraphs=("Each truck runs on at its own rate; a part that is replaced can fail again.",),
        pictures=(picture_forecast(study),),
    )
    lead = "Which work wears parts faster, by how much, at what cost, and what will fail next?"
    return Chapter("manager", "For the maintenance manager", lead, (classes, forecast))


def _analyst(study: Study) -> Chapter:
    intro = (
        "Each truck is held against a class fitted without it. Trucks differ normally; only what goes clearly beyond "
        "that, after having looked at all of them, is flagged."
    )
    early = _section(
        "early",
        "Trucks and parts that fail too early",
        "early",
        study.early,
        ("units", "lives", "power"),
        paragraphs=(intro, *_look_first(study)),
        pictures=(picture_observed(study),),
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
        f"On a flagged {show_name(row['component'])} look first at: {show_text(row['inspect'])}."
        for row in records(flagged)
    )


def _cluster(study: Study, number: int) -> Section:
    cluster = study.clusters[number]
    name = cluster_section(number)
    title = f"What failures have in common: {cluster_name(cluster)}"
    verdict = verdict_of(cluster)
    paragraphs = (show_text(verdict["text"]),) if verdict.get("text") else ()
    quiet = verdict.get("found") == "nothing"
    tables = ("levels",) if quiet else CLUSTER_TABLES
    pictures = () if quiet else (picture_cluster(study, number),)
    section = _section(name, title, "cluster", cluster, tables, paragraphs=paragraphs, pictures=pictures)
    return replace(section, tables=tuple(replace(table, folded=True) for table in section.tables)) if quiet else section


def _shop(study: Study) -> Chapter:
    work = _section("work", "What is due", "due", study.work, ("work", "shops"))
    wear = _section("wear", "Measured wear", "wear", study.wear, ("parts", "rates"), pictures=(picture_wear(study),))
    groups = study.history.groups
    shown = (lay_out("lives", "groups", groups, section="groups"),) if len(groups) else ()
    counted = Section(
        "groups",
        "What was counted",
        ("Every life of the records, and those that had to be left out of the curves.",),
        tuple(filter(None, (picture_meters(study),))),
        shown,
        _doubts(study.history.cautions),
        (),
    )
    lead = "Which trucks come in, what for, and what was counted to say so?"
    return Chapter("shop", "For the technician and planner", lead, (work, wear, counted))


def _files(basis: Basis) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (
            show_text(file.name),
            show_text(file.table),
            show_count(file.rows_read),
            show_count(file.rows_loaded),
            show_count(file.rows_set_aside),
            show_count(file.rows_already_loaded),
            show_text(file.sha256),
        )
        for file in basis.files
    )


def _settings(study: Study) -> tuple[tuple[str, str], ...]:
    values = [(field.name, getattr(study.settings, field.name)) for field in fields(study.settings)]
    shown = [(name.replace("_", " "), _setting(value)) for name, value in values if name not in ("store", "today")]
    basis = study.basis
    looked = [("source", show_text(basis.source)), ("as of", show_date(basis.as_of)), ("scale", show_text(basis.scale))]
    return (*looked, *(pair for pair in shown if pair[0] not in ("as of", "scale")))


def _setting(value: object) -> str:
    if value is None or value == ():
        return "not set"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return ", ".join(map(show_text, value)) if isinstance(value, tuple) else show_text(value)


def pictures_of(page: Page) -> tuple[Picture, ...]:
    """Return every picture of the page in its order."""
    return tuple(picture for chapter in page.chapters for section in chapter.sections for picture in section.pictures)
