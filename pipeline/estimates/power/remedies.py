"""What to do about a site off mains: the options, what each saves, and until when it still helps.

Method: docs/methods/power.md. Every option is a proposal: local code, a licensed electrician and the election official
decide, and the caution stands beside it.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from pipeline.contracts.consequences import Remedies
from pipeline.contracts.known import Known, empty
from pipeline.estimates.power.instants import at_offset
from pipeline.estimates.power.stakes import COARSE, EARLY_TO_LATE, Stakes, load_spread, spread_of

Floats = NDArray[np.float64]
LATER = (30.0, 60.0, 120.0)  # what beginning later saves is told for these [min]
NO_LONGER = 0.1  # it has stopped helping when it saves less than this share of beginning now; our choice [-]
STILL = 0.9  # and is as good as now while it saves this share; our choice [-]
GENERATOR = (
    "Generator: outdoors only, at least 20 ft from the building, exhaust pointing away; carbon monoxide kills (CPSC). "
    "Grounded three-wire cords; open the main breaker before back-feeding is even possible (OSHA). "
)
CELLS = (
    "A swollen, hot, smoking or leaking lithium-ion pack: stop, move people away, call 911; do not charge below 0 °C "
    "or above 40 °C (NFPA). "
)
SEALED = "A sealed battery compartment is opened only with authority. "
TESTED = (
    "Only a unit tested and sealed for that place's ballot styles may replace another: zero report first, two people, "
    "seals and counters recorded, ballots and media stay in custody (common practice, no source). "
)
LINES = "Keep 10 ft from overhead lines; treat downed lines as live and call the utility (OSHA). "
COMPARTMENT = (
    "The emergency compartment is opened and emptied as the county's procedure says, with two people, seals recorded; "
    "ballots stay in custody and are read later (common practice, no source). "
)
CORD = "Cords grounded, dry and out of the way of voters and of the accessible route. "
DECIDES = "Local code and a licensed electrician decide on wiring, the election official on the rest."


@dataclass(frozen=True)
class Option:
    """A thing to do: the setting of its working time, the parts, the sorts of unit that it keeps going, its words."""

    minutes: str
    parts: tuple[str, ...]
    sorts: tuple[str, ...]
    why: str
    caution: str


ALL = ("checkin", "scanner", "bmd")
OPTIONS = {
    "charged-unit": Option(
        "power.charged_unit_minutes",
        ("charged unit",),
        ALL,
        "a charged spare of the same type takes over",
        TESTED + CELLS,
    ),
    "battery": Option(
        "power.battery_work_minutes", ("battery",), ALL, "a charged battery keeps it going", CELLS + SEALED
    ),
    "generator": Option(
        "power.generator_minutes", ("generator",), ALL, "a generator carries the place", GENERATOR + LINES
    ),
    "live-outlet": Option(
        "power.outlet_minutes", ("extension cord",), ALL, "another unit of the place has mains: an outlet is live", CORD
    ),
    "emergency-compartment": Option(
        "power.compartment_minutes",
        (),
        ("scanner",),
        "voters put their ballots in and leave (other figures count on it by power.compartment_share only)",
        COMPARTMENT,
    ),
}


def remedies(known: Known, supply: pl.DataFrame, stakes: Stakes, loads: pl.DataFrame) -> pl.DataFrame:
    """One row a site off mains and option that is at hand there: Remedies, the best first."""
    parts = [frame for name in OPTIONS if (frame := one_option(known, name, supply, stakes, loads)) is not None]
    if not parts:
        return empty(Remedies)
    ranked = pl.concat(parts).sort("voter_minutes_saved", "site_id", "option", descending=[True, False, False])
    return ranked.select(list(empty(Remedies).columns))


def one_option(
    known: Known, name: str, supply: pl.DataFrame, stakes: Stakes, loads: pl.DataFrame
) -> pl.DataFrame | None:
    """An option at every site where it is at hand, None where there is none."""
    option, work = OPTIONS[name], known.settings[OPTIONS[name].minutes]
    units = stakes.units.with_row_index("row").filter(
        pl.col("site_id").is_not_null() & (pl.col("sort").is_in(list(option.sorts)) | pl.col("is_accessible"))
    )
    if name == "emergency-compartment":
        units = units.filter(pl.col("sort") == "scanner")
    if name == "live-outlet":
        live = supply.filter((pl.col("supply") == "mains") & (pl.col("chance_off") < 0.5)).select("site_id").unique()
        units = units.join(live, on="site_id", how="semi")
    if name == "charged-unit":
        units = units.join(spares(known, supply), on="unit_id", how="inner", maintain_order="left")
    else:
        units = units.with_columns(spares=pl.lit([], dtype=pl.List(pl.String)))
    if units.is_empty():
        return None
    units = units.sort("site_id", "unit_id")
    sites = units["site_id"].unique(maintain_order=True)
    place = np.asarray(units["site_id"].rle_id().to_numpy(), int)
    rows = units["row"].to_numpy().astype(int)
    saved, spread = savings(known, stakes, rows, place, len(sites), work, name, load_spread(sites.to_frame(), loads))
    listed = units.group_by("site_id", maintain_order=True).agg(
        unit_ids=pl.col("unit_id"), spare_ids=pl.col("spares").explode(empty_as_null=True).drop_nulls().unique().sort()
    )
    return rated(known, listed, name, option, work, stakes.u, saved, spread)


def rated(
    known: Known,
    listed: pl.DataFrame,
    name: str,
    option: Option,
    work: float,
    u: Floats,
    saved: Floats,
    spread: tuple[Floats, Floats],
) -> pl.DataFrame:
    """The rows of an option: what beginning now, and later, saves, and until when it still helps.

    `saved` has a row a site and a column a point of the grid at which the option would begin to work.
    """
    now = value_at(u, saved, work)
    is_any = now > 0
    until = {
        n: until_share(u, saved, now * share) - work for n, share in (("best_by", STILL), ("latest_at", NO_LONGER))
    }
    times = {n: pl.select(pl.when(pl.Series(is_any)).then(at_offset(known.at, np.maximum(m, 0.0)))).to_series()
             for n, m in until.items()}  # fmt: skip
    return listed.with_columns(
        option=pl.lit(name),
        parts=pl.lit(list(option.parts), dtype=pl.List(pl.String)),
        work_minutes=pl.lit(float(work)),
        voter_minutes_saved=pl.Series(now),
        voter_minutes_saved_low=pl.Series(np.minimum(spread[0], now)),
        voter_minutes_saved_high=pl.Series(np.maximum(spread[1], now)),
        **{f"saved_in_{later:.0f}": pl.Series(value_at(u, saved, work + later)) for later in LATER},
        **times,
        why=pl.format("{}: {} unit(s)", pl.lit(option.why), pl.col("unit_ids").list.len()),
        caution=pl.lit(option.caution + DECIDES),
    )


def savings(
    known: Known,
    s: Stakes,
    rows: NDArray[np.int64],
    place: NDArray[np.int64],
    many: int,
    work: float,
    name: str,
    sd: Floats,
) -> tuple[Floats, tuple[Floats, Floats]]:
    """Voter-minutes that working from each point of the grid on saves, by site; and 5 %, 95 % of beginning now.

    Cost up to e is Q0 * integral of F S to e + arrivals * integral of S * (integral of F) to e; what comes after is
    saved. A battery or a charged unit runs down in its turn, counted from the end of the work.
    """
    cells, cost = costs(s, rows, work, name, known.settings["power.capacity_spread"])
    after = cells.sum(axis=1, keepdims=True) - np.concatenate(
        [np.zeros((len(rows), 1)), np.cumsum(cells, axis=1)], axis=1
    )
    total = np.zeros((many, len(s.u)))
    np.add.at(total, place, np.maximum(after, 0.0))
    begun = s.u[1:] > work
    gain = np.zeros((many, len(s.u) - 1, len(EARLY_TO_LATE)))
    np.add.at(gain, place, np.cumsum(np.where(begun[None, :, None], cost, 0.0), axis=1))
    one = rows[np.searchsorted(place, np.arange(many))]
    return total, spread_of(s.lasts[one, ::COARSE], np.maximum(gain[:, COARSE - 1 :: COARSE], 0.0), sd)


def costs(s: Stakes, rows: NDArray[np.int64], work: float, name: str, spread: float) -> tuple[Floats, Floats]:
    """Voter-minutes of each unit in each step of the grid that the option would spare: expected, and if still out.

    The latter by how early the unit runs empty (third axis).
    """
    gone = (s.gone[rows, 1:] + s.gone[rows, :-1]) / 2
    again = np.zeros_like(gone)
    if name in ("battery", "charged-unit"):
        run = s.units["rated_minutes"].to_numpy()[rows][:, None]
        beyond = (s.u[1:] + s.u[:-1])[None, :] / 2 - work - run
        again = special.ndtr(beyond / np.maximum(run * max(2 * spread, 0.05), 1.0))

    def spared(empty: Floats) -> Floats:
        return step_costs(s.u, np.maximum(empty - again, 0.0), s.left[rows], s.waiting[rows], s.arrivals[rows])

    survive = (s.lasts[rows, 1:] + s.lasts[rows, :-1]) / 2
    return spared(gone) * survive, np.stack([spared(empty) for empty in empty_at(s.gone[rows])], axis=2)


def empty_at(gone: Floats) -> list[Floats]:
    """Part of each step (columns) for which a unit (rows) is empty, if it runs empty early to late."""
    before, after = gone[:, :-1], gone[:, 1:]
    rise = np.maximum(after - before, 1e-12)
    return [np.where(before >= share, 1.0, np.clip((after - share) / rise, 0.0, 1.0)) for share in EARLY_TO_LATE]


def step_costs(u: Floats, empty_now: Floats, left: Floats, waiting: Floats, arrivals: Floats) -> Floats:
    """Voter-minutes of each unit (rows) in each step of the grid (columns) while the outage lasts.

    `empty_now` is the probability of being empty in that step; the rest as for `integrals`.
    """
    width = np.clip(left[:, None] - u[None, :-1], 0.0, np.diff(u)[None, :])
    dark = empty_now * width
    since = np.cumsum(dark, axis=1) - dark / 2
    return np.asarray(waiting[:, None] * dark + arrivals[:, None] * since * width, float)


def value_at(u: Floats, saved: Floats, minutes: float) -> Floats:
    """What beginning to work `minutes` from now saves, by site; between points of the grid in a straight line."""
    right = int(np.clip(np.searchsorted(u, minutes), 1, len(u) - 1))
    part = np.clip((minutes - u[right - 1]) / (u[right] - u[right - 1]), 0.0, 1.0)
    return np.asarray(saved[:, right - 1] * (1 - part) + saved[:, right] * part, float)


def until_share(u: Floats, saved: Floats, least: Floats) -> Floats:
    """The last minute at which beginning to work saves at least so much; savings fall along the grid."""
    last = np.maximum((saved >= least[:, None]).sum(axis=1) - 1, 0)
    after = np.minimum(last + 1, len(u) - 1)
    each = np.arange(len(saved))
    fall = np.maximum(saved[each, last] - saved[each, after], 1e-12)
    part = np.clip((saved[each, last] - least) / fall, 0.0, 1.0)
    return np.asarray(u[last] + part * (u[after] - u[last]), float)


def spares(known: Known, supply: pl.DataFrame) -> pl.DataFrame:
    """Units with the spares of their type that are on mains, at the depot or at their own site: unit_id, spares."""
    rows = known.units.select("unit_id", "site_id", "type", "role")
    dark = supply.filter(pl.col("supply") != "mains").select("unit_id")
    waiting = rows.filter(pl.col("role") == "spare").join(dark, on="unit_id", how="anti").select(
        "type", spare_id="unit_id", spare_site="site_id"
    )  # fmt: skip
    pairs = rows.filter(pl.col("role").ne_missing("spare")).join(waiting, on="type")
    near = pl.col("spare_site").is_null() | (pl.col("spare_site") == pl.col("site_id"))
    return pairs.filter(near).group_by("unit_id").agg(spares=pl.col("spare_id").sort())
