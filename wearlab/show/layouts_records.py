"""Which columns of the tables of the records themselves and of the driveline a reader sees."""

from wearlab.show.fields import COMPONENT, DUTY_CYCLE, FAILURES, UNIT, Field, Layout, ends

WHERE = (Field("table", "Table", "text"), Field("file", "File", "text"), Field("line", "Line", "count"))
RECORD_LAYOUTS: dict[tuple[str, str], Layout] = {
    ("load", "tables"): Layout(
        "What was read",
        (
            Field("table", "Table", "text"),
            Field("rows_read", "Rows read", "count"),
            Field("rows_loaded", "Rows loaded", "count"),
            Field("rows_set_aside", "Rows set aside", "count"),
            Field("rows_already_loaded", "Rows already loaded", "count"),
        ),
        rows=24,
    ),
    ("load", "set_aside"): Layout(
        "What was set aside and why",
        (
            *WHERE,
            Field("column", "Column", "text"),
            Field("value", "Value", "text"),
            Field("reason", "Reason", "text"),
        ),
        rows=25,
    ),
    ("load", "changes"): Layout(
        "Rows that a later row of the same name replaces",
        (
            Field("table", "Table", "text"),
            Field("key", "Row", "text"),
            Field("file", "File", "text"),
            Field("line", "Line", "count"),
            Field("replaced_by_file", "Replaced by", "text"),
            Field("replaced_by_line", "Its line", "count"),
        ),
        rows=25,
    ),
    ("meters", "meters"): Layout(
        "Meter values that cannot be right",
        (
            UNIT,
            Field("reason", "Reason", "label"),
            Field("values", "Values", "count"),
            Field("of", "Of", "count"),
            Field("first_date", "First", "date"),
            Field("last_date", "Last", "date"),
        ),
        order=("-values", "unit_id", "reason"),
        rows=25,
    ),
    ("classes", "classes"): Layout(
        "Each truck's duty cycle beside its use",
        (
            UNIT,
            DUTY_CYCLE,
            Field("miles_per_year", "Miles a year", "whole"),
            Field("miles_per_hour", "Miles an engine hour", "number"),
            Field("looks_like", "Used like", "name"),
            Field("note", "Note", "prose"),
        ),
        order=("note", "unit_id"),
        rows=25,
    ),
    ("classes", "usual"): Layout(
        "What is usual in each duty cycle",
        (
            DUTY_CYCLE,
            Field("trucks", "Trucks", "count"),
            Field("miles_per_year_median", "Miles a year", "whole", "miles_per_year_low", "miles_per_year_high"),
            Field(
                "miles_per_hour_median", "Miles an engine hour", "number", "miles_per_hour_low", "miles_per_hour_high"
            ),
        ),
        rows=24,
    ),
    ("driveline", "explained"): Layout(
        "How much of the difference between classes is load",
        (
            COMPONENT,
            DUTY_CYCLE,
            Field("reference", "Compared with", "name"),
            FAILURES,
            ends("life_ratio", "Life in the records", "ratio"),
            Field("from_load", "Life by load alone", "ratio"),
            Field("from_turns", "By turns", "ratio"),
            Field("from_torque", "By torque", "ratio"),
            Field("from_angle", "By angle", "ratio"),
            ends("remainder", "Left to explain", "ratio"),
            ends("share_explained", "Share that is load", "share"),
        ),
        rows=24,
    ),
    ("driveline", "index"): Layout(
        "Does life follow load from truck to truck?",
        (
            COMPONENT,
            Field("comparison", "Compared", "name"),
            ends("exponent", "Exponent", "ratio"),
            Field("lives", "Lives", "count"),
            FAILURES,
        ),
        folded=True,
    ),
    ("driveline", "severity"): Layout(
        "How severe the duty of each class is",
        (
            Field("group", "Class", "name"),
            Field("turns_per_mile", "Turns a mile", "whole"),
            Field("equivalent_torque_nm", "Equal torque, N·m", "whole"),
            Field("damage_angle_deg", "Equal angle, degrees", "number"),
            Field("severity_per_turn", "Severity per turn", "ratio"),
            Field("severity_per_mile", "Severity per mile", "ratio"),
            Field("severity_per_hour", "Severity per hour", "ratio"),
        ),
        rows=24,
    ),
    ("driveline", "lines"): Layout(
        "Lines of shafts whose angles were measured",
        (
            UNIT,
            Field("line", "Line", "name"),
            Field("joints", "Joints", "count"),
            Field("speed_rpm", "Turns a minute", "whole"),
            Field("out_of_range", "Out of range", "count"),
            Field("worst", "First thing to change", "prose"),
        ),
        order=("-out_of_range", "unit_id", "line"),
    ),
    ("driveline", "changes"): Layout(
        "Angles to change",
        (
            UNIT,
            Field("line", "Line", "name"),
            Field("state", "State", "name"),
            Field("joint", "Joint", "count"),
            Field("check", "Check", "name"),
            Field("value", "Value", "number"),
            Field("limit", "Limit", "number"),
            Field("unit", "Unit", "text"),
            Field("text", "What to do", "prose"),
            Field("source", "Source", "text"),
        ),
        folded=True,
    ),
    ("driveline", "joints"): Layout(
        "The joints of the line",
        (
            Field("joint", "Joint", "count"),
            Field("state", "State", "name"),
            Field("angle_deg", "Angle, degrees", "number"),
            Field("ratio_low", "Slowest", "number"),
            Field("ratio_high", "Fastest", "number"),
            Field("acceleration", "Acceleration, rad/s²", "number"),
            Field("driving_couple_nm", "Driving couple, N·m", "number"),
            Field("driven_couple_nm", "Driven couple, N·m", "number"),
        ),
        rows=24,
    ),
    ("driveline", "shafts"): Layout(
        "Behind each joint",
        (
            Field("behind_joint", "Behind joint", "count"),
            Field("state", "State", "name"),
            Field("drive_residual_deg", "Angle left, driving, degrees", "number"),
            Field("drive_acceleration", "Acceleration, driving, rad/s²", "number"),
            Field("coast_residual_deg", "Angle left, coasting, degrees", "number"),
            Field("coast_acceleration", "Acceleration, coasting, rad/s²", "number"),
        ),
        rows=24,
    ),
    ("driveline", "checks"): Layout(
        "Against the reference limits",
        (
            Field("check", "Check", "name"),
            Field("state", "State", "name"),
            Field("joint", "Joint", "count"),
            Field("value", "Value", "number"),
            Field("limit", "Limit", "number"),
            Field("unit", "Unit", "text"),
            Field("within", "Within", "flag"),
            Field("text", "What to do", "prose"),
            Field("source", "Source", "text"),
        ),
        rows=40,
    ),
    ("driveline", "figures"): Layout(
        "Figures of the line",
        (Field("name", "Figure", "name"), Field("value", "Value", "number"), Field("unit", "Unit", "text")),
        rows=24,
    ),
}
