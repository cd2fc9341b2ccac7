"""What the utility and the notes promise, and how far such promises have been off today.

A first promise is usually wrong; one that has been revised knows more. Bias and spread of both sorts are learnt from
the promises of the day over the settings. Method: docs/methods/power.md.
"""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.estimates.power.instants import minutes_since, moment
from pipeline.estimates.power.outages import SETTLED, SHARED, Promise, cut_off
from pipeline.settings import Settings

Floats = NDArray[np.float64]
SAME_SECONDS = 60  # promises so close are one, told again [s]
PAST_DOUBT = 3.0  # the spread of a promise that was past when it was made is so many times wider; our choice [-]
BLUR = "power.promise_blur"


@dataclass(frozen=True)
class Errors:
    """Mean and sd of ln((true + blur) / (promised + blur)): of first promises, and of revised ones."""

    first: tuple[float, float]
    revised: tuple[float, float]


@dataclass(frozen=True)
class Told:
    """What the utility's list promised by T (`listed`), and how far such promises are off."""

    listed: pl.DataFrame
    errors: Errors


def told(known: Known) -> Told:
    """The promises of the list received by T, and what the day says of them."""
    every = listed(known)
    return Told(every, learnt(known, every))


def newest(known: Known, notes: pl.DataFrame, promised: Told) -> pl.DataFrame:
    """The newest restoration promised for each site: site_id, restoration_at, promised_at, is_revised."""
    sites = known.sites.select("site_id", "circuit")
    by_list = sites.join(promised.listed.join(running(known), on="outage_id"), on="circuit")
    said = notes.filter(
        pl.col("restoration_at").is_not_null() & (pl.col("occurred_at") <= moment(known.at))
    ).with_columns(made_at=pl.col("occurred_at"), is_revised=pl.lit(False))
    by_site = said.filter(pl.col("site_id").is_not_null())
    by_circuit = sites.join(said.filter(pl.col("site_id").is_null()).drop("site_id"), on="circuit")
    names = ["site_id", "made_at", "restoration_at", "is_revised"]
    return (
        pl.concat([part.select(names) for part in (by_list, by_site, by_circuit)])
        .sort("site_id", "made_at", "restoration_at")
        .group_by("site_id", maintain_order=True)
        .last()
        .select("site_id", "restoration_at", "is_revised", promised_at="made_at")
    )


def last_list(known: Known) -> datetime:
    """When the utility's list last brought something new: up to then, an outage not listed as over was still out."""
    newest = [frame["received_at"].max() for frame in (known.outages, known.outage_states)]
    return min(max((time for time in newest if isinstance(time, datetime)), default=known.at), known.at)


def of_outages(known: Known, rows: pl.DataFrame, promised: Told) -> Promise:
    """What the list promises of its outages (column outage_id), seen from when it last brought something new."""
    newest = promised.listed.group_by("outage_id", maintain_order=True).last().rename({"made_at": "promised_at"})
    beside = rows.select("outage_id", circuit="outage_id").join(
        newest, on="outage_id", how="left", maintain_order="left"
    )
    every = promised.listed.with_columns(circuit="outage_id")
    return layered(replace(known, at=last_list(known)), beside, every, promised.errors)


def running(known: Known) -> pl.DataFrame:
    """Outages that the utility lists as begun and not over: outage_id, circuit, by their start."""
    now = moment(known.at)
    is_over = (pl.col("restored_at") <= now).fill_null(False)
    rows = known.outages.filter(~is_over & (pl.col("started_at") <= now))
    return rows.sort("started_at", "outage_id").select("outage_id", "circuit")


def listed(known: Known) -> pl.DataFrame:
    """Every promise of the utility's list received by T, once: outage_id, restoration_at, made_at, is_revised."""
    now = known.outages.select("outage_id", "estimated_restoration_at", made_at="received_at")
    # Where no list before the present one is kept, the present state of each outage is all that there is.
    return (
        pl.concat([known.outage_states.select("outage_id", "estimated_restoration_at", made_at="received_at"), now])
        .filter(pl.col("estimated_restoration_at").is_not_null())
        .group_by("outage_id", restoration_at="estimated_restoration_at")
        .agg(made_at=pl.col("made_at").min())
        .sort("outage_id", "made_at", "restoration_at")
        .with_columns(is_revised=pl.int_range(pl.len()).over("outage_id") > 0)
    )


def learnt(known: Known, every: pl.DataFrame) -> Errors:
    """How far promises are off: the settings, drawn to what those of the day (`listed`) turned out to be."""
    s = known.settings
    start, end = pl.col("started_at"), pl.col("restored_at")
    now = moment(known.at)
    is_over = end.is_not_null() & (end <= now)
    states = known.outages.filter((start <= now) & (end.is_null() | (end >= start))).select(
        "outage_id", is_over=is_over, end=pl.when(is_over).then(end).otherwise(moment(last_list(known)))
    )
    rows = every.join(states, on="outage_id")
    # A list that still promises what is already back tells of the list's delay, not of the promise.
    rows = rows.filter((pl.col("made_at") < pl.col("end")) & (pl.col("restoration_at") > pl.col("made_at")))

    def minutes(column: str) -> pl.Expr:
        return (pl.col(column) - pl.col("made_at")).dt.total_seconds() / 60 + s[BLUR]

    rows = rows.with_columns(y=(minutes("end") / minutes("restoration_at")).log())
    rows = rows.with_columns(many=pl.len().over("outage_id", "is_revised")).sort("outage_id", "restoration_at")
    rows = rows.with_columns(weight=1 / (1 + (pl.col("many") - 1) * SHARED))
    first, revised = (rows.filter(pl.col("is_revised") == which) for which in (False, True))
    return Errors(drawn(first, prior("promise", s), s), drawn(revised, prior("revised", s), s))


def prior(sort: str, settings: Settings) -> tuple[float, float]:
    """Bias and spread of a sort of promise, by the settings."""
    return float(np.log(settings[f"power.{sort}_ratio"])), settings[f"power.{sort}_sigma"]


def drawn(rows: pl.DataFrame, start: tuple[float, float], settings: Settings) -> tuple[float, float]:
    """A normal drawn from its prior to weighted observations, of outages still out censored ones (as in `fitted`)."""
    y, w = rows["y"].to_numpy().astype(float), rows["weight"].to_numpy().astype(float)
    is_over, weight = rows["is_over"].to_numpy(), settings["power.promise_weight"]
    mu, sigma = start
    for _ in range(40):
        mean, variance = cut_off(y, np.full_like(y, mu), sigma)
        mean, variance = np.where(is_over, y, mean), np.where(is_over, 0.0, variance)
        before = mu, sigma
        mu = float((weight * start[0] + (w * mean).sum()) / (weight + w.sum()))
        squares = weight * (start[1] ** 2 + (start[0] - mu) ** 2) + (w * (variance + (mean - mu) ** 2)).sum()
        sigma = float(np.sqrt(squares / (weight + w.sum())))
        if abs(mu - before[0]) + abs(sigma - before[1]) < SETTLED:
            break
    return mu, sigma


def promise_of(rows: pl.DataFrame, known: Known, promised: Told) -> Promise:
    """The promises that stand beside units or circuits: columns circuit, restoration_at, promised_at, is_revised.

    With each, what the list promised before of the outage that runs on its circuit.
    """
    of_running = running(known).join(promised.listed, on="outage_id", maintain_order="left")
    return layered(known, rows, of_running, promised.errors)


def layered(known: Known, rows: pl.DataFrame, every: pl.DataFrame, errors: Errors) -> Promise:
    """The promises of `rows`, with each what `every` has of the same circuit from before."""
    earlier = tuple(errors_of(known, errors, older) for older in before(rows, every))
    return replace(errors_of(known, errors, rows), earlier=earlier)


def before(rows: pl.DataFrame, every: pl.DataFrame) -> list[pl.DataFrame]:
    """Promises older than those of `rows`, in frames with the same rows: the last before, the one before that, ...

    `every`: promises of the outages that run, by their start (columns of `listed`, circuit).
    """
    names = ("restoration_at", "promised_at", "is_revised")
    if not every["is_revised"].any():
        return []
    last = every.filter(pl.col("outage_id") == pl.col("outage_id").last().over("circuit"))
    older = last.select("circuit", "restoration_at", "is_revised", promised_at="made_at")
    numbered = rows.select("circuit", *names[:2]).with_row_index("row")
    apart = (pl.col("restoration_at") - pl.col("restoration_at_older")).dt.total_seconds().abs()
    pairs = (
        numbered.join(older, on="circuit", suffix="_older")
        .filter((pl.col("promised_at_older") < pl.col("promised_at")) & (apart >= SAME_SECONDS))
        .sort("row", "promised_at_older", descending=[False, True])
        .with_columns(layer=pl.int_range(pl.len()).over("row"))
        .select("row", "layer", "is_revised", restoration_at="restoration_at_older", promised_at="promised_at_older")
    )
    parts = pairs.partition_by("layer", maintain_order=True) if pairs.height else []
    return [numbered.select("row").join(part, on="row", how="left", maintain_order="left") for part in parts]


def errors_of(known: Known, errors: Errors, rows: pl.DataFrame) -> Promise:
    """Promises with what is known of their errors; a row without one has NaN."""
    is_revised = rows["is_revised"].fill_null(False).to_numpy()
    ahead = -minutes_since(known.at, rows["restoration_at"])
    age = np.maximum(minutes_since(known.at, rows["promised_at"]), 0.0)
    # A time that was past when it was promised says little: a slip of the pen, or a list of yesterday.
    doubt = np.where(ahead + age < 0, PAST_DOUBT, 1.0)
    return Promise(
        ahead=ahead,
        age=age,
        bias=np.where(is_revised, errors.revised[0], errors.first[0]),
        spread=doubt * np.where(is_revised, errors.revised[1], errors.first[1]),
        blur=known.settings[BLUR],
    )
