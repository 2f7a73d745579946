"""Which columns of which table a reader sees, under which headings, in which order."""

from dataclasses import dataclass

TOP_ROWS = 12


@dataclass(frozen=True, slots=True)
class Field:
    """One shown column: its name in the frame, heading, kind (figures.KINDS) and, with an interval, its ends."""

    column: str
    heading: str
    kind: str
    low: str | None = None
    high: str | None = None


@dataclass(frozen=True, slots=True)
class Layout:
    """How one table is shown.

    ``order`` sorts it (``-name`` = falling), ``rows`` is how many stand on the page, ``only`` (column, value) picks
    the rows that do.
    """

    caption: str
    fields: tuple[Field, ...]
    order: tuple[str, ...] = ()
    rows: int = TOP_ROWS
    only: tuple[str, object] | None = None


def _ends(column: str, heading: str, kind: str) -> Field:
    return Field(column, heading, kind, f"{column}_low", f"{column}_high")


COMPONENT = Field("component", "Part", "name")
DUTY_CYCLE = Field("duty_cycle", "Duty cycle", "name")
UNIT = Field("unit_id", "Truck", "text")
POSITION = Field("position", "Position", "text")
LIVES = Field("lives", "Lives", "count")
FAILURES = Field("failures", "Failures", "count")
FACTOR = Field("factor", "Factor", "name")

LAYOUTS: dict[tuple[str, str], Layout] = {
    ("lives", "groups"): Layout(
        "Lives behind this report",
        (
            COMPONENT,
            DUTY_CYCLE,
            LIVES,
            FAILURES,
            Field("suspensions", "Suspensions", "count"),
            Field("entered_late", "Entered late", "count"),
            Field("age_unknown", "Age unknown", "count"),
            Field("position_unknown", "Position unknown", "count"),
            Field("exposure", "Exposure", "whole"),
        ),
        rows=40,
    ),
    ("fit", "fits"): Layout(
        "Life curves by part and duty cycle",
        (
            COMPONENT,
            DUTY_CYCLE,
            LIVES,
            FAILURES,
            _ends("b10", "B10 life", "number"),
            _ends("beta", "Shape", "ratio"),
            _ends("eta", "Characteristic life", "number"),
            Field("frailty_variance", "Spread between trucks", "ratio"),
        ),
        rows=24,
    ),
    ("fit", "checks"): Layout(
        "Does the curve fit?",
        (
            COMPONENT,
            DUTY_CYCLE,
            Field("straightness_p", "Straight on paper, p value", "chance"),
            Field("chosen_by_aic", "Curve that fits best", "name"),
            Field("early_share", "Share failing young", "share"),
            Field(
                "later_hazard_ratio",
                "Later parts against first",
                "ratio",
                "later_hazard_ratio_low",
                "later_hazard_ratio_high",
            ),
            Field("later_p", "p value", "chance"),
        ),
        rows=24,
    ),
    ("fit", "modes"): Layout(
        "How parts fail",
        (
            COMPONENT,
            DUTY_CYCLE,
            Field("mode", "Failure mode", "name"),
            FAILURES,
            Field("share_of_failures", "Share of failures", "share"),
            Field("grease_bears_on_it", "Grease bears on it", "name"),
        ),
        order=("component", "duty_cycle", "-failures", "mode"),
        rows=40,
    ),
    ("fit", "trend"): Layout(
        "Do replacements come ever faster?",
        (
            COMPONENT,
            Field("places", "Positions", "count"),
            FAILURES,
            Field("beta", "Trend", "ratio", "beta_low", "beta_high"),
            Field("p_value", "p value", "chance"),
        ),
    ),
    ("compare", "classes"): Layout(
        "Classes side by side",
        (
            COMPONENT,
            Field("level", "Class", "name"),
            LIVES,
            FAILURES,
            _ends("b10", "B10 life", "number"),
            _ends("rate_per_million", "Failures per million", "number"),
            _ends("cost_per_1000", "Cost per 1,000", "money"),
        ),
        rows=24,
    ),
    ("compare", "contrasts"): Layout(
        "How much longer or shorter, class against class",
        (
            COMPONENT,
            Field("level", "Class", "name"),
            Field("reference", "Compared with", "name"),
            _ends("b10_ratio", "B10 ratio", "ratio"),
            Field("p_value", "p value", "chance"),
        ),
        rows=24,
    ),
    ("intervals", "regrease"): Layout(
        "Regrease intervals",
        (
            DUTY_CYCLE,
            Field("current", "Today", "number"),
            Field("recommended", "Recommended", "number"),
            Field("flat_zone", "Flat zone", "number", "low", "high"),
            Field("cost_optimal", "Cheapest before limits", "number"),
            Field("saving_per_truck_year", "Saving per truck-year", "money", "saving_low", "saving_high"),
            Field("probability_better", "Chance of being better", "share"),
            Field("evidence", "Evidence", "name"),
            Field("limited_by", "Limited by", "name"),
        ),
        rows=24,
    ),
    ("intervals", "effects"): Layout(
        "What the regrease interval does to failures",
        (
            DUTY_CYCLE,
            COMPONENT,
            _ends("theta", "Theta", "ratio"),
            FAILURES,
            Field("trucks", "Trucks", "count"),
            Field("reliability_ratio", "Reliability ratio", "ratio"),
        ),
        rows=24,
    ),
    ("intervals", "replacement"): Layout(
        "Planned replacement",
        (
            COMPONENT,
            DUTY_CYCLE,
            Field("policy", "Policy", "name"),
            Field("replace_at", "Replace at", "number", "replace_at_low", "replace_at_high"),
            Field("cost_per_1000", "Cost per 1,000", "money", "cost_per_1000_low", "cost_per_1000_high"),
            Field("run_to_failure_per_1000", "Run to failure, per 1,000", "money"),
            Field("saving_share", "Saving", "share"),
            FAILURES,
        ),
        rows=24,
    ),
    ("intervals", "today"): Layout(
        "What is done today",
        (
            DUTY_CYCLE,
            Field("gaps", "Gaps", "count"),
            Field("trucks", "Trucks", "count"),
            Field("median", "Median gap, 8 in 10 gaps", "number", "p10", "p90"),
            Field("planned_miles", "Planned", "whole"),
            Field("share_over_plan", "Later than planned", "share"),
        ),
        rows=24,
    ),
    ("intervals", "tried"): Layout(
        "What other intervals would do",
        (
            DUTY_CYCLE,
            Field("interval", "Interval", "number"),
            _ends("failures_per_100_truck_years", "Failures in 100 truck-years", "number"),
            _ends("cost_per_1000", "Cost per 1,000", "money"),
        ),
        rows=24,
        only=("component", "all"),
    ),
    ("early", "units"): Layout(
        "Trucks against their class",
        (
            UNIT,
            COMPONENT,
            Field("observed", "Observed", "count"),
            Field("expected", "Expected", "number"),
            Field("ratio", "Ratio", "ratio"),
            Field("shrunken_ratio", "Shrunken ratio", "ratio", "ratio_low", "ratio_high"),
            Field("p_value", "p value", "chance"),
            Field("q_value", "q value", "chance"),
            Field("flagged", "Flagged", "flag"),
        ),
        order=("-flagged", "q_value", "p_value", "unit_id"),
    ),
    ("early", "lives"): Layout(
        "Single lives that ended early",
        (
            UNIT,
            POSITION,
            Field("age", "Age at failure", "whole"),
            Field("u", "Share failing by then", "chance"),
            Field("q_value", "q value", "chance"),
            Field("flagged", "Flagged", "flag"),
        ),
        order=("-flagged", "q_value", "u", "unit_id"),
    ),
    ("early", "power"): Layout(
        "How many failures it takes to be flagged here",
        (
            COMPONENT,
            Field("expected", "Expected", "number"),
            Field("failures_needed", "Failures needed", "count"),
            Field("multiple", "A truck this many times worse", "number"),
            Field("power", "Is flagged with chance", "share"),
        ),
        rows=24,
        only=("multiple", 4.0),
    ),
    ("cluster", "levels"): Layout(
        "What failed parts have in common",
        (
            FACTOR,
            Field("level", "Level", "text"),
            LIVES,
            Field("observed", "Observed", "count"),
            Field("expected", "Expected", "number"),
            _ends("ratio", "Observed to expected", "ratio"),
            Field("p_value", "p value", "chance"),
            Field("p_adjusted", "Adjusted p value", "chance"),
        ),
        order=("p_adjusted", "p_value", "-ratio", "factor", "level"),
    ),
    ("cluster", "beyond"): Layout(
        "Beyond what the verdict names",
        (
            Field("kind", "Kind", "name"),
            FACTOR,
            Field("level", "Level", "text"),
            LIVES,
            Field("observed", "Observed", "count"),
            Field("expected", "Expected", "number"),
            Field("ratio", "Ratio", "ratio"),
            Field("p_adjusted", "Adjusted p value", "chance"),
        ),
    ),
    ("cluster", "at_risk"): Layout(
        "Still running with the suspect property",
        (
            UNIT,
            POSITION,
            Field("age", "Age", "whole"),
            Field("fitted", "Fitted", "date"),
            Field("probability_90_days", "Chance of failing in 90 days", "share"),
        ),
    ),
    ("cluster", "which_clock"): Layout(
        "Young or worn: the suspect parts against the rest",
        (
            Field("group", "Group", "name"),
            LIVES,
            FAILURES,
            _ends("beta", "Shape", "ratio"),
            Field("median_age_at_failure", "Median age at failure", "whole"),
            Field("median_days_since_service", "Median days since service", "whole"),
            Field("reading", "Reading", "prose"),
        ),
    ),
    ("cluster", "before_after"): Layout(
        "Before and after the fix",
        (
            Field("group", "Fitted", "name"),
            LIVES,
            Field("observed", "Observed", "count"),
            Field("expected", "Expected", "number"),
            _ends("ratio", "Observed to expected", "ratio"),
        ),
    ),
    ("cluster", "what_would_settle"): Layout(
        "What would settle it", (Field("step", "Step", "prose"), Field("tells", "Tells", "prose"))
    ),
    ("forecast", "totals"): Layout(
        "Failures to count on",
        (Field("group", "Group", "name"), Field("expected", "Expected", "number", "low", "high")),
        rows=24,
    ),
    ("forecast", "parts"): Layout(
        "Parts to stock",
        (
            COMPONENT,
            Field("parts", "In service", "count"),
            Field("expected", "Failures expected", "number", "low", "high"),
            Field("stock", "Stock that suffices", "count"),
            Field("cost", "Cost of the failures", "money", "cost_low", "cost_high"),
        ),
        rows=24,
    ),
    ("forecast", "units"): Layout(
        "Parts most likely to fail next",
        (
            UNIT,
            POSITION,
            COMPONENT,
            Field("age", "Age", "whole"),
            Field("probability", "Chance of failing", "share", "low", "high"),
        ),
        order=("-probability", "unit_id", "position"),
    ),
    ("forecast", "by_shop"): Layout(
        "Failures to count on by shop",
        (
            Field("shop", "Shop", "text"),
            Field("parts", "In service", "count"),
            Field("expected", "Expected", "number", "low", "high"),
        ),
        rows=24,
    ),
    ("forecast", "backtest"): Layout(
        "The forecast tried on the past",
        (
            Field("as_of", "Made as of", "date"),
            Field("expected", "Expected", "number", "low", "high"),
            Field("observed", "Happened", "count"),
            Field("covered", "Inside the range", "flag"),
        ),
    ),
    ("wear", "parts"): Layout(
        "Measured wear and what is left",
        (
            UNIT,
            POSITION,
            Field("quantity", "Quantity", "name"),
            Field("latest", "Latest", "number"),
            Field("limit", "Limit", "number"),
            Field("unit", "Unit", "text"),
            Field("rate_per_1000", "Per 1,000 miles", "number"),
            Field("miles_to_limit", "Miles to limit", "number", "low", "high"),
            Field("status", "Status", "text"),
        ),
        order=("miles_to_limit", "unit_id", "position"),
    ),
    ("wear", "rates"): Layout(
        "How fast parts wear",
        (
            COMPONENT,
            DUTY_CYCLE,
            Field("quantity", "Quantity", "name"),
            Field("parts", "Parts", "count"),
            Field("measurements", "Measurements", "count"),
            Field("rate_per_1000", "Per 1,000 miles", "number"),
            Field("unit", "Unit", "text"),
        ),
        rows=24,
    ),
    ("due", "shops"): Layout(
        "Work by shop",
        (
            Field("shop", "Shop", "text"),
            Field("status", "Status", "name"),
            Field("trucks", "Trucks", "count"),
            Field("jobs", "Jobs", "count"),
            Field("minutes", "Minutes", "count"),
        ),
        rows=24,
    ),
    ("due", "work"): Layout(
        "Work list",
        (
            Field("status", "Status", "name"),
            UNIT,
            Field("shop", "Shop", "text"),
            POSITION,
            Field("task", "Task", "name"),
            Field("due_miles", "Due at", "whole"),
            Field("due_date", "Due on", "date"),
            Field("why", "Why", "prose"),
        ),
        rows=20,
    ),
}
