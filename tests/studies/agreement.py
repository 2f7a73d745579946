"""A thousand random strata fitted three ways: the batched kernel, scipy's maximum of the likelihood, lifelines.

Run: ``python -m tests.studies.agreement 1000`` (a minute or two); it rewrites agreement.md beside this file. All of it
but lifelines is an ordinary test too, and so are the first strata with lifelines (tests/test_agreement.py).
"""

import sys
import time
from collections.abc import Sequence
from importlib.metadata import version

import numpy as np

from tests.random_strata import (
    KINDS,
    SEED,
    Stratum,
    distance,
    draw_strata,
    fit_together,
    maximise_directly,
    read_from_zero,
)
from tests.studies.result_table import write_result
from wearlab.curves.engine import fit_with_engine
from wearlab.curves.weibull import Weibull

ABOUT = """Strata of 5 to 400 lives from simulated fleets, six kinds of censoring in turn (tests/random_strata.py). The
differences are the greatest in ln β and ln η over the strata of a kind. A stratum without a maximum has none in scipy
either (tests/test_agreement.py). lifelines {} is called through the one door to it, on ages divided by η.

Last column: an interval begins at age 0 and the shape is below 0.4. lifelines reads age 0 as 1e-25, which is not early
enough there; its maximum is another one, less likely than the printed one. These strata are in the first difference
and not in the second."""


def compare(strata: Sequence[Stratum]) -> list[dict[str, object]]:
    """Return a row per kind: strata, those with a maximum, the worst differences, and where lifelines had no answer."""
    fits = fit_together(strata)
    rows: list[dict[str, object]] = []
    for kind in KINDS:
        of_kind = [number for number, stratum in enumerate(strata) if stratum.kind == kind]
        found = [number for number in of_kind if fits.converged[number]]
        direct, engine, refused = [0.0], [0.0], 0
        for number in found:
            obs = strata[number].obs
            own = Weibull(float(fits.shape[number]), float(np.exp(fits.log_eta[number])))
            direct.append(distance(own, *np.exp(maximise_directly(obs)[:2])))
            answer = fit_with_engine(obs, own).curve
            refused += answer is None
            if answer is not None and not read_from_zero(obs, own.shape):
                engine.append(distance(own, answer.shape, answer.eta))
        rows.append(
            {
                "kind": kind,
                "strata": len(of_kind),
                "with a maximum": len(found),
                "from scipy at most": f"{max(direct):.1e}",
                "from lifelines at most": f"{max(engine):.1e}",
                "lifelines without an answer": refused,
                "age 0 and shape below 0.4": len(found) + 1 - len(engine) - refused,
            }
        )
    return rows


def main() -> None:
    """Compare and rewrite the table."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    started = time.process_time()
    rows = compare(draw_strata(number, seed=SEED))
    about = ABOUT.format(version("lifelines"))
    write_result("agreement", about, {"Greatest differences": rows}, time.process_time() - started, number)


if __name__ == "__main__":
    main()
