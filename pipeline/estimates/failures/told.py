"""Faults that tickets tell of: repeats folded together, and how sure it is that each was one of that unit."""

import polars as pl

from pipeline.contracts.known import Known

# Categories of tickets that tell of a unit's own failure; the rest are the place's or the people's.
UNIT_CATEGORIES: dict[str, tuple[str, ...]] = {
    "scanner-jam": ("scan-single", "scan-batch"),
    "scanner-down": ("scan-single", "scan-batch"),
    "tape-printer": ("scan-single",),
    "memory-card": ("scan-single",),
    "poll-book": ("electronic-poll-book",),
    "bmd": ("bmd",),
    "accessible-device": ("bmd",),
}
# What a counter or a state shows too, by the family of faults that it shows.
SHOWN_TOO = dict.fromkeys(("scanner-jam", "scanner-down", "bmd", "poll-book"), "works") | {"memory-card": "cards"}


def ticket_faults(known: Known, readings: pl.DataFrame, window: pl.Expr) -> pl.DataFrame:
    """Faults that tickets tell of, by unit: columns root, unit_id, at, kind, family, share, confidence, ticket_ids.

    A call without a unit may be about any unit of that sort at its site: a row for each, `share` one in so many.
    """
    opened = known.tickets.select("ticket_id", "opened_at")
    read = root_of(readings).join(opened, on="ticket_id", how="inner")
    own = pl.col("category").is_in(list(UNIT_CATEGORIES)) | is_own_power(known)
    rooted = (
        read.filter(own)
        .sort("opened_at", "ticket_id")
        .group_by("root", maintain_order=True)
        .agg(
            site_id=pl.col("site_id").drop_nulls().first(),
            unit_id=pl.col("unit_id").drop_nulls().first(),
            kind=pl.col("category").first(),
            at=pl.col("opened_at").min(),
            confidence=pl.col("category_confidence").max().fill_null(1.0),
            ticket_ids=pl.col("ticket_id").sort(),
        )
    )
    named = with_candidates(rooted, known.units).filter(pl.col("unit_id").is_not_null())
    family = pl.col("kind").replace_strict(SHOWN_TOO, default=pl.col("kind"), return_dtype=pl.String)
    return folded(named, window, known.settings["repeats.own_power_chance"]).with_columns(family=family)


def is_own_power(known: Known) -> pl.Expr:
    """A power ticket that names a unit at a place whose circuit was never listed as out: perhaps its own cord."""
    listed = known.sites.join(known.outages, on="circuit")["site_id"].unique()
    told = pl.col("unit_id").is_not_null() & pl.col("site_id").is_not_null()
    return (pl.col("category") == "power") & told & ~pl.col("site_id").is_in(listed.implode())


def folded(named: pl.DataFrame, window: pl.Expr, own_power: float) -> pl.DataFrame:
    """Calls about one unit and one kind so close together that they tell of one fault."""
    rows = named.sort("unit_id", "kind", "at", "root")
    gap = pl.col("at") - pl.col("at").shift(1).over("unit_id", "kind")
    sure = pl.when(pl.col("kind") == "power").then(own_power * pl.col("confidence")).otherwise("confidence")
    return (
        rows.with_columns(confidence=sure, run=(gap > window).fill_null(True).cum_sum().over("unit_id", "kind"))
        .group_by("unit_id", "kind", "run")
        .agg(
            root=pl.col("root").first(),
            at=pl.col("at").min(),
            share=pl.col("share").max(),
            confidence=pl.col("confidence").max(),
            ticket_ids=pl.col("ticket_ids").list.explode().unique().sort(),
        )
        .drop("run")
        .sort("unit_id", "kind", "at")
    )


def root_of(readings: pl.DataFrame) -> pl.DataFrame:
    """Readings with `root`: the ticket at the end of the chain of `same_as`."""
    rooted = readings.with_columns(root=pl.coalesce("same_as", "ticket_id"))
    parents = readings.select(root="ticket_id", further="same_as")
    for _ in range(4):  # chains are short; a ring of tickets ends here too
        rooted = rooted.join(parents, on="root", how="left").with_columns(root=pl.coalesce("further", "root"))
        rooted = rooted.drop("further")
    return rooted


def with_candidates(told: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """Fills a missing unit_id with every deployed unit of the site that the category can be about, with its `share`."""
    kinds = pl.DataFrame(
        [(kind, name) for kind, names in UNIT_CATEGORIES.items() for name in names],
        schema={"kind": pl.String, "type": pl.String},
        orient="row",
    )
    can_be = (
        units.filter(pl.col("site_id").is_not_null() & (pl.col("role").fill_null("deployed") != "spare"))
        .join(kinds, on="type")
        .select("site_id", "kind", may_be="unit_id")
        .with_columns(share=1.0 / pl.len().over("site_id", "kind"))
    )
    has = told.filter(pl.col("unit_id").is_not_null()).with_columns(share=pl.lit(1.0))
    lacks = told.filter(pl.col("unit_id").is_null()).join(can_be, on=["site_id", "kind"], how="inner")
    return pl.concat([has, lacks.with_columns(unit_id="may_be").select(has.columns)])


def match(told: pl.DataFrame, shown: pl.DataFrame, window: pl.Expr) -> pl.DataFrame:
    """The tickets' faults with the `event` of the reports that is the same one, else null.

    Where a call may be about several units and one of them shows the fault, it is about that one.
    """
    if told.is_empty():
        return told.with_columns(event=pl.lit(None, pl.UInt32))
    own = shown.join(told.select("unit_id").unique(), on="unit_id", how="semi")
    reach = told.with_columns(reach=pl.col("at") + window).sort("reach")
    found = reach.join_asof(
        own.select("unit_id", "family", "event", "until", reach="at").sort("reach", "event"),
        on="reach",
        by=["unit_id", "family"],
        strategy="backward",
        check_sortedness=False,
    )
    is_same = (pl.col("at") <= pl.col("until") + window).fill_null(False)
    matched = found.with_columns(event=pl.when(is_same).then("event"))
    settled = pl.col("event").is_not_null().any().over("root")
    return matched.filter(pl.col("event").is_not_null() | ~settled | (pl.col("share") == 1.0)).drop("reach", "until")


def with_probability(only_told: pl.DataFrame, status: pl.DataFrame, window: pl.Expr, unseen: float) -> pl.DataFrame:
    """Adds `probability`: that the unit had the fault that a call tells of, by Bayes on what its own reports show.

    A call is right with its `confidence` and about each candidate with its `share`. A unit that went on reporting and
    showed nothing has the fault only with `unseen` of its chance; where nobody reports, the call stands alone.
    """
    watched = (
        status.join(only_told.select("unit_id").unique(), on="unit_id", how="semi")
        .filter(pl.col("state").is_not_null() | pl.col("misfeeds").is_not_null())
        .select("unit_id", seen_at="occurred_at")
    )
    heard = only_told.sort("at").join_asof(
        watched.sort("seen_at"),
        left_on="at",
        right_on="seen_at",
        by="unit_id",
        strategy="forward",
        check_sortedness=False,
    )
    is_watched = (pl.col("seen_at") <= pl.col("at") + window).fill_null(False) & pl.col("family").is_in(
        list(SHOWN_TOO.values())
    )
    weight = pl.col("share") * pl.when(is_watched).then(unseen).otherwise(1.0)
    sure = pl.col("confidence").clip(0.0, 1.0)
    return (
        heard.with_columns(weight=sure * weight, sure=sure)
        .with_columns(total=pl.col("weight").sum().over("root") + 1 - pl.col("sure").max().over("root"))
        .with_columns(probability=pl.when(pl.col("total") > 0).then(pl.col("weight") / pl.col("total")).otherwise(0.0))
        .with_columns(pl.col("probability").clip(0.0, 1.0))
        .drop("seen_at", "weight", "sure", "total")
    )
