"""What speaks against one Weibull curve for one stratum, in numbers and in words."""

from dataclasses import dataclass, replace

from wearlab.curves.mixture import TwoPopulations, find_two_populations
from wearlab.curves.observations import BoolArray
from wearlab.curves.quality import ENOUGH, Rivals, Straightness, compare_rivals, judge_straightness
from wearlab.curves.strata import say_stratum
from wearlab.curves.stratum import Fit
from wearlab.curves.successive import Successive, compare_successive
from wearlab.evidence import Caution, add_cautions

DOUBT = 0.05  # p value below which a bend, a second population or a change with successive parts is said
EARLY_AT_MOST = 0.4  # of all parts: a larger first population is the rule, not an early failure
ENOUGH_FOR_TWO = 20  # failures from which a second population is looked for


@dataclass(frozen=True, slots=True)
class Checks:
    """The checks of one fit; None where failures are too few for one."""

    straightness: Straightness | None
    rivals: Rivals | None
    two_populations: TwoPopulations | None
    successive: Successive | None


def check_fit(fit: Fit, later: BoolArray) -> Checks:
    """Return the checks of one fit; ``later`` marks the lives that are not the first of their place in the record."""
    obs = fit.observations
    straightness = judge_straightness(obs, fit.curve)
    rivals = compare_rivals(obs, fit.log_likelihood) if obs.failures >= ENOUGH else None
    two = None
    if straightness is not None and straightness.p_value < DOUBT and obs.failures >= ENOUGH_FOR_TWO:
        two = find_two_populations(obs, fit.curve, fit.log_likelihood)
        two = two if two is not None and two.p_value < DOUBT and two.early_share <= EARLY_AT_MOST else None
    successive = compare_successive(obs, later, fit.curve, level=fit.basis.level)
    return Checks(straightness, rivals, two, successive)


def caution_fit(fit: Fit, checks: Checks) -> Fit:
    """Return the fit with the cautions that its checks deserve."""
    prefix = say_stratum(fit.basis.stratum)
    found = (*_say_bend(checks, prefix, fit.basis.scale), *_say_rival(checks, prefix), *_say_later(checks, prefix))
    said = tuple(Caution(caution.code, caution.text[0].upper() + caution.text[1:]) for caution in found)
    return replace(fit, cautions=add_cautions(fit.cautions, found if prefix else said))


def _say_bend(checks: Checks, prefix: str, scale: str) -> tuple[Caution, ...]:
    straight, two = checks.straightness, checks.two_populations
    if straight is None or straight.p_value >= DOUBT:
        return ()
    start = f"{prefix}the failures bend on Weibull paper (p = {straight.p_value:.2g}): "
    if two is not None:
        half = float(two.early.life_at(0.5))
        text = (
            f"about {100 * two.early_share:.0f} % of the parts look like early failures (half of them gone by "
            f"{half:,.0f} {scale}), the rest like parts with shape {two.rest.shape:.1f}. One curve stands between them."
        )
    elif straight.bend < 0:
        text = (
            "fast at first, then slower, as when weak parts or hard-used trucks fail first. One curve stands between."
        )
    else:
        text = (
            "slow at first, then faster than one curve allows, as when some early failures stand before wear-out. One "
            "curve stands between."
        )
    return (Caution("bend", start + text),)


def _say_rival(checks: Checks, prefix: str) -> tuple[Caution, ...]:
    if checks.rivals is None or checks.rivals.chosen != "lognormal":
        return ()
    gap = checks.rivals.weibull - checks.rivals.lognormal
    text = (
        f"{prefix}a lognormal curve fits better than the Weibull (AIC lower by {gap:.1f}): do not carry the curve far "
        "beyond the ages seen."
    )
    return (Caution("lognormal-fits-better", text),)


def _say_later(checks: Checks, prefix: str) -> tuple[Caution, ...]:
    successive = checks.successive
    if successive is None or successive.p_value >= DOUBT:
        return ()
    text = (
        f"{prefix}parts fitted later fail {successive.ratio:.2f} times as often as the first ones at the same age on "
        f"the same trucks ({successive.low:.2f} to {successive.high:.2f}): one curve for all of them is a mixture."
    )
    return (Caution("successive-lives-differ", text),)
