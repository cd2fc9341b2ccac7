"""Expected dark minutes against the truth of simulated days: python tests/benchmarks/power_days.py SHAPE MEANS OUTAGES DAYS [PROMISES].

    uv run python tests/benchmarks/power_days.py lognormal usual 1 256          # some minutes
    uv run python tests/benchmarks/power_days.py exponential states 1 256 none

Twelve circuits, five sites on each, three units at a site. Lengths of outages have a SHAPE (`SHAPES`) about MEANS that are
published (EIA, Electric Power Annual, 2022: `MEANS`). What is told, summed over the half hours of the day and the units that
are truly off mains then, is set against what came true. `battery` and `length`: the same with the true moment at which each
unit runs empty, and with the true end of each outage, which tells whose doubt is at fault. `sure`: over all units told as
off, times the chance that they are.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
from power import filled
from scipy import special, stats

from pipeline.contracts import events
from pipeline.contracts.known import County, Known, empty
from pipeline.estimates.power import learnt, power, stakes
from pipeline.estimates.power.condense import condensed
from pipeline.settings import Settings

START = datetime(2026, 11, 3, 12, tzinfo=UTC)  # polls open
OPEN = 780.0  # minutes of voting [min]
CIRCUITS, SITES, UNITS = 12, 5, 3  # circuits; sites on each; units of each
TYPES = ["scan-single", "electronic-poll-book", "electronic-poll-book"]
EVERY = 10.0  # minutes between reports [min]
STAMP = pl.Datetime("us", "UTC")
MEAN = 120.2  # Table 11.1: CAIDI 2022 without major event days [min]
# Table 11.3: CAIDI 2022 without major events, of Connecticut, Maine, Massachusetts, New Hampshire, Rhode Island, Vermont, New
# Jersey, New York, Pennsylvania, Illinois, Indiana, Michigan [min].
STATES = np.array([106.4, 110.8, 93.8, 115.6, 78.2, 136.0, 94.3, 116.5, 130.4, 91.4, 122.4, 163.6])
# Table 11.1, 2022: (SAIDI 333.0 - 131.1) / (SAIFI 1.426 - 1.090), what an interruption of a major event day lasts [min].
MAJOR = (333.0 - 131.1) / (1.426 - 1.090)


def lognormal(sigma: float) -> Any:
    """Of mean 1."""
    return stats.lognorm(sigma, scale=np.exp(-(sigma**2) / 2))


# Shape of the lengths, of mean 1. Exponential: the usual law of repair in reliability studies. The others are narrower or wider
# than the settings' lognormal of 1; nobody publishes a shape beside the means.
SHAPES = {
    "lognormal": lognormal(1.0),
    "lognormal0.8": lognormal(0.8),
    "lognormal1.2": lognormal(1.2),
    "exponential": stats.expon(),
    "gamma0.7": stats.gamma(0.7, scale=1 / 0.7),
    "weibull0.8": stats.weibull_min(0.8, scale=1 / special.gamma(1 + 1 / 0.8)),
}
# Of what is left of an outage when something is promised of it, under `forecast`: median [min], sd of the logarithm.
FORECAST_MEDIAN, FORECAST_SPREAD = 90.0, 0.9
MEANS = {"usual": np.array([MEAN]), "states": STATES, "major": np.array([MAJOR])}


@dataclass(frozen=True)
class Day:
    """What happens: outages, and the batteries of all units; minutes from the opening."""

    circuit: np.ndarray
    began: np.ndarray
    ended: np.ndarray
    states: list[list[tuple[float, float | None, float | None]]]  # of each: received, promised, restored
    run: np.ndarray  # run time of a full battery [min]
    age: np.ndarray
    status: pl.DataFrame

    def lost(self, unit: np.ndarray, t: float) -> np.ndarray:
        """The outage each unit is in at t; -1: on mains."""
        found = np.full(len(unit), -1)
        for i in range(len(self.circuit)):
            found[(unit // (SITES * UNITS) == self.circuit[i]) & (self.began[i] <= t < self.ended[i])] = i
        return found


def promises(rng: np.random.Generator, length: float, kind: str) -> list[tuple[float, float | None]]:
    """When the list says what of an outage, in minutes from its start: received, promised.

    The list is made anew every 40 to 90 minutes. `told`: promises are off by the settings' errors, half of whose variance an
    outage's promises share. `apart`: each by its own. `forecast`: it is the truth that is off by as much about the promise,
    as about a guess that knows its own error. `none`: no promise.
    """
    times = np.cumsum([rng.uniform(5, 20), *rng.uniform(40, 90, 30)])
    common, own = rng.normal(), rng.normal(size=len(times))
    error = own if kind == "apart" else np.sqrt(0.5) * (common + own)
    told: list[tuple[float, float | None]] = []
    for number, at in enumerate(times[times < length]):
        ratio, sigma = (0.75, 0.65) if number == 0 else (1.0, 0.45)
        left = np.log(length - at + 10)
        if kind == "forecast":
            share = 1 - (sigma / FORECAST_SPREAD) ** 2
            left = np.log(FORECAST_MEDIAN) + share * (left - np.log(FORECAST_MEDIAN))
            sigma *= np.sqrt(share)
        promised = np.exp(left - np.log(ratio) - sigma * error[number]) - 10
        told.append((at, None if kind == "none" else at + max(promised, 1.0)))
    return told


def drawn_day(rng: np.random.Generator, lengths: np.ndarray, began: np.ndarray, kind: str) -> Day:
    """A day of outages of different circuits."""
    many, ended = len(lengths), began + lengths
    states = []
    for start, length in zip(began, lengths, strict=True):
        rows = [(start + at, None if p is None else start + p, None) for at, p in promises(rng, length, kind)]
        newest = rows[-1][1] if rows else None
        states.append([*rows, (start + length + rng.uniform(3, 12), newest, start + length)])
    circuit = rng.choice(CIRCUITS, many, replace=False)
    units = CIRCUITS * SITES * UNITS
    age = rng.integers(0, 7, units).astype(float)
    scanner = np.arange(units) % UNITS == 0
    shift = np.where(scanner, rng.normal(0, 0.03), rng.normal(0, 0.03))
    run = np.where(scanner, 240.0, 180.0) * 0.95 * np.exp(-0.055 * age + shift + rng.normal(0, 0.06, units))
    day = Day(circuit, began, ended, states, run, age, pl.DataFrame())
    return Day(circuit, began, ended, states, run, age, reports(rng, day))


def reports(rng: np.random.Generator, day: Day) -> pl.DataFrame:
    """Every unit's reports: one in ten units has no modem, one in fifty reports is lost, a dark unit is silent."""
    units = len(day.run)
    speaks = rng.random(units) > 0.1
    back_late = rng.exponential(10.0, units)  # a unit that went dark is switched on again so long after mains [min]
    turns = int(OPEN / EVERY)
    unit = np.repeat(np.arange(units), turns)
    at = np.tile(np.arange(turns) * EVERY, units) + np.repeat(rng.uniform(0, EVERY, units), turns)
    outage = np.full(len(unit), -1)
    silent = ~speaks[unit] | (rng.random(len(unit)) < 0.02)
    for i in range(len(day.circuit)):
        there = unit // (SITES * UNITS) == day.circuit[i]
        outage[there & (at >= day.began[i]) & (at < day.ended[i])] = i
        dark_at = day.began[i] + day.run[unit]
        went = dark_at < day.ended[i]
        silent |= there & went & (at >= dark_at) & (at < day.ended[i] + back_late[unit])
    off = outage >= 0
    spent = np.where(off, (at - day.began[outage]) / day.run[unit], 0.0)
    exact = 100 * np.clip(1 - spent, 0, 1) ** (1 / np.where(unit % UNITS == 0, 1.09, 1.01))
    percent = np.round(np.clip(exact + np.where(off, rng.normal(0, 1.0, len(unit)), 0.0), 0, 100))
    keep = ~silent
    when = stamps(at[keep])
    return filled(
        events.StatusRows,
        {
            "unit_id": pl.Series([f"U{i:03}" for i in range(units)]).gather(unit[keep]),
            "at": when,
            "occurred_at": when,
            "received_at": when,
            "sequence": np.tile(np.arange(turns), units)[keep],
            "power": pl.Series(np.where(off[keep], "battery", "mains")),
            "battery_percent": percent[keep],
        },
    )


def stamps(minutes) -> pl.Series:
    """Times so many minutes after the opening; None stays null."""
    return pl.Series([None if m is None else START + timedelta(minutes=float(m)) for m in minutes], dtype=STAMP)


def rosters(day: Day) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Sites, units, and what the line estimate says of them."""
    many, units = CIRCUITS * SITES, len(day.run)
    ids = [f"S{i:02}" for i in range(many)]
    sites = filled(
        events.SiteRows,
        {
            "site_id": ids,
            "circuit": [f"C{i // SITES:02}" for i in range(many)],
            "opens_at": stamps([0.0] * many),
            "closes_at": stamps([OPEN] * many),
        },
    )
    rows = {
        "unit_id": [f"U{i:03}" for i in range(units)],
        "site_id": [ids[i // UNITS] for i in range(units)],
        "type": [TYPES[i % UNITS] for i in range(units)],
        "battery_minutes": np.where(np.arange(units) % UNITS == 0, 240.0, 180.0),
        "battery_age_years": day.age,
        "charge_at_open": [1.0] * units,
    }
    ones = {"checkin_waiting": 5.0, "scanner_waiting": 5.0, "arrivals_per_minute": 1.0}
    loads = filled(
        events.SiteLoads, {"site_id": ids, "is_open": [True] * many} | {k: [v] * many for k, v in ones.items()}
    )
    return sites, filled(events.UnitRows, rows), loads


def listed(day: Day, t: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The utility's list as received by t: its newest state, and every state before."""
    rows = [(i, *state) for i, states in enumerate(day.states) for state in states if state[0] <= t]
    newest = {row[0]: row for row in rows}

    def frame(chosen: list) -> pl.DataFrame:
        columns = {
            "outage_id": [f"O{row[0]}" for row in chosen],
            "circuit": [f"C{day.circuit[row[0]]:02}" for row in chosen],
            "started_at": stamps([day.began[row[0]] for row in chosen]),
            "received_at": stamps([row[1] for row in chosen]),
            "estimated_restoration_at": stamps([row[2] for row in chosen]),
            "restored_at": stamps([row[3] for row in chosen]),
        }
        return filled(events.OutageRows, columns)

    return frame(list(newest.values())), frame(rows)


def answer(day: Day, held: tuple, t: float) -> tuple[pl.DataFrame, stakes.Stakes, pl.DataFrame]:
    """What is told at t: states, stakes and costs."""
    sites, units, loads = held
    now, every = listed(day, t)
    at = START + timedelta(minutes=t)
    tables = {k.replace("-", "_"): empty(m) for k, m in events.TABLES.items() if k != "county"}
    status = day.status.filter(pl.col("received_at") <= at)
    tables |= {"sites": sites, "units": units, "outages": now, "outage_states": every, "status": status}
    county = County("Juniper Flats County", "America/Chicago", date(2026, 11, 3))
    brief = condensed(Known(at=at, county=county, settings=Settings(), **tables))
    readings, notes = empty(events.TicketReadings), empty(events.PowerReadings)
    found = power.judged(brief, readings, notes, learnt.learnt_fleet(brief))
    supply = power.supply_states(brief, found, notes)
    at_risk = power.stakes(brief, supply, loads, found)
    return supply, at_risk, power.power(brief, supply, loads, at_risk)


def scored(day: Day, t: float, held: tuple) -> np.ndarray:
    """Sums at t over the units truly off: told, true, with the true battery, with the true length, sure, unit-times."""
    units = np.arange(len(day.run))
    outage = day.lost(units, t)
    off = outage >= 0
    supply, s, told = answer(day, held, t)
    minutes = told.sort("unit_id")["expected_dark_minutes"].to_numpy()
    chance = supply.sort("unit_id")["chance_off"].fill_null(1.0).to_numpy()
    empties = np.where(off, day.began[outage] + day.run, np.inf)
    ends = np.where(off, np.minimum(day.ended[outage], OPEN), 0.0)
    true = np.where(off, np.maximum(ends - np.maximum(empties, t), 0.0), 0.0)
    by_battery = by_length = 0.0
    if s.units.height:
        rows = s.units["unit_id"].str.slice(1).cast(pl.Int64).to_numpy()
        sure = off[rows]
        battery = (s.u[None, :] >= (empties[rows] - t)[:, None]).astype(float)
        length = (s.u[None, :] < (day.ended[outage[rows]] - t)[:, None]).astype(float)
        zero = np.zeros(len(rows))
        by_battery = stakes.integrals(s.u, s.lasts, battery, s.left, zero, zero)[1][sure].sum()
        by_length = stakes.integrals(s.u, length, s.gone, s.left, zero, zero)[1][sure].sum()
    return np.array([minutes[off].sum(), true.sum(), by_battery, by_length, (minutes * chance).sum(), off.sum()])


def drawn(shape: str, means: str, many: int, days: int) -> Iterator[tuple[np.random.Generator, np.ndarray, np.ndarray]]:
    """Of each day, a generator for the rest of it, and its outages' lengths and beginnings [min]."""
    # Even over lengths and beginnings together: the days have the law's own spread, and few long outages are no luck.
    even = stats.qmc.Sobol(2 * many, seed=many).random(days)
    of_days = np.resize(np.random.default_rng(many).permutation(MEANS[means]), days)
    lengths = np.maximum(SHAPES[shape].ppf(even[:, :many]) * of_days[:, None], 1.0)
    began = np.sort(660 * even[:, many:], axis=1)
    for number in range(days):
        yield np.random.default_rng([number, many]), lengths[number], began[number]


def main() -> None:
    """Prints told over true, with bounds by drawing the days anew."""
    shape, means, many, days = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    kind = sys.argv[5] if len(sys.argv) > 5 else "told"
    sums = []
    for rng, lengths, began in drawn(shape, means, many, days):
        day = drawn_day(rng, lengths, began, kind)
        held = rosters(day)
        of_day = np.zeros(6)
        for t in np.arange(30.0, OPEN, 30.0):
            if ((day.began <= t) & (t < day.ended + 60)).any():
                of_day += scored(day, float(t), held)
        sums.append(of_day)
    got = np.array(sums)
    rng = np.random.default_rng(1)
    again = got[rng.integers(0, days, (2000, days))].sum(axis=1)
    told, true = got[:, 0].sum(), got[:, 1].sum()
    low, high = np.quantile(again[:, 0] / np.maximum(again[:, 1], 1e-9), [0.05, 0.95])
    print(
        f"{shape} {means} {kind}, {many} outages, {days} days: told/true {told / true:.2f} ({low:.2f} to {high:.2f}); battery {got[:, 2].sum() / true:.2f},"
        f" length {got[:, 3].sum() / true:.2f}, sure {got[:, 4].sum() / true:.2f}; {int(got[:, 5].sum())} unit-times off,"
        f" {true:.0f} dark minutes, none on {(got[:, 1] == 0).mean():.0%} of the days",
        flush=True,
    )


if __name__ == "__main__":
    main()
