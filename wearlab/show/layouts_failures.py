"""Which columns of the tables of early and common failures a reader sees."""

from wearlab.show.fields import (
    COMPONENT,
    FACTOR,
    FAILURES,
    LIVES,
    POSITION,
    SHOP,
    UNIT,
    Field,
    Layout,
    ends,
)

FAILURE_LAYOUTS: dict[tuple[str, str], Layout] = {
    ("early", "units"): Layout(
        "Trucks against their class",
        (
            UNIT,
            COMPONENT,
            Field("observed", "Observed", "count"),
            Field("expected", "Expected", "ratio"),
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
            Field("age", "Age at failure, {scale}", "whole"),
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
            Field("power", "Is flagged with chance", "odds"),
        ),
        rows=24,
        only=("multiple", 4.0),
        folded=True,
    ),
    ("cluster", "levels"): Layout(
        "What failed parts have in common",
        (
            FACTOR,
            Field("level", "Level", "label"),
            LIVES,
            Field("observed", "Observed", "count"),
            Field("expected", "Expected", "number"),
            ends("ratio", "Observed to expected", "ratio"),
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
            Field("level", "Level", "label"),
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
            Field("age", "Age, {scale}", "whole"),
            Field("fitted", "Fitted", "date"),
            Field("probability_90_days", "Chance of failing in 90 days", "odds"),
        ),
    ),
    ("cluster", "which_clock"): Layout(
        "Young or worn: the suspect parts against the rest",
        (
            Field("group", "Group", "name"),
            LIVES,
            FAILURES,
            ends("beta", "Shape", "ratio"),
            Field("median_age_at_failure", "Median age at failure, {scale}", "whole"),
            Field("median_days_since_service", "Median days since service", "whole"),
            Field("reading", "Reading", "prose"),
        ),
        folded=True,
    ),
    ("cluster", "before_after"): Layout(
        "Before and after the fix",
        (
            Field("group", "Fitted", "name"),
            LIVES,
            Field("observed", "Observed", "count"),
            Field("expected", "Expected", "number"),
            ends("ratio", "Observed to expected", "ratio"),
        ),
    ),
    ("cluster", "what_would_settle"): Layout(
        "What would settle it", (Field("step", "Step", "prose"), Field("tells", "Tells", "prose"))
    ),
    ("cluster", "consequences"): Layout(
        "What it costs further down: splines under the boots",
        (
            Field("group", "Splines", "label"),
            Field("splines", "Lives", "count"),
            Field("observed", "Observed", "count"),
            Field("expected", "Expected", "number"),
            ends("ratio", "Observed to expected", "ratio"),
            Field("times_before", "Times as often as before", "ratio", "times_before_low", "times_before_high"),
            Field("cost", "Cost of the failures, {currency}", "money"),
        ),
    ),
    ("cluster", "combination"): Layout(
        "Does a combination explain more?",
        (Field("model", "Model", "label"), Field("gain", "Gain", "number"), Field("reading", "Reading", "prose")),
        folded=True,
    ),
    ("cluster", "install_audit"): Layout(
        "How parts were fitted: records against the limits",
        (
            Field("check", "Check", "name"),
            Field("limit", "Limit", "text"),
            COMPONENT,
            SHOP,
            Field("crew", "Crew", "label"),
            Field("fitted", "Fitted", "count"),
            Field("share", "Outside the limit", "share", "low", "high"),
        ),
        order=("-share", "check", "component", "crew"),
        folded=True,
    ),
    ("cluster", "install_effect"): Layout(
        "Do parts fitted outside the limits fail more?",
        (
            Field("check", "Check", "name"),
            COMPONENT,
            Field("fitted_wrong", "Fitted outside", "count"),
            Field("observed_wrong", "Observed", "count"),
            Field("expected_wrong", "Expected", "number"),
            ends("times", "Times as often", "ratio"),
            Field("p_value", "p value", "chance"),
        ),
        folded=True,
    ),
}
