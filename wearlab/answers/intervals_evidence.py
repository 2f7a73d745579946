"""How strong the evidence is, by written rules, and what would have to be true for it to be wrong."""

from dataclasses import dataclass

from wearlab.answers.intervals_costs import TruckCosts

GRADES = ("none", "weak", "moderate", "strong")


@dataclass(frozen=True, slots=True)
class Facts:
    """What the grade of evidence is judged by, for one class."""

    theta_low: float | None  # of the effect that drives the change
    failures: int
    trucks: int
    probability_better: float | None  # None where nothing changes
    range_ratio: float
    reliability_ratio: float | None
    same_sign: bool  # within shops and within trucks, where they can be estimated
    control_clear: bool  # the negative control is compatible with no effect
    lengthens: bool


def grade_evidence(facts: Facts) -> str:
    """Return ``strong``, ``moderate`` or ``weak``.

    moderate: the effect's lower limit is above 0, 60 failures, 40 trucks, probability better of 0.9 or more.
    strong: also a range of practice (95th over 5th percentile) of 3, a reliability ratio of 0.9, a probability of
    0.95, the same sign within shops and within trucks, and a clear negative control. A change that lengthens the
    interval is moderate at most. One grade lower where the reliability ratio is under 0.7.
    """
    sure = 1.0 if facts.probability_better is None else facts.probability_better
    moderate = (
        facts.theta_low is not None
        and facts.theta_low > 0
        and facts.failures >= 60
        and facts.trucks >= 40
        and sure >= 0.9
    )
    reliability = 1.0 if facts.reliability_ratio is None else facts.reliability_ratio
    strong = (
        moderate
        and facts.range_ratio >= 3
        and facts.reliability_ratio is not None
        and reliability >= 0.9
        and sure >= 0.95
        and facts.same_sign
        and facts.control_clear
        and not facts.lengthens
    )
    grade = 1 + moderate + strong
    return GRADES[max(grade - (reliability < 0.7), 1)]


def strengthen(facts: Facts) -> str:
    """Return what would make the evidence stronger, in plain words."""
    wants = []
    if facts.failures < 60:
        wants.append(f"{60 - facts.failures} more failures (a longer record or more trucks)")
    if facts.trucks < 40:
        wants.append(f"{40 - facts.trucks} more trucks of this class")
    if facts.range_ratio < 3:
        wants.append("greasing some trucks clearly more often and some less often, within the maker's limits")
    if facts.reliability_ratio is None or facts.reliability_ratio < 0.9:
        wants.append("stops kept closer to each truck's own interval")
    if facts.theta_low is None or facts.theta_low <= 0:
        wants.append("a trial: two intervals side by side in one shop, chosen by lot")
    if not facts.control_clear:
        wants.append(
            "finding out what else differs on trucks that are greased often (the ungreased bearing differs too)"
        )
    if not facts.same_sign:
        wants.append("trucks whose interval changes while shop and work stay the same")
    return "; ".join(wants)


def driving_part(costs: TruckCosts) -> int:
    """Return which part's effect moves the cost most: cost of a failure × positions × θ / η at the fit."""
    weight = [part.cost * part.positions * abs(float(part.theta[0])) / float(part.eta[0]) for part in costs.parts]
    return max(range(len(weight)), key=lambda k: weight[k])
