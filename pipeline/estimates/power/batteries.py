"""What a unit's battery and its gauge are like, before any report of today: run time, age, percentages.

Method, sources and limits: docs/methods/power.md.
"""

from typing import TypeVar

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from pipeline.settings import Settings

Floats = NDArray[np.float64]
Percent = TypeVar("Percent", pl.Expr, Floats)
RISE_ERRORS = 3.0  # a percentage that rises by so many standard errors while off mains is odd; our choice [-]


def derated_minutes(
    rated_minutes: ArrayLike, factor: ArrayLike = 1.0, load: ArrayLike = 1.0, exponent: float = 1.0
) -> Floats:
    """Run time of a battery of lesser capacity under more load: rated * factor / load^exponent.

    Source: Peukert's law; an exponent of 1 is a linear battery.
    """
    rated = np.asarray(rated_minutes, float) * np.asarray(factor, float)
    return np.asarray(rated / np.asarray(load, float) ** exponent, float)


def peukert_minutes(ampere_hours: float, rate_hours: float, amperes: float, exponent: float) -> float:
    """Run time [min] of a battery rated `ampere_hours` at the `rate_hours` rate. Source: Peukert's law."""
    return 60 * rate_hours * (ampere_hours / (amperes * rate_hours)) ** exponent


def gauge(percent: Percent, settings: Settings) -> Percent:
    """State of charge behind a reported percentage; over 100 counts as 100.

    A gauge reads high in the middle and falls fast near empty: percent = 100 * charge^(1 / g), g a setting. A straight
    gauge has g 1.
    """
    return (percent / 100).clip(0, 1) ** settings["power.gauge_exponent"]


def gauges(percent: Floats, settings: Settings) -> Floats:
    """As `gauge`, of many percentages [0 or more]: whole ones, as most are, are read off a table of these."""
    whole = percent.astype(np.int64)
    if not len(percent) or (whole != percent).any():
        return gauge(percent, settings)
    return gauge(np.arange(whole.max() + 1.0), settings)[whole]


def doubts(rise: Floats, settings: Settings) -> Floats:
    """By how much the error variance of a unit's percentages grows: one that rose while off mains is not believed.

    A rise [-] of k standard errors counts as an error of that size in each of its reports.
    """
    k = 100 * rise / settings["power.percent_error"]
    return np.where(k > RISE_ERRORS, 1 + k**2, 1.0)


def rated(settings: Settings) -> pl.Expr:
    """Rated run time [min]: the roster's (column battery_minutes), else the setting."""
    return pl.col("battery_minutes").fill_null(settings["power.rated_minutes"]).cast(pl.Float64)


def run_minutes(units: pl.DataFrame, year: int, settings: Settings) -> Floats:
    """Expected run time of a full battery [min]: rated, times the share left at its age, times temperature."""
    told = numbers(units["battery_minutes"])
    minutes = np.where(np.isnan(told), settings["power.rated_minutes"], told)
    years = battery_years(units, year, settings)
    left = settings["power.capacity_at_new"] * np.exp(-settings["power.fade_per_year"] * years)
    return np.maximum(derated_minutes(minutes, left * settings["power.temperature_factor"]), 1.0)


def battery_years(units: pl.DataFrame, year: int, settings: Settings) -> Floats:
    """Age of each battery [years]: the roster's, else the years in service, else the setting."""
    usual = settings["power.battery_age_years"]
    told, in_service = numbers(units["battery_age_years"]), np.clip(year - numbers(units["in_service"]), 0, 2 * usual)
    years = np.where(np.isnan(told), in_service, told)
    return np.where(np.isnan(years), usual, years)


def numbers(column: pl.Series) -> Floats:
    """A column as floats; NaN where it says nothing."""
    return column.cast(pl.Float64).to_numpy()


def run_variance(units: pl.DataFrame, year: int, settings: Settings) -> Floats:
    """Variance of the logarithm of run time from what age and temperature do: nobody knows either exactly."""
    by_age = battery_years(units, year, settings) * settings["power.fade_spread"]
    return by_age**2 + settings["power.temperature_spread"] ** 2
