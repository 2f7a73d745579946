"""Which columns of the tables of what lies ahead a reader sees: forecast, wear, work."""

from wearlab.show.fields import COMPONENT, DUTY_CYCLE, POSITION, SHOP, UNIT, Field, Layout, ends

AHEAD_LAYOUTS: dict[tuple[str, str], Layout] = {
    ("forecast", "totals"): Layout(
        "Failures to count on",
        (Field("group", "Group", "name"), Field("expected", "Expected", "number", "low", "high")),
        rows=24,
        folded=True,
    ),
    ("forecast", "parts"): Layout(
        "Parts to stock",
        (
            COMPONENT,
            Field("parts", "In service", "count"),
            Field("expected", "Failures expected", "number", "low", "high"),
            Field("stock", "Stock that suffices", "count"),
            Field("cost", "Cost of the failures, {currency}", "money", "cost_low", "cost_high"),
        ),
        rows=24,
    ),
    ("forecast", "units"): Layout(
        "Parts most likely to fail next",
        (
            UNIT,
            POSITION,
            COMPONENT,
            Field("age", "Age, {scale}", "whole"),
            Field("probability", "Chance of failing", "odds", "low", "high"),
        ),
        order=("-probability", "unit_id", "position"),
    ),
    ("forecast", "by_shop"): Layout(
        "Failures to count on by shop",
        (
            SHOP,
            Field("parts", "In service", "count"),
            Field("expected", "Expected", "number", "low", "high"),
        ),
        rows=24,
        folded=True,
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
        folded=True,
    ),
    ("due", "shops"): Layout(
        "Work by shop",
        (
            SHOP,
            Field("status", "Status", "name"),
            Field("trucks", "Trucks", "count"),
            Field("jobs", "Jobs", "count"),
            Field("minutes", "Minutes", "count"),
        ),
        rows=24,
        folded=True,
    ),
    ("due", "work"): Layout(
        "Work list",
        (
            Field("status", "Status", "name"),
            UNIT,
            SHOP,
            POSITION,
            Field("task", "Task", "name"),
            Field("due_miles", "Due at, miles", "whole"),
            Field("due_date", "Due on", "date"),
            Field("why", "Why", "prose"),
        ),
        rows=20,
    ),
    ("forecast", "groups"): Layout(
        "The same by part and duty cycle",
        (
            Field("as_of", "Made as of", "date"),
            Field("group", "Group", "name"),
            Field("expected", "Expected", "number", "low", "high"),
            Field("observed", "Happened", "count"),
            Field("covered", "Inside the range", "flag"),
        ),
        rows=60,
        folded=True,
    ),
    ("forecast", "rivals"): Layout(
        "Against simpler forecasts",
        (
            Field("method", "Method", "name"),
            Field("mean_absolute_error", "Mean error of the count", "number"),
            Field("brier", "Brier score", "number"),
            Field("concordance", "Pairs ranked rightly", "share"),
        ),
        rows=24,
        folded=True,
    ),
    ("forecast", "calibration"): Layout(
        "Do parts of high chance fail more often?",
        (
            Field("risk_group", "Risk group", "count"),
            Field("parts", "Parts", "count"),
            Field("share_expected", "Expected to fail", "share"),
            Field("share_observed", "Failed", "share", "share_low", "share_high"),
        ),
        rows=10,
        folded=True,
    ),
    ("forecast", "change"): Layout(
        "What other intervals would change",
        (
            COMPONENT,
            DUTY_CYCLE,
            Field("interval_now", "Interval now, miles", "number"),
            Field("interval_then", "Interval then, miles", "number"),
            Field("expected_now", "Failures now", "number"),
            Field("expected_then", "Failures then", "number"),
            ends("avoided", "Failures avoided", "number"),
            ends("saving", "Saving, {currency}", "money"),
        ),
        rows=40,
    ),
    ("forecast", "stops"): Layout(
        "What the stops would cost",
        (
            DUTY_CYCLE,
            Field("trucks", "Trucks", "count"),
            Field("stops_now", "Stops now", "count"),
            Field("stops_then", "Stops then", "count"),
            Field("cost_now", "Cost now, {currency}", "money"),
            Field("cost_then", "Cost then, {currency}", "money"),
        ),
        rows=24,
    ),
}
