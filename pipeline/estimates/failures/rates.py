"""Faults against what is due, by unit and class of fault: the ground of every ranking."""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from pipeline.estimates.failures import reliability

Floats = NDArray[np.float64]
BY_BALLOTS = ("misfeed", "jam")  # classes of faults that come with sheets read, not with hours
LEAST_EVENTS = 10  # fewer faults than this do not tell how units differ; our choice [count]
OVER = 3.0  # the rate ratio that chance_over_3 asks about (contract section 5) [-]
SURE = 0.5  # a fault at least so probable counts as one [-]


def record(exposures: pl.DataFrame, faults: pl.DataFrame, earlier: pl.DataFrame) -> pl.DataFrame:
    """A row a unit and class of fault: faults, weight (sum of probabilities), expected_faults, exposures, prior.

    `expected_faults` is what the unit's exposure would bring at the rate of its fleet: units of its type, with and
    without a counter apart. Misfeeds and jams are due by ballots read where a counter exists, the rest by hours.

    Parameters
    ----------
    exposures : of a Ledger
    faults : Faults
    earlier : `prior.carried`
    """
    return with_earlier(with_expected(by_class(exposures, faults)), earlier)


def by_class(exposed: pl.DataFrame, faults: pl.DataFrame) -> pl.DataFrame:
    """Exposures with the faults of every class that the unit's type has had: weight, faults."""
    told = faults.group_by("unit_id", "fault_class").agg(
        weight=pl.col("probability").sum(), faults=(pl.col("probability") >= SURE).sum().cast(pl.Int64)
    )
    typed = told.join(exposed.select("unit_id", "type"), on="unit_id")
    classes = typed.select("type", "fault_class").unique()
    return (
        exposed.join(classes, on="type")
        .join(told, on=["unit_id", "fault_class"], how="left")
        .with_columns(
            pl.col("weight").fill_null(0.0),
            pl.col("faults").fill_null(0),
            has_counter=pl.col("exposure_ballots").is_not_null(),
        )
        .sort("unit_id", "fault_class")
    )


def with_expected(frame: pl.DataFrame) -> pl.DataFrame:
    """Adds `expected_faults` by the fleet's rate of the class."""
    by_ballots = pl.col("fault_class").is_in(list(BY_BALLOTS)) & pl.col("has_counter")
    exposure = pl.when(by_ballots).then(pl.col("exposure_ballots").fill_null(0.0)).otherwise("exposure_hours")
    fleet = ["type", "has_counter", "fault_class"]
    total = pl.col("exposure").sum().over(fleet)
    rate = pl.when(total > 0).then(pl.col("weight").sum().over(fleet) / total).otherwise(0.0)
    return frame.with_columns(exposure=exposure).with_columns(expected_faults=pl.col("exposure") * rate)


def with_earlier(frame: pl.DataFrame, earlier: pl.DataFrame) -> pl.DataFrame:
    """Adds prior_faults, prior_expected and prior_sure: nought where no earlier election knows the unit."""
    joined = frame.join(earlier, on=["unit_id", "fault_class"], how="left", maintain_order="left")
    return joined.with_columns(pl.col("prior_faults", "prior_expected", "prior_sure").fill_null(0))


def tail(faults: Floats, due: Floats) -> Floats:
    """Chance of at least so many faults when `due` are expected; one where there were none, or nothing was due.

    For whole counts the exact Poisson tail; the regularised gamma function carries it on to sums of probabilities and
    of discounted counts, which vary less than a Poisson count of their mean, so that the tail is not too small.
    """
    safe = np.maximum(due, 1e-12)
    return np.where((faults > 0) & (due > 0), special.gammainc(np.maximum(faults, 1e-12), safe), 1.0)


def pooled(frame: pl.DataFrame, by: str = "type") -> pl.DataFrame:
    """Adds the rate ratio's posterior (mean, 5 %, 95 %, chance over 3) and the Poisson tail `p_value`.

    The ratio's prior is a gamma, fitted by maximum likelihood to the units of a group, scaled to a mean of one; earlier
    elections add their discounted counts. A group with fewer than `LEAST_EVENTS` faults takes the spread of the whole
    fleet: its own would be a guess.
    """
    if frame.is_empty():
        names = ("rate_ratio_mean", "rate_ratio_low", "rate_ratio_high", "chance_over_3", "p_value", "shape")
        return frame.with_columns(pl.lit(None, pl.Float64).alias(name) for name in names)
    shape = shapes(frame, by)
    n, due = both(frame)
    a, b = shape + n, shape + due
    # Mean ratio one by definition (rate equal to shape): the fleet is its own yardstick.
    return frame.with_columns(
        rate_ratio_mean=pl.Series(a / b),
        rate_ratio_low=pl.Series(special.gammaincinv(a, 0.05) / b),
        rate_ratio_high=pl.Series(special.gammaincinv(a, 0.95) / b),
        chance_over_3=pl.Series(special.gammaincc(a, OVER * b)),
        p_value=pl.Series(tail(n, due)),
        shape=pl.Series(shape),
    )


def both(frame: pl.DataFrame) -> tuple[Floats, Floats]:
    """Faults and faults due of today and, discounted, of earlier elections."""
    zero = pl.Series([0.0] * frame.height)
    n = frame["weight"] if "weight" in frame.columns else frame["faults"]
    earlier = frame.get_column("prior_faults", default=zero), frame.get_column("prior_expected", default=zero)
    today = n.cast(pl.Float64).to_numpy(), frame["expected_faults"].to_numpy()
    return today[0] + earlier[0].to_numpy(), today[1] + earlier[1].to_numpy()


def shapes(frame: pl.DataFrame, by: str) -> Floats:
    """Shape of the gamma of each row's group: small where the group's units differ much."""
    n, due = both(frame)
    everyone, _ = reliability.gamma_poisson_fit(n, due)
    found = np.full(frame.height, everyone)
    codes = frame[by].cast(pl.Categorical).to_physical().to_numpy()
    for code in np.unique(codes):
        rows = codes == code
        if n[rows].sum() >= LEAST_EVENTS:
            found[rows], _ = reliability.gamma_poisson_fit(n[rows], due[rows])
    return found
