"""What the neighbours of a unit tell of it: units of the same site, and other sites on the same circuit.

An outage is shared. A unit whose newest report is older than the first word of an outage next door has not had the
time to tell. Method: docs/methods/power.md.
"""

from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.power.instants import moment
from pipeline.estimates.power.outages import ALL_PER_YEAR

NEVER, LATEST = np.iinfo(np.int64).min // 2, np.iinfo(np.int64).max  # before and after every time [us]
MICROSECONDS = 60_000_000  # in a minute
RECENT_MINUTES = 60.0  # reports of neighbours older than this say nothing of now [min]
SILENT_MINUTES = 45.0  # a unit that has not reported for so long is judged by its neighbours [min]
TOGETHER_MINUTES = 30.0  # units of one place lost mains together when their first words are so close [min]
SITE_SURE = 0.95  # that a unit of the same site that changed over tells of the others; our choice [-]
LIKE = 0.1  # weight of each answer before any unit of a place is heard: an outage is shared; our choice [count]
CLOCKS = 2.0  # clocks of units differ by so much: a word of mains so soon after does not contradict; our choice [min]
SEVERAL_SURE = 0.97  # that sites of one circuit that lose mains together share its outage; our choice [-]


def words(runs: pl.DataFrame, known: Known, placed: pl.DataFrame) -> list[pl.LazyFrame]:
    """What units of the same site say, and of other sites on the same circuit: an outage is shared."""
    recent = runs.filter(pl.col("age") <= RECENT_MINUTES)
    changed = changes(recent, placed.height).lazy()
    at_site = placed.lazy().filter(pl.col("site_id").is_not_null()).join(changed, on="site")
    heard = runs.filter(pl.col("age") <= SILENT_MINUTES)
    silent = placed.join(heard.select("row"), on="row", how="anti", maintain_order="left")
    now = silent.lazy().join(majority(recent, silent, "site_id"), on="site_id").with_columns(kind=pl.lit("site now"))
    # A site with no word of its own is judged by the other sites of the circuit, at least two units of them.
    unheard = silent.join(recent, on="site_id", how="anti")
    circuits = majority(recent, unheard, "circuit").filter(pl.col("many") >= 2)
    around = unheard.lazy().join(circuits, on="circuit").with_columns(kind=pl.lit("circuit"))
    return [
        spreading(recent, known, placed),
        at_site.with_columns(
            kind=pl.lit("site"), says=pl.lit("a unit of the same site changed over"), sure=pl.lit(SITE_SURE)
        ),
        now.with_columns(says=pl.format("units of the same site, {} of {} on battery", "many_off", "many")),
        around.with_columns(says=pl.format("units on the same circuit, {} of {} on battery", "many_off", "many")),
    ]


def changes(recent: pl.DataFrame, sites: int) -> pl.DataFrame:
    """A site's latest change-over in each direction: columns site (its number, under `sites`), is_off, at, began.

    Losing mains counts from a unit's first word of it; a unit that has always been on mains has not changed over. A
    word of mains from the same site since then says that it is one cord, or over: it is no sign for the others.
    """
    site, at, began = (recent[name].to_physical().to_numpy().astype(np.int64) for name in ("site", "at", "began"))
    is_off, moved = (
        recent.select(e).to_series().to_numpy() for e in ("is_off", pl.col("is_off") | pl.col("other_at").is_not_null())
    )
    way = 2 * site + is_off
    newest, first = np.full(2 * sites, NEVER), np.full(2 * sites, LATEST)
    np.maximum.at(newest, way[moved], began[moved])
    together = moved & (began >= newest[way] - int(TOGETHER_MINUTES * MICROSECONDS))
    np.minimum.at(first, way[together], began[together])
    on_at = np.full(sites, NEVER)
    np.maximum.at(on_at, site[~is_off], at[~is_off])
    found = np.flatnonzero(newest > NEVER)
    lost = found % 2 == 1
    found = found[~lost | (on_at[found // 2] < newest[found])]
    columns = {"site": found // 2, "is_off": found % 2 == 1, "at": newest[found], "began": first[found]}
    return pl.DataFrame(columns).cast({"site": pl.UInt32, "at": recent["at"].dtype, "began": recent["at"].dtype})


def newest_on(recent: pl.LazyFrame, asked: pl.LazyFrame, place: str) -> pl.LazyFrame:
    """The newest word of mains at each place of those asked about: columns place, on_at."""
    on = recent.select(place, "at", "is_off").filter(~pl.col("is_off")).join(asked, on=place, how="semi")
    return on.group_by(place).agg(on_at=pl.col("at").max())


def majority(recent: pl.DataFrame, asked: pl.DataFrame, place: str) -> pl.LazyFrame:
    """What most units of a place, of those asked about, last said: columns place, is_off, at, began, many, many_off.

    Who told of mains before the first of them lost it has not been heard on that.
    """
    first_off = pl.col("began").filter("is_off").min().over(place)
    return (
        recent.lazy()
        .join(asked.lazy(), on=place, how="semi")
        .filter((pl.col("at") >= first_off).fill_null(True))
        .group_by(place)
        .agg(
            many=pl.len(),
            many_off=pl.col("is_off").sum(),
            at=pl.col("at").max(),
            first_off=pl.col("began").filter("is_off").min(),
        )
        .with_columns(is_off=pl.col("many_off") * 2 >= pl.col("many"))
        .with_columns(began=pl.when("is_off").then("first_off").otherwise("at"), sure=agreement())
    )


def agreement() -> pl.Expr:
    """Chance that one more unit of the place is as most of them are: a beta prior of which `LIKE` counts each way."""
    alike = pl.when("is_off").then("many_off").otherwise(pl.col("many") - pl.col("many_off"))
    return (alike + LIKE) / (pl.col("many") + 2 * LIKE)


def spreading(recent: pl.DataFrame, known: Known, placed: pl.DataFrame) -> pl.LazyFrame:
    """Units of other sites on a circuit where units have just lost mains, and nobody has told of mains since.

    `sure`: the chance that it is the circuit, against a cord or a fuse of that place, by how often each happens in a
    day. The rate of the circuit is learnt from the day's outages, so that a storm makes it the likelier cause.
    """
    told = recent.lazy()
    lost = told.filter(pl.col("is_off") & pl.col("circuit").is_not_null()).with_columns(
        newest=pl.col("began").max().over("circuit")
    )
    together = pl.col("began") >= pl.col("newest") - pl.duration(minutes=int(TOGETHER_MINUTES))
    found = (
        lost.filter(together)
        .group_by("circuit")
        .agg(
            at=pl.col("began").min(),
            units_off=pl.len(),
            sites_off=pl.col("site_id").n_unique(),
            off_sites=pl.col("site_id").unique(),
        )
    )
    silent = found.join(newest_on(told, found, "circuit"), on="circuit", how="left").filter(
        (pl.col("on_at") <= pl.col("at") + pl.duration(minutes=int(CLOCKS))).fill_null(True)
    )
    says = pl.format("on a circuit where {} unit(s) of {} site(s) lost mains since", "units_off", "sites_off")
    # Where several sites tell of it, a word of mains as much later as clocks differ is one of before.
    leeway = pl.when(pl.col("sites_off") > 1).then(pl.duration(minutes=int(CLOCKS))).otherwise(pl.duration())
    return (
        placed.lazy()
        .join(silent, on="circuit")
        .filter(~pl.col("site_id").is_in(pl.col("off_sites")))
        .with_columns(
            is_off=pl.lit(True),
            at=pl.col("at") + leeway,
            began=pl.col("at"),
            kind=pl.lit("spread"),
            says=says,
            sure=circuit_share(known),
        )
    )


def circuit_share(known: Known) -> pl.Expr:
    """Chance that units off (columns units_off, sites_off) have lost their circuit, not a cord or a place's fuse."""
    s, circuit = known.settings, outages_per_day(known)
    fuse = s["power.fuses_per_year"] / 365
    cord = pl.when(pl.col("units_off") == 1).then(s["power.cords_per_year"] / 365).otherwise(0.0)
    return pl.when(pl.col("sites_off") > 1).then(SEVERAL_SURE).otherwise(
        (circuit / (circuit + fuse + cord)).clip(upper_bound=SEVERAL_SURE)
    )  # fmt: skip


def outages_per_day(known: Known) -> float:
    """Outages of a circuit in a day: the published rate, as one outage of a gamma prior, drawn to those of the day."""
    day = pl.col("started_at").is_between(moment(known.at - timedelta(hours=24)), moment(known.at))
    out = known.outages.filter(day)["circuit"].n_unique()
    circuits = pl.concat([known.sites["circuit"], known.outages["circuit"]]).drop_nulls().n_unique()
    return (1 + out) / (365 / ALL_PER_YEAR + circuits)
