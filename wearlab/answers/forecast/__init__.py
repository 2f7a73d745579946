"""What will fail: parts in service, failures and parts ahead with their intervals, and the proof by back-test."""

from wearlab.answers.forecast.ahead import Forecast, forecast_failures
from wearlab.answers.forecast.backtest import Backtest, backtest_forecast
from wearlab.answers.forecast.change import Change, forecast_change

__all__ = ["Backtest", "Change", "Forecast", "backtest_forecast", "forecast_change", "forecast_failures"]
