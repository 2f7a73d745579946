"""Failure modes in the fleet's own words, and which of them grease can influence."""

import re

GREASE_BEARS_ON = re.compile(
    r"brinell|spall|gall|burn|seiz|dry|lube|lubric|grease|contamin|water|rust|corro|seal|wear|worn|backlash|play|purge",
    re.IGNORECASE,
)
GREASE_DOES_NOT = re.compile(
    r"fractur|broken|crack|impact|tear|torn|cut|clamp|rotat|walk|bolt|strap|loose|twist|dent|balance|bracket|cushion"
    r"|accident|collision|overload|install|fitting",
    re.IGNORECASE,
)


def judge_mode(mode: str) -> str:
    """Return whether a regrease interval can bear on a failure mode: ``yes``, ``no`` or ``unknown``, by its words.

    Common practice, no source: lack of grease and what grease flushes out bear on wear, galling, spalling, seizing and
    corrosion; torn boots, clamps, loose or reused bolts, overload and poor fitting are no matter of the interval.
    """
    if GREASE_DOES_NOT.search(mode):
        return "no"
    return "yes" if GREASE_BEARS_ON.search(mode) else "unknown"
