"""Every term that the tool prints is explained."""

import pytest

from wearlab.show import columns
from wearlab.show.figures import KINDS, in_larger_unit
from wearlab.show.layouts import LAYOUTS
from wearlab.show.tables import in_units
from wearlab.show.words import ALIASES, TERMS, explain

# Every column of the documents that --json prints.
COLUMNS = """
component duty_cycle lives failures suspensions entered_late age_unknown position_unknown exposure beta
beta_low beta_high eta eta_low b10 b10_high log_likelihood beta_pooled eta_pooled b10_pooled frailty_variance
method cautions level rate_per_million rate_per_million_low cost_per_1000 cost_per_1000_high reference
b10_ratio b10_ratio_low p_value recommended cost_optimal low high current saving_per_truck_year saving_low
saving_high probability_better evidence limited_by theta theta_low trucks reliability_ratio replace_at policy
unit_id observed expected ratio shrunken_ratio ratio_low q_value flagged position age u found factor
p_adjusted text group probability as_of covered quantity latest rate miles_to_limit task due_miles due_date
status why rows_read rows_loaded rows_set_aside rows_already_loaded table file line column reason value
"""


@pytest.mark.parametrize("column", COLUMNS.split())
def test_every_public_column_is_explained(column: str) -> None:
    assert explain(column), column


@pytest.mark.parametrize(
    "term",
    ["B10", "suspension", "delayed entry", "flat zone", "Flat-Zone", "FRAILTY", "practised miles", "theta", "q value",
     "shrunken ratio", "evidence", "characteristic life", "shape", "regrease", "spread between trucks"],
)  # fmt: skip
def test_terms_are_found_however_they_are_written(term: str) -> None:
    assert explain(term)


def test_every_heading_of_the_report_is_explained() -> None:
    units = {"scale": "miles", "currency": "USD"}
    headings = {in_units(field.heading, units) for layout in LAYOUTS.values() for field in layout.fields}
    assert sorted(heading for heading in headings if explain(heading) is None) == []


def test_headings_in_larger_units_are_explained_too() -> None:
    units = {"scale": "joint turns", "currency": "USD"}
    fields = [field for layout in LAYOUTS.values() for field in layout.fields]
    headings = {in_units(in_larger_unit(field.heading, "joint turns")[0], units) for field in fields}
    assert sorted(heading for heading in headings if explain(heading) is None) == []


def test_every_column_is_shown_in_a_way_that_is_known() -> None:
    fields = [(name, field) for name, layout in LAYOUTS.items() for field in layout.fields]
    assert [(name, field.column) for name, field in fields if field.kind not in KINDS] == []


def test_every_limit_and_grade_that_a_recommendation_can_carry_is_explained() -> None:
    words = ["strong", "moderate", "weak", "none", "published_interval", "practised_range", "target", "one_step"]
    assert all(explain(word) for word in words)


def test_the_ends_of_an_interval_are_named_as_such() -> None:
    assert str(explain("beta_low")).startswith("The lower end")
    assert str(explain("b10_ratio_high")).endswith(TERMS["B10 ratio"])


def test_a_word_that_the_tool_does_not_use_has_no_explanation() -> None:
    assert explain("flux capacitor") is None
    assert explain("") is None
    assert explain("low_low_low") is None


def test_every_other_name_leads_to_a_term() -> None:
    assert [name for name in ALIASES if explain(name) is None] == []


def test_explanations_are_whole_sentences_of_moderate_length() -> None:
    for term, text in (TERMS | columns.COLUMNS).items():
        assert text[0].isupper(), term
        assert text.endswith("."), term
        assert len(text) < 420, term
