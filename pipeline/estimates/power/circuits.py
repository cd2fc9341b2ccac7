"""The day's outages by circuit: how long each has lasted, its size and cause, and how long such outages last."""

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.estimates.power import outages, promises
from pipeline.estimates.power.instants import moment
from pipeline.estimates.power.outages import Fitted, Length, Seen
from pipeline.estimates.power.promises import Told

Floats = NDArray[np.float64]
# What a utility's list may call the reason of an outage: such a column is kept as an attribute.
CAUSE_COLUMNS = ("cause", "Cause", "CAUSE", "reason", "Reason")


@dataclass(frozen=True)
class Lengths:
    """The fitted length of an outage, and the traits of the outage that runs on each circuit (`circuit` → row).

    fitted : the row of each outage in the fit, -1 where it is not part of it
    promised : what the utility's list has promised
    """

    fit: Fitted
    traits: Floats
    rows: dict[str, int]
    fitted: NDArray[np.int64]
    chance_major: float
    promised: Told

    def of(self, circuits: pl.Series) -> Length:
        """The length of the outage on each of these circuits as the others tell; where none is listed, of no traits."""
        none = np.zeros((1, self.traits.shape[1]))
        every = self.fit.length_of(np.vstack([self.traits, none]))
        mu, sigma = np.array(every.mu), np.array(every.sigma)
        part = np.flatnonzero(self.fitted >= 0)
        mu[part], sigma[part] = (np.asarray(v)[self.fitted[part]] for v in (self.fit.others.mu, self.fit.others.sigma))
        row = circuits.replace_strict(self.rows, default=-1, return_dtype=pl.Int64).to_numpy()
        return Length(mu[row], sigma[row])


def day_outages(known: Known) -> pl.DataFrame:
    """Outages listed by T that had begun: outage_id, circuit, is_over, minutes so far, size (log), cause.

    One not listed as over was out when the newest list came: what has happened since is not known yet. One that ends
    before it starts counts as one of no length, and is left out of what is learnt.
    """
    causes = [pl.col("attributes").str.json_path_match(f"$.{name}") for name in CAUSE_COLUMNS]
    now = moment(known.at)
    is_over = pl.col("restored_at").is_not_null() & (pl.col("restored_at") <= now)
    until = pl.when(is_over).then("restored_at").otherwise(moment(promises.last_list(known)))
    return (
        known.outages.filter(pl.col("started_at") <= now)
        .select(
            "outage_id",
            "circuit",
            "started_at",
            is_over=is_over,
            minutes=(until - pl.col("started_at")).dt.total_seconds() / 60,
            size=pl.when(pl.col("customers") > 0).then(pl.col("customers")).cast(pl.Float64).log(),
            cause=pl.coalesce(causes).str.strip_chars().str.to_lowercase(),
        )
        .sort("circuit", "started_at", "outage_id")
    )


def lengths(known: Known) -> Lengths:
    """What the settings and the outages of the day say of how long an outage lasts."""
    s = known.settings
    rows = day_outages(known)
    many_circuits = pl.concat([known.sites["circuit"], rows["circuit"]]).drop_nulls().n_unique()
    recent = rows.filter(pl.col("started_at") >= moment(known.at - timedelta(hours=24)))
    chance = outages.chance_major(recent["circuit"].n_unique(), many_circuits)
    usual, major = s["power.outage_minutes"], s["power.major_outage_minutes"]
    mean_minutes = float(np.exp((1 - chance) * np.log(usual) + chance * np.log(max(major, usual))))
    traits = traits_of(rows)
    counted = (rows["minutes"] > 0).to_numpy()
    promised = promises.told(known)
    promise = promises.of_outages(known, rows.filter(pl.Series(counted)), promised)
    seen = Seen(rows["minutes"].to_numpy()[counted], rows["is_over"].to_numpy()[counted], traits[counted], promise)
    running = {c: i for i, (c, over) in enumerate(zip(rows["circuit"], rows["is_over"], strict=True)) if not over}
    of_fit = np.where(counted, np.cumsum(counted) - 1, -1)
    return Lengths(outages.fitted(seen, mean_minutes, s), traits, running, of_fit, chance, promised)


def traits_of(rows: pl.DataFrame) -> Floats:
    """Size and causes as columns centred on nought; what is unknown of an outage is nought."""
    size = (rows["size"] - rows["size"].mean() if rows["size"].count() else rows["size"]).fill_null(0.0)
    columns = [size.to_numpy().astype(float)]
    for cause in sorted(set(rows["cause"].drop_nulls())):
        is_it = (rows["cause"] == cause).fill_null(False).to_numpy().astype(float)
        columns.append(np.where(rows["cause"].is_not_null().to_numpy(), is_it - is_it.mean(), 0.0))
    return np.column_stack(columns)
