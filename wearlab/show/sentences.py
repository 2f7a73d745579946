"""Answers in a sentence each: what a command prints above its tables, and the report on its first screen."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from wearlab.evidence import Unanswered
from wearlab.show.document import show_text
from wearlab.show.figures import (
    is_missing,
    show_age,
    show_count,
    show_date,
    show_name,
    show_tally,
    show_whole,
)
from wearlab.show.tables import show_ages, show_interval

NAMED_UNITS = 4
URGENT = ("overdue", "look_first")
SOON = 10_000  # miles
Row = Mapping[str, Any]
Tables = Mapping[str, pd.DataFrame]


def table_of(result: object, name: str) -> pd.DataFrame:
    """Return one table of a result, empty where it was not answered or has no such table."""
    if result is None or isinstance(result, Unanswered):
        return pd.DataFrame()
    tables: Tables = result.tables()  # type: ignore[attr-defined]
    return tables.get(name, pd.DataFrame())


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a frame's rows as dictionaries."""
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def many(count: int, one: str, more: str | None = None) -> str:
    """Return a count with its noun: ``1 truck``, ``12 trucks``."""
    return f"{count:,} {one if count == 1 else more or f'{one}s'}"


def listed(names: list[str]) -> str:
    """Return names as they are said: ``a, b and c``."""
    return " and ".join(part for part in (", ".join(names[:-1]), names[-1] if names else "") if part)


@dataclass(frozen=True, slots=True)
class Given:
    """The tables of one answer, what its lives are measured in, and its money."""

    tables: Tables
    scale: str
    currency: str

    def table(self, name: str) -> pd.DataFrame:
        """Return one of the tables, empty where the answer has none of that name."""
        return self.tables.get(name, pd.DataFrame())


def opening(command: str, tables: Tables, *, scale: str, currency: str) -> str:
    """Return what a command's answer comes to, a sentence to a line; nothing where its tables say it themselves."""
    make = _OPENINGS.get(command)
    return "" if make is None else "\n".join(make(Given(tables, scale, currency)))


def widest_contrasts(contrasts: pd.DataFrame) -> list[dict[str, Any]]:
    """Return per part the pair of classes that differ most, turned so that ``b10_ratio`` is above 1.

    ``longer`` and ``shorter`` are the names of the two classes.
    """
    best: dict[object, dict[str, Any]] = {}
    for row in records(contrasts):
        if is_missing(row.get("b10_ratio")):
            continue
        turned = _turned(row)
        known = best.get(row.get("component"))
        if known is None or turned["b10_ratio"] > known["b10_ratio"]:
            best[row.get("component")] = turned
    return list(best.values())


def _turned(row: Row) -> dict[str, Any]:
    ratio, low, high = (row.get(name) for name in ("b10_ratio", "b10_ratio_low", "b10_ratio_high"))
    longer, shorter = show_name(row["level"]), show_name(row["reference"])
    if float(str(ratio)) < 1:
        longer, shorter = shorter, longer
        ratio, low, high = (None if is_missing(end) or not end else 1 / float(end) for end in (ratio, high, low))
    return {
        "component": row.get("component"), "longer": longer, "shorter": shorter,
        "b10_ratio": ratio, "b10_ratio_low": low, "b10_ratio_high": high,
    }  # fmt: skip


def class_words(row: Row) -> str:
    """Return one row of ``widest_contrasts`` as a sentence without its full stop."""
    part = "part" if is_missing(row["component"]) else show_name(row["component"])
    span = show_interval(row["b10_ratio"], row["b10_ratio_low"], row["b10_ratio_high"], "ratio")
    return f"A {part} in {row['longer']} work lasts {span} times as long as in {row['shorter']}"


def class_title(contrasts: pd.DataFrame) -> str:
    """Return what class of work wears parts fastest, over all parts, in one sentence."""
    rows = widest_contrasts(contrasts)
    if not rows:
        return "Classes side by side"
    if len(rows) == 1:
        return class_words(rows[0])
    (longer, shorter), count = Counter((row["longer"], row["shorter"]) for row in rows).most_common(1)[0]
    alike = sorted(
        (row for row in rows if (row["longer"], row["shorter"]) == (longer, shorter)), key=lambda row: row["b10_ratio"]
    )
    if count == 1:
        return class_words(max(rows, key=lambda row: row["b10_ratio"]))
    least, most = (f"{row['b10_ratio']:.1f} ({show_name(row['component'])})" for row in (alike[0], alike[-1]))
    whose = "Parts" if count == len(rows) else f"{count} of {len(rows)} kinds of parts"
    return f"{whose} in {longer} work last {least} to {most} times as long as in {shorter}"


def life_words(row: Row, scale: str) -> str:
    """Return one fit's B10 life as a sentence, nothing where it has none."""
    who = ", ".join(show_name(row[key]) for key in ("component", "duty_cycle") if not is_missing(row.get(key)))
    if is_missing(row.get("b10")):
        return ""
    span = show_ages(row["b10"], row.get("b10_low"), row.get("b10_high"), scale)
    return f"{who.capitalize() or 'All parts'}: one in ten has failed by {span}."


def widest_lives(fits: pd.DataFrame) -> tuple[Row, Row] | None:
    """Return the shortest and the longest B10 life of the part whose duty cycles differ most; None where none do."""
    known = fits.loc[fits["b10"] > 0] if "b10" in fits else fits.head(0)
    if not {"component", "duty_cycle"} <= set(known):
        return None
    ordered = (records(rows.sort_values("b10", kind="stable")) for _, rows in known.groupby("component", sort=False))
    pairs = [(rows[0], rows[-1]) for rows in ordered if rows[-1]["b10"] > rows[0]["b10"]]
    return max(pairs, key=lambda pair: float(pair[1]["b10"]) / float(pair[0]["b10"]), default=None)


def life_title(fits: pd.DataFrame, scale: str) -> str:
    """Return the widest difference between duty cycles in one sentence, or the one life where there is but one."""
    known = fits.dropna(subset=["b10"])
    if len(known) == 1:
        return life_words(records(known)[0], scale).rstrip(".")
    pair = widest_lives(fits)
    if pair is None:
        return "How long parts last"
    low, high = pair
    lives = [show_age(float(row["b10"]), scale, digits=2) for row in pair]
    return (
        f"{show_name(low['component']).capitalize()}: one in ten has failed by {lives[0]} in "
        f"{show_name(low['duty_cycle'])} work, by {lives[1]} in {show_name(high['duty_cycle'])}"
    )


def wear_title(parts: pd.DataFrame) -> str:
    """Return how many measured parts have reached their limit, and how many soon will, in one sentence."""
    known = parts.loc[parts["limit"].notna()]
    measured = int((known["latest"] >= known["limit"]).sum())
    by_rate = int(((known["miles_to_limit"] <= 0) & (known["latest"] < known["limit"])).sum())
    soon = int(known["miles_to_limit"].between(0, SOON, inclusive="right").sum())
    will = f"{soon:,}" if soon else "none"
    if not measured and not by_rate:
        return f"No part is past its limit; {will} will reach it within {SOON:,} miles"
    return (
        f"{many(measured, 'part')} measured at or past the limit, {by_rate:,} more past it by "
        f"{'its rate' if by_rate == 1 else 'their rates'}, and {will} will reach it within {SOON:,} miles"
    )


def early_title(units: pd.DataFrame) -> str:
    """Return which trucks fail clearly more often than their class, in one sentence."""
    flagged = units.loc[units["flagged"].astype(bool)]
    if flagged.empty:
        return "No truck fails more than its class explains"
    ordered = sorted(records(flagged), key=lambda row: (row["q_value"], str(row["unit_id"])))
    count = flagged["unit_id"].nunique()
    named = list(dict.fromkeys(show_text(row["unit_id"]) for row in ordered))[:NAMED_UNITS]
    more = f" and {count - len(named)} more" if count > len(named) else ""
    fails = "truck fails" if count == 1 else "trucks fail"
    return f"{count} {fails} clearly more often than the class: {', '.join(named)}{more}"


def stock_title(totals: pd.DataFrame, ahead: str) -> str:
    """Return how many failures to count on, in one sentence."""
    first = records(totals)[0]
    span = f"{show_count(float(first['low']))} to {show_count(float(first['high']))}"
    return f"Count on {show_whole(float(first['expected']))} failures in {ahead} ({span})"


def angles_title(lines: pd.DataFrame) -> str:
    """Return how many measured lines have joint angles out of range, in one sentence."""
    wrong = int((lines["out_of_range"] > 0).sum())
    return (
        f"{wrong:,} of {many(len(lines), 'measured line')} {'has' if wrong == 1 else 'have'} joint angles out of range"
    )


def work_title(work: pd.DataFrame) -> str:
    """Return how much work there is and how much of it is urgent, in one sentence."""
    counts = work["status"].value_counts(sort=False)
    urgent = [status for status in URGENT if status in counts.index] or list(counts.index[:2])
    first = ", ".join(f"{counts[status]:,} {_to_do(str(status))}" for status in urgent)
    return f"{many(len(work), 'task')} on {many(work['unit_id'].nunique(), 'truck')}: {first}"


def _to_do(status: str) -> str:
    return "to look at first" if status == "look_first" else show_name(status)


def load_title(explained: pd.DataFrame) -> str:
    """Return how much of the shortest life load would make, in one sentence; nothing where it is not known."""
    known = explained.dropna(subset=["share_explained"]) if "share_explained" in explained else explained.head(0)
    if known.empty:
        return ""
    row = records(known.loc[[known["life_ratio"].idxmin()]])[0]
    ends = (row["share_explained"], row["share_explained_low"], row["share_explained_high"])
    return (
        f"By the load-life rule, load would make {show_interval(*ends, 'share')} of the shorter life of a "
        f"{show_name(row['component'])} in {show_name(row['duty_cycle'])} work"
    )


def tried_words(tried: pd.DataFrame) -> list[str]:
    """Return what each forecast made in the past said, and what happened, a sentence each."""
    return [
        f"The forecast made as of {show_date(row['as_of'])} said "
        f"{show_interval(row['expected'], row['low'], row['high'], 'tally')} failures; {show_count(row['observed'])} "
        f"happened, {'inside' if row['covered'] else 'outside'} its range."
        for row in records(tried)
    ]


def adopted_words(adopted: pd.DataFrame, currency: str = "") -> str:
    """Return what other intervals would change in all, in one sentence."""
    row = records(adopted)[0]
    avoided = show_interval(row["avoided"], row.get("avoided_low"), row.get("avoided_high"), "tally")
    text = (
        f"At the other intervals {avoided} failures fewer are to be expected, for {show_whole(row['stops_then'])} "
        f"regrease stops instead of {show_whole(row['stops_now'])}"
    )
    if is_missing(row.get("saving")):
        return text
    saving = show_interval(row["saving"], row.get("saving_low"), row.get("saving_high"), "money")
    return f"{text}: a saving of {saving} {currency}".rstrip()


def _groups(given: Given) -> Iterator[str]:
    groups = given.table("groups")
    if len(groups):
        lives, failures = (int(groups[name].sum()) for name in ("lives", "failures"))
        exposure = show_age(float(groups["exposure"].sum()), given.scale)
        yield (
            f"{lives:,} part lives over {exposure}: {failures:,} ended in a failure, the others are still running or "
            "came off for another reason."
        )


def _meters(given: Given) -> Iterator[str]:
    wrong = given.table("meters")
    if len(wrong):
        values, trucks = int(wrong["values"].sum()), wrong["unit_id"].nunique()
        verb = "is" if values == 1 else "are"
        yield f"{many(values, 'meter value')} of {many(trucks, 'truck')} cannot be right and {verb} not used."


def _classes(given: Given) -> Iterator[str]:
    strange = given.table("misclassed")
    trucks = len(given.table("classes"))
    if not trucks:
        return
    if strange.empty:
        yield f"None of {many(trucks, 'truck')} is used like the trucks of another class of this fleet."
    else:
        names = [show_text(unit) for unit in strange["unit_id"].head(NAMED_UNITS)]
        more = f" and {len(strange) - len(names)} more" if len(strange) > len(names) else ""
        yield (
            f"{len(strange):,} of {many(trucks, 'truck')} {'is' if len(strange) == 1 else 'are'} used like the trucks "
            f"of another class: {', '.join(names)}{more}."
        )


def _fits(given: Given) -> Iterator[str]:
    fits = given.table("fits")
    pair = widest_lives(fits)
    if pair is not None:
        yield from (life_words(row, given.scale) for row in pair)
    elif "b10" in fits and fits["b10"].notna().sum() == 1:
        yield life_words(records(fits.dropna(subset=["b10"]))[0], given.scale)


def _compared(given: Given) -> Iterator[str]:
    rows = widest_contrasts(given.table("contrasts"))
    if len(rows) > 1:
        yield f"{class_title(given.table('contrasts'))}."
    yield from (f"{class_words(row)}." for row in rows)


def _worn(given: Given) -> Iterator[str]:
    if len(given.table("parts")) and given.table("parts")["limit"].notna().any():
        yield f"{wear_title(given.table('parts'))}."


def _driveline(given: Given) -> Iterator[str]:
    checks = given.table("checks")
    if len(checks):
        out = int((~checks["within"].astype(bool)).sum())
        mended = records(given.table("mended"))
        ways = [f"joint {row['joint']:.0f} by {row['change_deg']:+.2f} degrees".replace("-", "−") for row in mended]
        mend = f"; changing {listed(ways)} brings the line in" if ways else ""
        yield f"The line as given is out of {out} of its {many(len(checks), 'limit')}{mend if out else ''}."
        return
    load = load_title(given.table("explained"))
    if load:
        yield f"{load}."
    if len(given.table("lines")):
        yield f"{angles_title(given.table('lines'))}."


def _early(given: Given) -> Iterator[str]:
    units = given.table("units")
    if len(units):
        yield f"{early_title(units)}."
    lives = given.table("lives")
    if len(lives):
        flagged = int(lives["flagged"].astype(bool).sum())
        yield f"{many(flagged, 'single life', 'single lives') if flagged else 'No single life'} ended abnormally early."


def _forecast(given: Given) -> Iterator[str]:
    if len(given.table("adopted")):
        yield f"{adopted_words(given.table('adopted'), given.currency)}."
    elif len(given.table("backtest")):
        tried = given.table("backtest")
        held = int(tried["covered"].astype(bool).sum())
        yield f"What happened lay inside the range of {held} of {many(len(tried), 'forecast')} tried on the past."
    elif len(given.table("totals")):
        months = given.table("by_month")
        ahead = "the time ahead" if months.empty else ahead_words(int(months["months"].max()))
        yield f"{stock_title(given.table('totals'), ahead)}."
        yield from part_words(given.table("parts"))


def ahead_words(months: int) -> str:
    """Return the time that a forecast looks ahead, in words."""
    return "the next month" if months == 1 else f"the next {months} months"


def part_words(parts: pd.DataFrame) -> Iterator[str]:
    """Yield per part the failures to count on and the stock to keep, then what that stock covers."""
    if not {"component", "expected"} <= set(parts):
        return
    for row in records(parts):
        span = show_interval(row["expected"], row.get("low"), row.get("high"), "tally")
        others = row.get("other_replacements")
        beside = "" if is_missing(others) else f", {show_tally(float(str(others)))} other replacements"
        stock = "" if is_missing(row.get("stock")) else f"; keep {show_count(float(row['stock']))} at hand"
        yield f"{show_name(row['component']).capitalize()}: {span} failures{beside}{stock}."
    if "service_level" in parts and len(parts):
        share = 100 * float(parts["service_level"].iloc[0])
        yield f"That stock covers failures and other replacements together with a probability of {share:.4g} %."


def _due(given: Given) -> Iterator[str]:
    if len(given.table("work")):
        yield f"{work_title(given.table('work'))}."


_OPENINGS: dict[str, Callable[[Given], Iterator[str]]] = {
    "lives": _groups,
    "meters": _meters,
    "classes": _classes,
    "fit": _fits,
    "compare": _compared,
    "wear": _worn,
    "driveline": _driveline,
    "early": _early,
    "forecast": _forecast,
    "due": _due,
}
