"""What will fail: parts in service, failures and parts ahead with their intervals, and the proof by back-test."""

from wearlab.answers.forecast.ahead import Forecast, forecast_failures
from wearlab.answers.forecast.backtest import Backtest, backtest_forecast

__all__ = ["Backtest", "Forecast", "backtest_forecast", "forecast_failures"]
