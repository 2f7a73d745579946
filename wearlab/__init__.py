"""wearlab: wear and life of drive-shaft parts in fleets of heavy-duty trucks.

The public names below are resolved when they are first used, so that the command line starts fast.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wearlab.answers.classes import describe_classes
    from wearlab.answers.cluster import find_cluster
    from wearlab.answers.compare import compare_classes
    from wearlab.answers.due import list_work
    from wearlab.answers.early import find_early
    from wearlab.answers.forecast import backtest_forecast, forecast_failures
    from wearlab.answers.intervals import recommend_intervals
    from wearlab.answers.wear import measure_wear
    from wearlab.curves.fit import fit_strata
    from wearlab.curves.weibull import Weibull
    from wearlab.demo import write_demo
    from wearlab.evidence import Basis, Caution, DataError, Unanswered
    from wearlab.history.lives import History
    from wearlab.history.source import View, read_source
    from wearlab.show.plots import draw_chart
    from wearlab.show.plots_failures import draw_timeline
    from wearlab.show.plots_lives import draw_life_curves, draw_ranges
    from wearlab.show.plots_practice import Marks, draw_cost, draw_practice
    from wearlab.show.report import write_report
    from wearlab.show.words import explain
    from wearlab.study import Settings, Study, run_study

_HOMES = {
    "Basis": "wearlab.evidence",
    "Caution": "wearlab.evidence",
    "DataError": "wearlab.evidence",
    "History": "wearlab.history.lives",
    "Marks": "wearlab.show.plots_practice",
    "Settings": "wearlab.study",
    "Study": "wearlab.study",
    "Unanswered": "wearlab.evidence",
    "View": "wearlab.history.source",
    "Weibull": "wearlab.curves.weibull",
    "backtest_forecast": "wearlab.answers.forecast",
    "compare_classes": "wearlab.answers.compare",
    "describe_classes": "wearlab.answers.classes",
    "draw_chart": "wearlab.show.plots",
    "draw_cost": "wearlab.show.plots_practice",
    "draw_life_curves": "wearlab.show.plots_lives",
    "draw_practice": "wearlab.show.plots_practice",
    "draw_ranges": "wearlab.show.plots_lives",
    "draw_timeline": "wearlab.show.plots_failures",
    "explain": "wearlab.show.words",
    "find_cluster": "wearlab.answers.cluster",
    "find_early": "wearlab.answers.early",
    "fit_strata": "wearlab.curves.fit",
    "forecast_failures": "wearlab.answers.forecast",
    "list_work": "wearlab.answers.due",
    "measure_wear": "wearlab.answers.wear",
    "read_source": "wearlab.history.source",
    "recommend_intervals": "wearlab.answers.intervals",
    "run_study": "wearlab.study",
    "write_demo": "wearlab.demo",
    "write_report": "wearlab.show.report",
}

__all__ = [
    "Basis",
    "Caution",
    "DataError",
    "History",
    "Marks",
    "Settings",
    "Study",
    "Unanswered",
    "View",
    "Weibull",
    "backtest_forecast",
    "compare_classes",
    "describe_classes",
    "draw_chart",
    "draw_cost",
    "draw_life_curves",
    "draw_practice",
    "draw_ranges",
    "draw_timeline",
    "explain",
    "find_cluster",
    "find_early",
    "fit_strata",
    "forecast_failures",
    "list_work",
    "measure_wear",
    "read_source",
    "recommend_intervals",
    "run_study",
    "write_demo",
    "write_report",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'wearlab' has no name {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
