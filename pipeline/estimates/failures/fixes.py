"""Faults that came back after a fix: how long each kind of fix holds."""

import numpy as np
import polars as pl

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty
from pipeline.estimates.failures.rates import SURE
from pipeline.estimates.failures.recurrence import kaplan_meier, share_held

HOLDS_MINUTES = 60.0  # a fix is asked whether it holds for so long; our choice [min]
# Kinds of fix by the words of a resolution, the first that fits; our choice.
WORDS = {
    "swapped": r"swap|exchanged|\bspare\b|reserve unit|(?:replac\w*|new) (?:the )?(?:unit|scanner|tablet|machine)",
    "part": r"repl+ac|\bnew (?:roll|card|cable|cord|battery|roller|part)|toner|cartridge|roller kit|paper roll",
    "cleaned": r"clean|wiped|dust",
    "cleared": r"clear|unjam|un-jam|pulled (?:the )?sheet|removed (?:the )?(?:sheet|ballot|paper)",
    "restarted": r"re-?start|re-?boot|power.?cycl|off and on|\breset",
    "reconnected": r"re-?seat|plug|loose|cable|\bcord\b|re-?connect|re-?sync",
    "by-itself": r"itself|on its own|went away",
}


def fix_events(known: Known, faults: pl.DataFrame) -> pl.DataFrame:
    """Fixes so far: unit_id, fault_class, fix, fixed_at, held_minutes, came_back (else still holding, or closed).

    A fix is the last resolution among the tickets of a fault. It came back if the same unit has a probable fault of the
    same class later on; else it is censored at T or the closing of its site.
    """
    probable = faults.filter(pl.col("probability") >= SURE)
    done = known.tickets.filter((pl.col("status") == "resolved") & (pl.col("resolved_at") <= known.at))
    told = done.select("ticket_id", "resolved_at", fix=kind_of_fix())
    fixes = (
        probable.filter(pl.col("ticket_ids").list.len() > 0)
        .with_row_index("nth")
        .explode("ticket_ids")
        .join(told, left_on="ticket_ids", right_on="ticket_id")
        .filter(pl.col("resolved_at") >= pl.col("at"))
        .sort("resolved_at", "ticket_ids")
        .group_by("nth", maintain_order=True)
        .agg(
            pl.col("unit_id", "site_id", "fault_class").first(),
            fix=pl.col("fix").last(),
            fixed_at=pl.col("resolved_at").last(),
        )
        .drop("nth")
    )
    return with_next(known, fixes, probable)


def with_next(known: Known, fixes: pl.DataFrame, probable: pl.DataFrame) -> pl.DataFrame:
    """Fixes with how long they held, one a unit, class and time."""
    own = probable.join(fixes.select("unit_id", "fault_class").unique(), on=["unit_id", "fault_class"], how="semi")
    later = own.select("unit_id", "fault_class", "at", again_at="at").sort("at")
    found = (
        fixes.unique(["unit_id", "fault_class", "fixed_at"], keep="first", maintain_order=True)
        .with_columns(
            at=pl.col("fixed_at") + pl.duration(minutes=1)
        )  # a call that reports the fix itself is no new fault
        .sort("at")
        .join_asof(later, on="at", by=["unit_id", "fault_class"], strategy="forward", check_sortedness=False)
        .join(known.sites.select("site_id", "closes_at"), on="site_id", how="left")
    )
    end = pl.min_horizontal(pl.lit(known.at), pl.col("closes_at").fill_null(known.at))
    back = (pl.col("again_at") <= end).fill_null(False)
    stop = pl.when(back).then("again_at").otherwise(end)
    return (
        found.with_columns(came_back=back, held_minutes=(stop - pl.col("fixed_at")).dt.total_seconds() / 60)
        .filter(pl.col("held_minutes") > 0)
        .select("unit_id", "fault_class", "fix", "fixed_at", "held_minutes", "came_back")
        .sort("unit_id", "fault_class", "fixed_at")
    )


def kind_of_fix() -> pl.Expr:
    """What ended a ticket, by the words of its resolution; without words by whether somebody went there."""
    said = pl.col("resolution").fill_null("").str.to_lowercase()
    nobody = pl.col("arrived_at").is_null() & pl.col("rover_id").is_null()
    found = pl.when(nobody).then(pl.lit("by-phone")).otherwise(pl.lit("visit"))
    for kind, words in reversed(WORDS.items()):
        found = pl.when(said.str.contains(words)).then(pl.lit(kind)).otherwise(found)
    return found


def fixes(known: Known, faults: pl.DataFrame) -> pl.DataFrame:
    """How long fixes hold, by kind and over all: `estimates.Fixes`."""
    found = fix_events(known, faults)
    if found.is_empty():
        return empty(estimates.Fixes)
    groups = [
        ("all", found),
        *((kind[0], rows) for kind, rows in sorted(found.group_by("fix"), key=lambda g: str(g[0]))),
    ]
    rows = [summary(str(kind), part) for kind, part in groups]
    return pl.DataFrame(rows, schema=empty(estimates.Fixes).schema, orient="row")


def summary(kind: str, part: pl.DataFrame) -> dict[str, object]:
    """One kind of fix: how many, how many came back, the share that holds for an hour, the median."""
    held, back = part["held_minutes"].to_numpy(), part["came_back"].to_numpy()
    times, share, _ = kaplan_meier(held, back)
    half = times[share <= 0.5]
    mean, low, high = share_held(held, back, HOLDS_MINUTES)
    return {
        "fix": kind,
        "fixes": part.height,
        "came_back": int(back.sum()),
        "holds_hour_mean": mean,
        "holds_hour_low": min(low, mean),
        "holds_hour_high": max(high, mean),
        "median_minutes": float(half[0]) if len(half) else None,
        "watched_minutes": float(np.sum(held)),
        "unit_ids": part.filter("came_back")["unit_id"].unique().sort().to_list(),
    }


def with_came_back(frame: pl.DataFrame, known: Known, faults: pl.DataFrame) -> pl.DataFrame:
    """Adds `came_back`: fixes of the unit today after which the same class of fault came again [count]."""
    back = fix_events(known, faults).filter("came_back").group_by("unit_id").agg(came_back=pl.len().cast(pl.Int64))
    return frame.join(back, on="unit_id", how="left", maintain_order="left").with_columns(
        pl.col("came_back").fill_null(0)
    )
