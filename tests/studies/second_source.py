"""Random strata fitted by R's survival package, frozen for the ordinary tests (tests/truth/test_second_source.py).

Run: ``python -m tests.studies.second_source`` (some minutes; wants Rscript with Debian's r-cran-survival). It writes
the lives to a folder, calls second_source.R there, and freezes what R answers into second_source_fits.csv and
second_source_others.csv of tests/data.

survreg fits strata of every kind of censoring. It knows no late entry: such strata are fitted in R by the densities of
base R given survival to entry. Limits are where the profile lies half the critical value below its maximum.
"""

import subprocess
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from tests.random_strata import Stratum, draw_strata, fit_together
from wearlab.curves.observations import Observations, make_observations

HERE, DATA = Path(__file__).parent, Path(__file__).parent.parent / "data"
CENSORED, LATE = ("right", "counts", "between", "left", "together"), ("late", "mixed")
SETS = 6


def choose_strata() -> list[Stratum]:
    """Return 200 strata of every kind of censoring and 50 with late entry, each with a maximum and two failures."""
    return [*_first(200, CENSORED, seed=41), *_first(50, LATE, seed=42)]


def _first(number: int, kinds: tuple[str, ...], *, seed: int) -> list[Stratum]:
    drawn = draw_strata(2 * number, seed=seed, kinds=kinds)
    good = fit_together(drawn).converged
    return [stratum for stratum, fine in zip(drawn, good, strict=True) if fine and stratum.obs.failed.sum() >= 2][
        :number
    ]


def draw_modes(number: int) -> tuple[Observations, np.ndarray]:
    """Return lives that end in one of two modes, with ties, late entry and several lives per truck."""
    rng = np.random.default_rng([51, number])
    size = 150
    worn, torn, watched = 6 * rng.weibull(3, size), 8 * rng.weibull(0.8, size), rng.uniform(3, 10, size)
    entry = np.where(rng.random(size) < 0.3, np.floor(8 * rng.uniform(0, 2, size)) / 8, 0.0)
    exit_ = np.ceil(4 * np.minimum(np.minimum(worn, torn), watched)) / 4 + 1 / 16  # never at an entry
    failed = np.minimum(worn, torn) <= watched
    mode = np.where(failed, np.where(worn < torn, "worn", "torn"), None).astype(object)
    seen = exit_ > entry
    truck = rng.integers(0, 40, size)
    return make_observations(exit_[seen], failed[seen], entry=entry[seen], truck=truck[seen]), mode[seen]


def draw_repeats(number: int) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Return places (start, end, truck), and the place and the age of each failure."""
    rng = np.random.default_rng([52, number])
    end, start = rng.uniform(4, 10, 40), np.where(rng.random(40) < 0.3, rng.uniform(0, 3, 40), 0.0)
    places = pd.DataFrame({"start": start, "end": end, "truck": np.arange(40) // 2})
    place = np.repeat(np.arange(40), rng.poisson(0.3 * (end - start) * np.repeat(rng.gamma(2.0, 0.5, 20), 2)))
    return places, place, start[place] + (end - start)[place] * rng.random(len(place))


def draw_classes(number: int) -> pd.DataFrame:
    """Return lives of two classes and three kinds, with ties; the kinds are unevenly spread over the classes."""
    rng = np.random.default_rng([53, number])
    second = rng.random(160) < 0.5
    kind = np.where(rng.random(160) < np.where(second, 0.7, 0.3), rng.integers(0, 2, 160), 2)
    life, watched = 300 * (1 + kind) / 2 * rng.weibull(2, 160), rng.uniform(50, 400, 160)
    exit_ = np.ceil(np.minimum(life, watched) / 20) * 20
    return pd.DataFrame({"exit": exit_, "failed": (life <= watched) * 1, "second": second * 1, "kind": kind})


def _write_inputs(folder: Path) -> None:
    names = ("entry", "exit", "failed", "lower", "upper", "count")
    lives = [
        pd.DataFrame({name: getattr(stratum.obs, name) for name in names}).assign(stratum=number)
        for number, stratum in enumerate(choose_strata())
    ]
    _write(folder / "lives.csv", pd.concat(lives).astype({"failed": int}))
    modes, repeats, classes = [], [], []
    for number in range(SETS):
        obs, mode = draw_modes(number)
        frame = pd.DataFrame({"entry": obs.entry, "exit": obs.exit, "truck": obs.truck, "row": np.arange(len(obs))})
        modes.append(frame.assign(mode=np.where(obs.failed, mode, "none"), set=number))
        repeats.append(_as_stretches(*draw_repeats(number)).assign(set=number))
        classes.append(draw_classes(number).assign(set=number))
    for name, parts in (("modes", modes), ("repeats", repeats), ("classes", classes)):
        _write(folder / f"{name}.csv", pd.concat(parts))


def _as_stretches(places: pd.DataFrame, place: np.ndarray, age: np.ndarray) -> pd.DataFrame:
    """Return each place as stretches of time that end in a failure or at its end."""
    rows = []
    for number, (start, end, truck) in enumerate(places.itertuples(index=False)):
        stops = [*sorted(age[place == number]), end]
        starts = [start, *stops[:-1]]
        rows += [(number, truck, a, b, int(b < end)) for a, b in zip(starts, stops, strict=True)]
    return pd.DataFrame(rows, columns=["place", "truck", "start", "stop", "event"])


def _write(path: Path, table: pd.DataFrame) -> None:
    table.to_csv(path, index=False, float_format="%.17g")


def main() -> None:
    """Ask R and freeze its answers."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _write_inputs(folder)
        subprocess.run(["Rscript", str(HERE / "second_source.R"), str(folder)], check=True)
        said = subprocess.run(
            ["Rscript", "-e", 'cat(R.version.string, "survival", as.character(packageVersion("survival")))'],
            check=True,
            capture_output=True,
            text=True,
        )
        source = f"# {said.stdout}; python -m tests.studies.second_source; invented lives, see tests/random_strata.py"
        for part in ("fits", "others"):
            (DATA / f"second_source_{part}.csv").write_text(f"{source}\n{_trimmed(folder, part)}")


def _trimmed(folder: Path, part: str) -> str:
    """Return a table as CSV without the blanks that R pads its fields with."""
    lines = (folder / f"{part}.csv").read_text().splitlines()
    return "".join(",".join(field.strip() for field in line.split(",")) + "\n" for line in lines)


if __name__ == "__main__":
    main()
