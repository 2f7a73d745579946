"""Settings in, Study out: the road walked once."""

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path
from typing import Protocol, TypeVar

import pandas as pd

from wearlab.answers.cluster import Cluster, find_cluster
from wearlab.answers.compare import Comparison, compare_classes
from wearlab.answers.driveline import DrivelineAnswer, answer_driveline
from wearlab.answers.due import WorkList, list_work
from wearlab.answers.early import EarlyFailures, find_early
from wearlab.answers.forecast import Backtest, Forecast, backtest_forecast, forecast_failures
from wearlab.answers.intervals import Recommendation, recommend_intervals
from wearlab.answers.wear import Wear, measure_wear
from wearlab.curves.fit import Fits, fit_strata
from wearlab.evidence import Basis, Caution, Result, Unanswered, add_cautions
from wearlab.history.lives import History
from wearlab.history.load import Loaded
from wearlab.history.outside import leave_out_personal
from wearlab.history.source import Fleet, Progress, View, is_lives_file, open_fleet, read_source
from wearlab.history.spill import Room

Answered = TypeVar("Answered")


class _Tabled(Protocol):
    def tables(self) -> dict[str, pd.DataFrame]: ...


VERSIONS_OF = ("wearlab", "duckdb", "lifelines", "numpy", "pandas", "scipy", "scikit-learn", "matplotlib")

FALSE_DISCOVERY_RATE = 0.05
LOAD_FILES = ("angles.csv", "spectra.csv")


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that changes a number of a study; the defaults are those that the command line documents.

    ``tried_on`` is on how many earlier days the forecast is tried.
    """

    today: date
    store: str | None = None
    as_of: date | None = None
    scale: str | None = None
    level: float = 0.90
    seed: int = 1
    rate: float = FALSE_DISCOVERY_RATE
    months: int = 12
    ahead: float | None = None
    tried_on: int = 1
    factor: str = "duty_cycle"
    cluster_components: tuple[str, ...] = field(default=())
    unknown_as_failure: bool = False
    room: Room = field(default_factory=Room)
    outside: bool = False  # for readers outside the fleet: nothing that says who did the work

    def view(self) -> View:
        """Return how the history is looked at under these settings."""
        return View(self.as_of, self.scale, self.level, self.today, self.unknown_as_failure)


@dataclass(frozen=True, slots=True)
class Study:
    """Every answer that one source gives under one set of settings; None where a source cannot be asked."""

    settings: Settings
    history: History
    loaded: Loaded | None
    fits: Fits | Unanswered
    comparison: Comparison | Unanswered
    recommendation: Recommendation | Unanswered
    early: EarlyFailures | Unanswered
    clusters: tuple[Cluster | Unanswered, ...]
    forecast: Forecast | Unanswered
    backtest: Backtest | Unanswered | None
    driveline: DrivelineAnswer | Unanswered | None
    wear: Wear | Unanswered
    work: WorkList | Unanswered
    versions: dict[str, str]

    @property
    def basis(self) -> Basis:
        """What the study rests on."""
        return self.history.basis

    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table of every answer; a table whose name two answers use carries its answer's name in front."""
        named: dict[str, dict[str, pd.DataFrame]] = {
            "lives": {"groups": self.history.groups},
            "load": _tables(self.loaded),
            "fit": _tables(self.fits),
            "compare": _tables(self.comparison),
            "intervals": _tables(self.recommendation),
            "early": _tables(self.early),
            "cluster": join_tables(tuple(_tables(cluster) for cluster in self.clusters)),
            "forecast": _tables(self.forecast),
            "backtest": _tables(self.backtest),
            "driveline": _tables(self.driveline),
            "wear": _tables(self.wear),
            "due": _tables(self.work),
        }
        return {f"{answer}_{name}": frame for answer, tables in named.items() for name, frame in tables.items()}

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """Every caution of every result, each once."""
        return add_cautions(self.history.cautions, *(result.cautions for result in self.results()))

    def results(self) -> tuple[Result, ...]:
        """Return every result, answered or not, in the order of the road."""
        asked: tuple[Result | None, ...] = (
            self.loaded,
            self.fits,
            self.comparison,
            self.recommendation,
            self.early,
            *self.clusters,
            self.forecast,
            self.backtest,
            self.driveline,
            self.wear,
            self.work,
        )
        return tuple(result for result in asked if result is not None)


@contextmanager
def second_process() -> Iterator[Executor]:
    """Yield a second process to share the work with; it makes itself ready while the caller begins."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        pool.submit(_say_nothing, "")  # what the process imports, it imports now
        yield pool


def run_study(source: Path, settings: Settings, *, progress: Progress, pool: Executor | None = None) -> Study:
    """Return every answer for one source: a fleet folder (what is new is loaded first) or a plain lives file.

    With a ``pool`` (``second_process``) half of the answers are worked out there: the same answers, sooner. Refuses
    (DataError) input that cannot be used; a question that the data cannot answer is an ``Unanswered`` in its place.
    """
    view, folder = settings.view(), source
    if is_lives_file(source):
        history, loaded = read_source(source, view, store_path=settings.store, progress=progress, room=settings.room)
        return study_history(history, loaded, settings, progress=progress, pool=pool)
    with open_fleet(
        source,
        store_path=settings.store,
        today=settings.today,
        strict=False,
        progress=progress,
        room=settings.room,
    ) as fleet:
        history = fleet.history(view, known_then=False, progress=progress)
        earlier = _look_back(fleet, history, settings, progress=progress)
    loaded = fleet.loaded
    return study_history(history, loaded, settings, earlier=earlier, folder=folder, progress=progress, pool=pool)


def _look_back(fleet: Fleet, history: History, settings: Settings, *, progress: Progress) -> dict[date, History]:
    """Return the history as it was known on the earlier days on which the forecast is tried, latest first."""
    days = backtest_days(history, months=settings.months)[::-1][: settings.tried_on]
    view = settings.view()
    return {day: fleet.history(replace(view, as_of=day), known_then=True, progress=progress) for day in days}


def study_history(
    history: History,
    loaded: Loaded | None,
    settings: Settings,
    *,
    earlier: Mapping[date, History] | None = None,
    folder: Path | None = None,
    progress: Progress,
    pool: Executor | None = None,
) -> Study:
    """Return every answer for lives that are already built.

    ``earlier`` holds the history as it was known on earlier days, on which the forecast is tried; ``folder`` is where
    the fleet's driveline files lie.
    """
    if settings.outside:
        history = leave_out_personal(history)
        earlier = {day: leave_out_personal(known) for day, known in (earlier or {}).items()}
    level, found = settings.level, _Asked(history, dict(earlier or {}), folder, settings)
    asked = None
    if pool is not None:
        progress("looking for early failures, clusters and what comes next in a second process")
        asked = pool.submit(_find_and_forecast, found)
    fits, comparison, recommendation = _fit_and_weigh(history, settings, progress=progress)
    wear = measure_wear(history, level=level)
    driveline = _look_at_load(found, progress)
    seen = _find_and_forecast(found, progress=progress) if asked is None else asked.result()
    progress("listing work")
    work = list_work(
        history,
        recommendation=_answered(recommendation),
        early=_answered(seen.early),
        cluster=_most_certain(seen.clusters),
        wear=_answered(wear),
        forecast=_answered(seen.forecast),
        level=level,
    )
    return Study(
        settings,
        history,
        loaded,
        fits,
        comparison,
        recommendation,
        seen.early,
        seen.clusters,
        seen.forecast,
        seen.backtest,
        driveline,
        wear,
        work,
        {name: version(name) for name in VERSIONS_OF},
    )


def _fit_and_weigh(
    history: History, settings: Settings, *, progress: Progress
) -> tuple[Fits | Unanswered, Comparison | Unanswered, Recommendation | Unanswered]:
    level, seed = settings.level, settings.seed
    progress("fitting life curves")
    fits = fit_strata(history, by=None, component=None, mode=None, level=level, seed=seed)
    progress("comparing classes")
    fitted = () if isinstance(fits, Unanswered) else fits.plain
    comparison = compare_classes(
        history, factor=settings.factor, level=level, seed=seed, progress=progress, fitted=fitted
    )
    progress("weighing regrease intervals")
    return fits, comparison, recommend_intervals(history, level=level, seed=seed, progress=progress)


@dataclass(frozen=True, slots=True)
class _Asked:
    """What half of the answers is worked out from."""

    history: History
    earlier: dict[date, History]
    folder: Path | None
    settings: Settings


@dataclass(frozen=True, slots=True)
class _Found:
    """What a second process finds."""

    early: EarlyFailures | Unanswered
    clusters: tuple[Cluster | Unanswered, ...]
    forecast: Forecast | Unanswered
    backtest: Backtest | Unanswered | None


def _say_nothing(_: str) -> None:
    pass


def _find_and_forecast(asked: _Asked, *, progress: Progress = _say_nothing) -> _Found:
    history, settings = asked.history, asked.settings
    level, seed = settings.level, settings.seed
    progress("looking for early failures")
    early = find_early(history, rate=settings.rate, level=level, seed=seed, progress=progress)
    clusters = tuple(
        find_cluster(history, component=component, factors=(), level=level, seed=seed, progress=progress)
        for component in (settings.cluster_components or _components(history))
    )
    progress("forecasting")
    forecast = forecast_failures(
        history, months=settings.months, ahead=settings.ahead, level=level, seed=seed, progress=progress
    )
    return _Found(early, clusters, forecast, _try_forecast(asked, progress))


def _try_forecast(asked: _Asked, progress: Progress) -> Backtest | Unanswered | None:
    """Return the forecast tried on earlier days, None where there is none to try it on."""
    if not asked.earlier:
        return None
    settings = asked.settings
    return backtest_forecast(
        asked.earlier.__getitem__,
        tuple(asked.earlier),
        months=settings.months,
        actual=asked.history,
        level=settings.level,
        seed=settings.seed,
        progress=progress,
    )


def _look_at_load(asked: _Asked, progress: Progress) -> DrivelineAnswer | Unanswered | None:
    """Return what angles and loads tell, None where the folder has neither file."""
    folder, settings = asked.folder, asked.settings
    if folder is None or not any((folder / name).is_file() for name in LOAD_FILES):
        return None
    progress("weighing driveline loads")
    return answer_driveline(
        asked.history,
        folder,
        line=None,
        speed_rpm=None,
        reference=None,
        level=settings.level,
        seed=settings.seed,
    )


def study_work(
    history: History, *, level: float, seed: int, progress: Progress, processes: int = 1
) -> WorkList | Unanswered:
    """Return the work list of a fleet, with the answers that it gathers: intervals, early failures, clusters, forecast.

    With two ``processes`` the clusters are looked for in a second one: the same list, sooner.
    """
    if processes > 1:
        progress("looking for clusters in a second process")
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
            asked = pool.submit(_find_clusters, history, level, seed)
            return _gather_work(history, level, seed, progress, asked.result)
    return _gather_work(history, level, seed, progress, lambda: _find_clusters(history, level, seed, progress))


def _find_clusters(
    history: History, level: float, seed: int, progress: Progress = _say_nothing
) -> tuple[Cluster | Unanswered, ...]:
    return tuple(
        find_cluster(history, component=component, factors=(), level=level, seed=seed, progress=progress)
        for component in _components(history)
    )


def _gather_work(
    history: History,
    level: float,
    seed: int,
    progress: Progress,
    clusters: Callable[[], tuple[Cluster | Unanswered, ...]],
) -> WorkList | Unanswered:
    progress("weighing regrease intervals")
    recommendation = recommend_intervals(history, level=level, seed=seed, progress=progress)
    progress("looking for early failures")
    early = find_early(history, rate=FALSE_DISCOVERY_RATE, level=level, seed=seed, progress=progress)
    progress("forecasting")
    forecast = forecast_failures(history, months=12, ahead=None, level=level, seed=seed, progress=progress)
    return list_work(
        history,
        recommendation=_answered(recommendation),
        early=_answered(early),
        cluster=_most_certain(clusters()),
        wear=_answered(measure_wear(history, level=level)),
        forecast=_answered(forecast),
        level=level,
    )


def backtest_days(history: History, *, months: int) -> tuple[date, ...]:
    """Return the earlier days to forecast from: ``months`` apart, the last so that its window has passed by ``as_of``.

    At least a year of record stands before the first; at most four days are returned, oldest first.
    """
    if history.as_of is None or history.config.records_from is None:
        return ()
    first = pd.Timestamp(history.config.records_from) + pd.DateOffset(years=1)
    latest = pd.Timestamp(history.as_of)
    days = [latest - pd.DateOffset(months=months * back) for back in range(1, 5)]
    return tuple(day.date() for day in reversed(days) if day >= first)


def _tables(result: _Tabled | Unanswered | None) -> dict[str, pd.DataFrame]:
    return {} if result is None or isinstance(result, Unanswered) else result.tables()


def join_tables(tables: tuple[dict[str, pd.DataFrame], ...]) -> dict[str, pd.DataFrame]:
    """Return tables of one name stacked in their given order."""
    stacked = {}
    for name in dict.fromkeys(name for group in tables for name in group):
        frames = [group[name] for group in tables if name in group]
        columns = list(dict.fromkeys(column for frame in frames for column in frame.columns))
        rows = [row for frame in frames for row in frame.to_dict("records")]
        stacked[name] = pd.DataFrame(rows, columns=columns)
    return stacked


def _answered(result: Answered | Unanswered) -> Answered | None:
    return None if isinstance(result, Unanswered) else result


def _components(history: History) -> tuple[str | None, ...]:
    named = history.lives["component"].dropna().unique()
    return tuple(sorted(str(component) for component in named)) or (None,)


def _most_certain(clusters: tuple[Cluster | Unanswered, ...]) -> Cluster | None:
    found = [cluster for cluster in clusters if isinstance(cluster, Cluster) and cluster.verdict.found == "found"]
    return min(found, key=lambda cluster: cluster.verdict.p_adjusted or 1.0, default=None)
