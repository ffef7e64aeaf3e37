"""When will a meter have moved on by so much: a forecast that learns from a fleet's own past, and its test on it."""

from intervals.forecast.backtest import Backtest, Score, backtest
from intervals.forecast.forecasts import Forecasts, forecast_moves
from intervals.forecast.histories import Histories, SetAside, clean_histories

__all__ = [
    "Backtest",
    "Forecasts",
    "Histories",
    "Score",
    "SetAside",
    "backtest",
    "clean_histories",
    "forecast_moves",
]
