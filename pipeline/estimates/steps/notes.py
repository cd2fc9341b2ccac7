"""What is out of order among the steps: a step skipped, a hand-over nobody received, a seal that differs, one person
where two belong.
"""

from datetime import timedelta

import polars as pl

from pipeline.contracts.known import Known
from pipeline.contracts.moments import spelled_out
from pipeline.estimates.steps.holders import KINDS, PEOPLE

AFTER = {  # a step and the one that comes before it (contract, list of milestones)
    "seals-checked": "arrived",
    "zero-tape": "seals-checked",
    "open": "zero-tape",
    "results-tape": "closed",
    "transmitted": "results-tape",
    "media-handed-over": "media-sealed",
    "media-received": "media-handed-over",
    "ballots-handed-over": "ballots-sealed",
    "ballots-received": "ballots-handed-over",
    "provisional-handed-over": "provisional-sealed",
    "provisional-received": "provisional-handed-over",
}
SHOWN = {"site_id": pl.String, "milestone": pl.String, "note": pl.String}


def gaps(known: Known, steps: pl.DataFrame) -> pl.DataFrame:
    """A sentence for each step that is out of order: columns site_id, milestone, note."""
    said = known.milestones.filter(pl.col("at") <= known.at + timedelta(minutes=5))
    found = [skipped(steps), out_of_order(steps), early_close(steps), *seals_and_hands(said)]
    found += [too_few(said), not_received(known, said)]
    return (
        pl.concat([part.select(list(SHOWN)) for part in found])
        .unique()
        .sort("site_id", "milestone", "note")
        .group_by("site_id", "milestone")
        .agg(note=pl.col("note").str.join(" "))
    )


def pairs(steps: pl.DataFrame) -> pl.DataFrame:
    """Steps with the time and name of the one that comes before."""
    before = pl.DataFrame(list(AFTER.items()), schema={"milestone": pl.String, "earlier": pl.String}, orient="row")
    times = steps.select("site_id", earlier="milestone", earlier_at="at")
    return steps.join(before, on="milestone").join(times, on=["site_id", "earlier"], how="inner")


def skipped(steps: pl.DataFrame) -> pl.DataFrame:
    """A later step is reported while the one before it is not: the earlier step's row says so."""
    return (
        pairs(steps)
        .filter(pl.col("at").is_not_null() & pl.col("earlier_at").is_null())
        .select(
            "site_id", milestone="earlier", note=pl.format("Not reported, though {} has been.", pl.col("milestone"))
        )
    )


def out_of_order(steps: pl.DataFrame) -> pl.DataFrame:
    """A step is reported earlier than the one that must precede it."""
    return (
        pairs(steps)
        .filter(pl.col("at") < pl.col("earlier_at"))
        .select("site_id", "milestone", note=pl.format("Reported before {}.", pl.col("earlier")))
    )


def early_close(steps: pl.DataFrame) -> pl.DataFrame:
    """Closed while people were still to vote is fine; a results report before the last voter is not."""
    last = steps.filter(pl.col("milestone") == "last-voter").select("site_id", last_at="at")
    return (
        steps.filter(pl.col("milestone") == "results-tape")
        .join(last, on="site_id")
        .filter(pl.col("at") < pl.col("last_at"))
        .select("site_id", "milestone", note=pl.lit("Reported before the last voter."))
    )


def seals_and_hands(said: pl.DataFrame) -> list[pl.DataFrame]:
    """Seal numbers and names of one step against those of the next, item by item."""
    before = pl.DataFrame(list(AFTER.items()), schema={"milestone": pl.String, "earlier": pl.String}, orient="row")
    item = pl.col("item").fill_null("")
    left = said.with_columns(item=item).join(before, on="milestone")
    # A step that puts no new seal on leaves the one that it found.
    right = said.select(
        "site_id",
        item=item,
        earlier="milestone",
        seal_before=pl.coalesce("seal_out", "seal_in"),
        to_before=pl.col("to"),
    )
    both = left.join(right, on=["site_id", "item", "earlier"], how="inner")
    of_item = pl.when(pl.col("item") == "").then(pl.lit("")).otherwise(pl.format(" ({})", "item"))
    seals = both.filter(pl.col("seal_in") != pl.col("seal_before")).select(
        "site_id",
        "milestone",
        note=pl.format("Seal {} found where {} was on it at {}{}.", "seal_in", "seal_before", "earlier", of_item),
    )
    hands = both.filter(
        pl.col("milestone").str.ends_with("-received") & (pl.col("from") != pl.col("to_before"))
    ).select("site_id", "milestone", note=pl.format("Received from another hand than it was given to{}.", of_item))
    alone = said.filter(
        pl.col("milestone").str.ends_with("-handed-over")
        & pl.col("to").is_not_null()
        & (pl.col("from") == pl.col("to"))
    ).select("site_id", "milestone", note=pl.lit("Giver and taker are the same."))
    return [seals, hands, alone]


def too_few(said: pl.DataFrame) -> pl.DataFrame:
    """A sealing or a hand-over that names fewer than two people; none where no step of the county names a second."""
    kept = said.filter(pl.col("milestone").str.contains(rf"^({'|'.join(KINDS)})-"))
    if kept["witness"].replace("", None).null_count() == kept.height:
        return pl.DataFrame(schema=SHOWN)
    named = pl.concat_list(pl.col(*PEOPLE).replace("", None)).list.drop_nulls().list.n_unique()
    of_item = pl.when(pl.col("item").fill_null("") == "").then(pl.lit("")).otherwise(pl.format(" ({})", "item"))
    alone = kept.filter((named < 2) & ~pl.col("milestone").str.ends_with("-received"))
    done = pl.when(pl.col("milestone").str.ends_with("-sealed")).then(pl.lit("Sealed")).otherwise(pl.lit("Handed over"))
    return alone.select("site_id", "milestone", note=pl.format("{} with fewer than two people named{}.", done, of_item))


def not_received(known: Known, said: pl.DataFrame) -> pl.DataFrame:
    """An item handed over long ago that nobody has received: who holds it since when is open."""
    grace = known.settings["milestones.custody_minutes"]
    item = pl.col("item").fill_null("")
    keyed = said.with_columns(item=item, kind=pl.col("milestone").str.split("-").list.first())
    arrived = keyed.filter(pl.col("milestone").str.ends_with("-received")).select("site_id", "kind", "item")
    age = (pl.lit(known.at) - pl.col("at")).dt.total_minutes()
    return (
        keyed.filter(pl.col("milestone").str.ends_with("-handed-over"))
        .join(arrived, on=["site_id", "kind", "item"], how="anti")
        .filter(age > grace)
        .with_columns(age=spelled_out(age))
        .select(
            "site_id",
            milestone=pl.format("{}-received", "kind"),
            note=pl.when(pl.col("item") == "")
            .then(pl.format("Handed over {} ago, not received.", "age"))
            .otherwise(pl.format("{} handed over {} ago, not received.", "item", "age")),
        )
    )
