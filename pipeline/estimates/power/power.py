"""Who is on battery, until when, and what it would cost.

`supply_states` says what each unit runs on; `power` adds how long it lasts. Method, sources, limits:
docs/methods/power.md.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts import estimates, events
from pipeline.contracts.further import FURTHER
from pipeline.contracts.known import Known, empty
from pipeline.estimates.power import charge, circuits, marks, promises, supply
from pipeline.estimates.power.batteries import gauges, numbers
from pipeline.estimates.power.charge import Discharge
from pipeline.estimates.power.circuits import Lengths
from pipeline.estimates.power.condense import Brief, last_of_each, saying
from pipeline.estimates.power.instants import at_offset, microseconds, minutes_since
from pipeline.estimates.power.learnt import Fleet
from pipeline.estimates.power.stakes import Stakes, stakes_of, unit_costs

Floats = NDArray[np.float64]
LIST_LATE = 10.0  # the utility's list may miss what came back so shortly before; our choice [min]
# Chance that a unit which ran from its battery does not report though mains is back: it has to be switched on again, or
# its modem is lost; our choice [-].
BACK_SILENT = 0.2
REPORTING_MINUTES = 15.0  # a unit that reported from its battery so recently is not dark; our choice [min]


@dataclass(frozen=True)
class Judged:
    """What the evidence says of every unit, and how those off mains run down: states and stakes stand on it.

    units : a row a unit, by unit_id (`supply.by_evidence`)
    off : those off mains (unit_id, site_id, outage_since), and `discharge`, a row each
    lengths : how long the outages of the day last
    """

    units: pl.DataFrame
    off: pl.DataFrame
    discharge: Discharge
    lengths: Lengths


def judged(known: Brief, readings: pl.DataFrame, notes: pl.DataFrame, fleet: Fleet) -> Judged:
    """The units as the evidence up to T has them."""
    units = supply.by_evidence(known, readings, notes).sort("unit_id")
    off = units.filter(pl.col("is_off")).select("unit_id", "site_id", outage_since="began")
    return Judged(units, off, charge.discharges(known, off, fleet), circuits.lengths(known))


def supply_states(known: Brief, found: Judged, notes: pl.DataFrame) -> pl.DataFrame:
    """What every rostered unit runs on at T, since when, and what that stands on."""
    if known.units.is_empty():
        return empty(events.SupplyStates)
    promised = promises.newest(known, notes, found.lengths.promised)
    odd = marks.unit_marks(known, notes, found.off.with_columns(rise=pl.Series(found.discharge.rise)))
    frame = found.units.with_columns(chance_off=chance_off(known, found)).join(
        gone_dark(known, found), on="unit_id", how="left"
    )
    frame = frame.join(promised, on="site_id", how="left").join(odd, on="unit_id", how="left").sort("unit_id")
    is_off = pl.col("is_off").fill_null(False)
    supply_word = pl.when(is_off & pl.col("is_dark")).then(pl.lit("dark")).when(is_off).then(pl.lit("battery"))
    frame = frame.with_columns(
        pl.when(is_off).then(pl.col("restoration_at", "promised_at", "is_revised")),
        supply=supply_word.otherwise(pl.lit("mains")),
        outage_since=pl.when(is_off).then("began"),
        basis=basis(),
    ).with_columns(
        since=pl.when(pl.col("supply") == "dark").then("dark_since").when(is_off).then("began").otherwise("since_on"),
        charge_mean=pl.when(pl.col("supply") == "dark").then(0.0).otherwise("charge_mean"),
    )
    frame = mains_charge(known, frame)
    return frame.select(list(empty(events.SupplyStates).columns))


def chance_off(known: Known, found: Judged) -> pl.Series:
    """Probability that mains is off at T: that the deciding word is right, and the outage has not ended unheard since.

    An outage that the utility still listed when its list last changed had not ended by then (`LIST_LATE`). A unit that
    last reported from its battery would mostly have reported again, had mains come back (`BACK_SILENT`). Null where
    nothing is known. On mains: that the word is wrong.
    """
    off = found.units.filter("is_off")
    began, at, silent = (minutes_since(known.at, off[name]) for name in ("began", "at", "fell_silent"))
    age = np.maximum(np.nan_to_num(began), 0.0)
    is_listed = off["circuit"].is_in(list(found.lengths.rows)).fill_null(False).to_numpy()
    list_age = (known.at - promises.last_list(known)).total_seconds() / 60 + LIST_LATE
    heard = np.maximum(np.nan_to_num(at), 0.0)
    heard = np.minimum(np.where(is_listed, np.minimum(heard, list_age), heard), age)
    length = found.lengths.of(off["circuit"])
    lasted = length.conditional(age - heard, heard)
    # Had it ended so lately that no report was due yet, its silence would say nothing.
    told = length.conditional(age - heard, np.maximum(heard - REPORTING_MINUTES, 0.0))
    share = np.where(np.nan_to_num(silent) > REPORTING_MINUTES, BACK_SILENT, 1.0)
    lasted = lasted / (told + (1 - told) * share)
    still = np.clip(off["sure"].to_numpy() * lasted, 0.0, 1.0)
    chance = (1 - found.units["sure"]).to_numpy().copy()
    chance[found.units["is_off"].fill_null(False).to_numpy()] = still
    return pl.Series(chance, nan_to_null=True)


def basis() -> pl.Expr:
    """What the state stands on, in words."""
    dark = pl.when(pl.col("is_dark").fill_null(False)).then(
        pl.lit("; its charge has probably run out and it no longer reports")
    )
    stands = pl.coalesce("says", pl.lit("no sign of trouble and no report"))
    odd = pl.when(pl.col("marks").is_not_null()).then(pl.format("; odd: {}", "marks"))
    return pl.concat_str(stands, dark.otherwise(pl.lit("")), odd.otherwise(pl.lit("")))


def gone_dark(known: Known, found: Judged) -> pl.DataFrame:
    """For units off mains: is_dark, dark_since, charge_mean.

    A unit is dark when it has stopped reporting and its charge has more likely than not run out.
    """
    d = found.discharge
    is_silent = d.age - d.alive_at > REPORTING_MINUTES
    return found.off.select("unit_id").with_columns(
        is_dark=pl.Series(is_silent & (d.empty_by(np.zeros(1))[:, 0] >= 0.5)),
        dark_since=at_offset(known.at, np.minimum(d.quantile(0.5), 0.0)),
        charge_mean=pl.Series(d.charge_mean()),
    )


def mains_charge(known: Brief, frame: pl.DataFrame) -> pl.DataFrame:
    """Fills the charge of units on mains: the last percentage, recharged since; null where none was reported."""
    s, status = known.settings, known.status
    told = saying(status, "battery_percent", microseconds(known.at))
    row = status["row"].to_numpy()[told]
    last = last_of_each(row)
    row, percent = row[last], numbers(status["battery_percent"])[told][last]
    recharge = numbers(known.units["recharge_minutes"])
    recharge = np.maximum(np.where(np.isnan(recharge), s["power.recharge_minutes"], recharge), 1.0)
    gained = minutes_since(known.at, status["occurred_at"][told].gather(last)) / recharge[row]
    charge = np.full(known.units.height, np.nan)
    charge[row] = np.clip(gauges(percent, s) + gained, 0, 1)
    charged = pl.Series(charge[frame["row"].to_numpy()], nan_to_null=True)
    return frame.with_columns(charge_mean=pl.when(pl.col("supply") == "mains").then(charged).otherwise("charge_mean"))


def stakes(known: Known, supply: pl.DataFrame, loads: pl.DataFrame, found: Judged) -> Stakes:
    """What is at stake at the units off mains: `power`, `exposure`, `circuits` and `remedies` stand on it."""
    frame = supply if supply.height else empty(events.SupplyStates)
    return stakes_of(known, frame, loads, found.lengths, found.discharge)


def power(known: Known, supply: pl.DataFrame, loads: pl.DataFrame, at_risk: Stakes) -> pl.DataFrame:
    """Every rostered unit: its supply, when its charge would end, and what that would cost until closing."""
    if supply.is_empty():
        return empty(estimates.Power)
    costs = unit_costs(known, at_risk, loads)
    names = [*empty(estimates.Power).columns, *FURTHER["power"]]
    frame = supply.sort("unit_id").join(costs, on="unit_id", how="left")
    chances = ["chance_dark", "expected_dark_minutes", "expected_voter_minutes"]
    return frame.with_columns(pl.col(chances).fill_null(0.0)).select(names)
