"""Which columns of which table a reader sees, under which headings, in which order."""

from wearlab.show.fields import Layout
from wearlab.show.layouts_ahead import AHEAD_LAYOUTS
from wearlab.show.layouts_failures import FAILURE_LAYOUTS
from wearlab.show.layouts_lives import LIVES_LAYOUTS
from wearlab.show.layouts_records import RECORD_LAYOUTS

BACKTEST = ("backtest", "groups", "rivals", "calibration")  # tables of a forecast tried on the past
_TRIED = {("backtest", table): AHEAD_LAYOUTS["forecast", table] for table in BACKTEST}
LAYOUTS: dict[tuple[str, str], Layout] = LIVES_LAYOUTS | FAILURE_LAYOUTS | AHEAD_LAYOUTS | _TRIED | RECORD_LAYOUTS
