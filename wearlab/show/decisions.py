"""What the answers come to, in words: what to change, stock, inspect and believe."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from wearlab.evidence import Unanswered
from wearlab.show.document import show_text
from wearlab.show.figures import (
    is_missing,
    show_count,
    show_name,
    show_number,
    show_scale,
    show_sentence,
    show_share,
    show_value,
)
from wearlab.show.sentences import (
    ahead_words,
    angles_title,
    class_title,
    class_words,
    early_title,
    life_title,
    life_words,
    part_words,
    records,
    stock_title,
    table_of,
    widest_contrasts,
    work_title,
)
from wearlab.show.tables import show_interval
from wearlab.study import Study

LIMITS = {
    "published_interval": "The component maker's published interval is the limit.",
    "practised_range": "It goes no further than what the fleet has practised: beyond that there is no evidence.",
    "target": "A target of your own (fleet.toml, limits) is the limit.",
    "one_step": "One step at a time: try it, measure again, then look further.",
    "evidence": "The records do not support a change from today's interval.",
}
NAMED_UNITS = 6
HEADLINE_UNITS = 4
NO_ANSWER = "Not answered from this data"


@dataclass(frozen=True, slots=True)
class Decision:
    """One thing to decide: a headline, the sentences behind it, its grade of evidence, the section that shows why."""

    area: str
    headline: str
    sentences: tuple[str, ...]
    evidence: str | None
    section: str


@dataclass(frozen=True, slots=True)
class Brief:
    """What there is to decide in one area, a line each: the headline, its grade of evidence, the section behind it."""

    area: str
    lines: tuple[tuple[str, str | None, str], ...]


def units_of(study: Study) -> dict[str, str]:
    """Return what the headings of tables call the unit of lives and that of money."""
    return {"scale": show_scale(study.basis.scale), "currency": show_text(study.history.config.currency)}


def decide(study: Study, *, audience: str = "all") -> tuple[Decision, ...]:
    """Return what the study comes to for one reader, by what there is to decide; last what has no answer."""
    makers = {
        _schedules: ("engineer", "manager"),
        _lives: ("engineer", "manager"),
        _classes: ("engineer", "manager"),
        _replacements: ("engineer", "manager"),
        _stock: ("manager",),
        _units: ("analyst", "manager"),
        _clusters: ("analyst", "manager"),
        _angles: ("engineer",),
        _work: ("engineer", "manager", "analyst"),
    }
    found = [decision for make, readers in makers.items() if audience in ("all", *readers) for decision in make(study)]
    return tuple(sorted(found, key=lambda decision: decision.headline == NO_ANSWER))


def in_short(decisions: tuple[Decision, ...]) -> tuple[Brief, ...]:
    """Return the decisions as a list to be read in half a minute, area by area."""
    areas = dict.fromkeys(decision.area for decision in decisions if decision.headline != NO_ANSWER)
    briefs = [
        Brief(
            area,
            tuple(
                (decision.headline, decision.evidence, decision.section)
                for decision in decisions
                if decision.area == area and decision.headline != NO_ANSWER
            ),
        )
        for area in areas
    ]
    silent = tuple((decision.area, None, decision.section) for decision in decisions if decision.headline == NO_ANSWER)
    return (*briefs, Brief(NO_ANSWER, silent)) if silent else tuple(briefs)


def _unanswered(area: str, result: object, section: str) -> tuple[Decision, ...]:
    if not isinstance(result, Unanswered):
        return ()
    return (Decision(area, NO_ANSWER, what_is_missing(result), None, section),)


def what_is_missing(result: Unanswered) -> tuple[str, ...]:
    """Return why a question has no answer and what would give it one, as sentences."""
    texts = (show_text(text).strip() for text in (result.text, result.fix))
    return tuple(f"{text[0].upper()}{text[1:]}" + ("" if text[-1] in ".!?" else ".") for text in texts if text)


def _schedules(study: Study) -> Iterable[Decision]:
    area = "Regrease schedule"
    yield from _unanswered(area, study.recommendation, "regrease")
    for row in records(table_of(study.recommendation, "regrease")):
        yield Decision(area, schedule_headline(row), schedule_sentences(row, study), evidence_of(row), "regrease")


def evidence_of(row: Mapping[str, Any]) -> str | None:
    """Return a row's grade of evidence, or None where it has none."""
    grade = row.get("evidence")
    return None if is_missing(grade) else show_text(grade)


def schedule_headline(row: Mapping[str, Any]) -> str:
    """Return what to do about one class's regrease interval, in one sentence."""
    unit = show_scale("miles")
    who = show_name(row.get("duty_cycle")).capitalize()
    current, recommended = row["current"], row["recommended"]
    if is_missing(recommended):
        return f"{who}: no interval can be recommended"
    target = show_number(float(recommended))
    if is_missing(current):
        return f"{who}: regrease every {target} {unit}"
    if not is_changed(row):
        return f"{who}: keep regreasing every {show_number(round(float(recommended), -2))} {unit}"
    change = "shorten" if float(recommended) < float(current) else "lengthen"
    return f"{who}: {change} the interval from {show_number(float(current))} to {target} {unit}"


def is_changed(row: Mapping[str, Any]) -> bool:
    """Return whether a row of ``regrease`` recommends another interval than today's."""
    known = not is_missing(row["recommended"]) and not is_missing(row["current"])
    return known and float(row["recommended"]) != float(row["current"]) and row.get("limited_by") != "evidence"


def schedule_sentences(row: Mapping[str, Any], study: Study) -> tuple[str, ...]:
    """Return what stands behind one class's regrease interval: saving, chance, flat zone, limit."""
    sentences = [] if is_missing(row.get("sentence")) else [_for_the_schedule(row)]
    if is_changed(row) and not is_missing(row.get("saving_per_truck_year")):
        saving = show_interval(row["saving_per_truck_year"], row.get("saving_low"), row.get("saving_high"), "money")
        chance = row.get("probability_better")
        sure = "" if is_missing(chance) else f"; the chance that it is an improvement is {show_value(chance, 'odds')}"
        sentences.append(f"Saves {saving} {show_text(study.history.config.currency)} per truck and year{sure}.")
    if not is_missing(row.get("low")) and not is_missing(row.get("high")):
        zone = f"{show_number(float(row['low']))} to {show_number(float(row['high']))}"
        sentences.append(f"By the best estimate anywhere from {zone} miles costs within 2 % of the least.")
    if not is_missing(row.get("limited_by")):
        sentences.append(LIMITS.get(str(row["limited_by"]), f"Limited by {show_name(row['limited_by'])}."))
    elif not is_missing(row["recommended"]) and not is_changed(row):
        sentences.append("Today's interval is as good as any that the records can tell apart from it.")
    return tuple(sentences)


def _for_the_schedule(row: Mapping[str, Any]) -> str:
    """Return a row's sentence for the schedule without the name of its class, which stands in the headline."""
    name, colon, rest = show_sentence(row["sentence"]).partition(": ")
    named = {str(row.get("duty_cycle")).replace("_", " ").casefold(), show_name(row.get("duty_cycle")).casefold()}
    return f"For the schedule: {rest if colon and name.casefold() in named else name + colon + rest}"


def _lives(study: Study) -> Iterable[Decision]:
    """Yield how long parts last where there is no schedule to decide on."""
    fits = table_of(study.fits, "fits")
    if not isinstance(study.recommendation, Unanswered) or fits.empty:
        return
    scale = study.basis.scale
    sentences = tuple(filter(None, (life_words(row, scale) for row in records(fits))))
    few = sentences[:NAMED_UNITS] if len(sentences) > 1 else ()
    yield Decision("Life", life_title(fits, scale), few, None, "lives")


def _classes(study: Study) -> Iterable[Decision]:
    """Yield which class wears its parts fastest, part by part."""
    area = "Wear by class"
    yield from _unanswered(area, study.comparison, "classes")
    contrasts = table_of(study.comparison, "contrasts")
    if contrasts.empty or contrasts["b10_ratio"].notna().sum() == 0:
        return
    sentences = tuple(f"{class_words(row)}." for row in widest_contrasts(contrasts)[:NAMED_UNITS])
    yield Decision(area, class_title(contrasts), sentences, None, "classes")


def _replacements(study: Study) -> Iterable[Decision]:
    rows = [row for row in records(table_of(study.recommendation, "replacement")) if not is_missing(row["replace_at"])]
    if not rows:
        return
    sentences = tuple(
        f"{show_name(row['component']).capitalize()}, {show_name(row['duty_cycle'])}: "
        f"at {show_number(float(row['replace_at']))} {show_scale(study.basis.scale)}."
        for row in rows
    )
    parts = list(dict.fromkeys(show_name(row["component"]) for row in rows))
    headline = f"Replace before failure: {', '.join(parts)}, where it pays; everything else on condition"
    yield Decision("Planned replacement", headline, sentences, None, "replacement")


def _stock(study: Study) -> Iterable[Decision]:
    area = "Parts to stock"
    yield from _unanswered(area, study.forecast, "forecast")
    totals = table_of(study.forecast, "totals")
    if totals.empty:
        return
    ahead = ahead_words(study.settings.months) if study.settings.ahead is None else "the time ahead"
    sentences = tuple(part_words(table_of(study.forecast, "parts")))
    yield Decision(area, stock_title(totals, ahead), sentences, None, "forecast")


def _units(study: Study) -> Iterable[Decision]:
    area = "Trucks to look at"
    yield from _unanswered(area, study.early, "early")
    units = table_of(study.early, "units")
    if units.empty:
        return
    flagged = records(units.loc[units["flagged"].astype(bool)])
    rate = show_share(study.settings.rate)
    if not flagged:
        yield Decision(area, early_title(units), (f"Looked at {len(units):,} pairs of truck and part.",), None, "early")
        return
    flagged.sort(key=lambda row: (row["q_value"], str(row["unit_id"])))
    sentences = [
        f"Truck {show_text(row['unit_id'])}, {show_name(row['component'])}: {show_count(row['observed'])} failures "
        f"where {show_number(float(row['expected']), 2)} were to be expected."
        for row in flagged[:NAMED_UNITS]
    ]
    if len(flagged) > NAMED_UNITS:
        sentences.append(f"And {len(flagged) - NAMED_UNITS} more.")
    sentences.append(f"Of everything flagged, about {rate} may be false alarms.")
    yield Decision(area, early_title(units), tuple(sentences), None, "early")


def verdict_of(cluster: object) -> dict[str, Any]:
    """Return a cluster's verdict as a dictionary, empty where there is none."""
    verdict = getattr(cluster, "verdict", None)
    if verdict is not None:
        return {name: getattr(verdict, name, None) for name in ("found", "factor", "level", "p_adjusted", "text")}
    rows = records(table_of(cluster, "verdict"))
    return rows[0] if rows else {}


def cluster_name(cluster: Any) -> str:
    """Return which part's failures a cluster result looked at."""
    component = getattr(getattr(cluster, "verdict", None), "component", None)
    component = component or dict(cluster.basis.stratum).get("component")
    levels = table_of(cluster, "levels")
    if component is None and "component" in levels and len(levels):
        component = levels["component"].iloc[0]
    return show_name(component) if component else "part"


def cluster_section(number: int) -> str:
    """Return the name of the section that shows the cluster of that number (from 0)."""
    return "cluster" if number == 0 else f"cluster-{number + 1}"


def _clusters(study: Study) -> Iterable[Decision]:
    area = "Runs of failures"
    quiet = []
    for number, cluster in enumerate(study.clusters):
        verdict = verdict_of(cluster)
        name = cluster_name(cluster)
        if verdict.get("found") in ("found", "suspected"):
            word = "have something in common" if verdict["found"] == "found" else "may have something in common"
            headline = (
                f"{name.capitalize()} failures {word}: {show_name(verdict['factor'])} {show_name(verdict['level'])}"
            )
            yield Decision(area, headline, (show_sentence(verdict["text"]),), None, cluster_section(number))
        elif verdict:
            quiet.append(name)
    if quiet:
        yield Decision(area, f"No common cause beyond chance: {', '.join(quiet)}", (), None, "cluster")
    if study.clusters and all(isinstance(cluster, Unanswered) for cluster in study.clusters):
        yield from _unanswered(area, study.clusters[0], "cluster")


def _angles(study: Study) -> Iterable[Decision]:
    lines = table_of(study.driveline, "lines")
    if lines.empty or not lines["out_of_range"].gt(0).any():
        return
    wrong = lines.loc[lines["out_of_range"] > 0]
    worst = wrong.sort_values(["out_of_range", "unit_id", "line"], ascending=[False, True, True], kind="stable")
    column = "together" if "together" in worst else "worst"
    sentences = tuple(
        f"Truck {show_text(row['unit_id'])}, {show_name(row['line'])} line: {show_sentence(row[column])}."
        for row in records(worst.head(HEADLINE_UNITS))
        if not is_missing(row[column])
    )
    yield Decision("Joint angles", angles_title(lines), sentences, None, "driveline")


def _work(study: Study) -> Iterable[Decision]:
    area = "Work list"
    yield from _unanswered(area, study.work, "work")
    work = table_of(study.work, "work")
    if work.empty or "status" not in work:
        return
    counts = work["status"].value_counts(sort=False)
    sentences = tuple(f"{show_name(status).capitalize()}: {count:,}." for status, count in counts.items())
    yield Decision(area, work_title(work), sentences, None, "work")
