"""Which steps are done, due and overdue, and is custody whole?"""

from datetime import datetime

import polars as pl
import streamlit as st

from dashboard import due, figures, further, listing, panels, reasons, words
from dashboard.data import Picture, once

WORST = {"overdue": 0, "due": 1, "done": 2, "not-due": 2}  # sites with the lowest stand first
SHAPES = {standing: said.split(" ")[0] for standing, said in words.STANDINGS.items()}


@once
def in_order(picture: Picture) -> pl.DataFrame:
    """The sites that have steps: site_id, Site; those with a note, then with something overdue, first."""
    standing, noted = pl.col("standing"), pl.col("note").is_not_null()
    rank = standing.replace_strict(WORST, default=3, return_dtype=pl.Int64) - pl.when(noted).then(3).otherwise(0)
    named = pl.DataFrame(list(figures.names(picture).items()), schema=["site_id", "Site"], orient="row")
    sites = picture.answer("milestones").group_by("site_id").agg(rank=rank.min())
    sites = sites.join(named, on="site_id", how="left").with_columns(pl.col("Site").fill_null(pl.col("site_id")))
    return sites.sort("rank", "Site", "site_id").select("site_id", "Site")


@once
def grid(picture: Picture, most: int | None) -> pl.DataFrame:
    """Sites down, so many or all, steps across; each cell a shape, a word and a time."""
    steps, zone = picture.answer("milestones"), picture.zone
    first = figures.newest(steps["due_at"].head(1)) or picture.at  # cells of another day than this name it
    across = steps["milestone"].unique(maintain_order=True).str.replace_all("-", " ")
    sites = listing.head(in_order(picture), most)
    steps = steps.join(sites, on="site_id", maintain_order="left")
    moments = pl.concat([steps["at"], steps["due_at"]]).unique()
    said = [words.clock(moment, zone, first) for moment in moments]
    clocks = pl.DataFrame({"moment": moments, "said": pl.Series(said, dtype=pl.String)})
    for column in ("at", "due_at"):
        steps = steps.join(
            clocks.rename({"said": f"{column}_said"}), left_on=column, right_on="moment", how="left",
            nulls_equal=True, maintain_order="left",
        )  # fmt: skip
    standing, noted = pl.col("standing"), pl.col("note").is_not_null()
    cell = (
        pl.when(standing == "done").then(pl.format("✓ {}", "at_said"))
        .when(standing == "overdue").then(pl.format("▲ overdue {}", "due_at_said"))
        .when(standing == "due").then(pl.format("◇ due {}", "due_at_said"))
        .otherwise(pl.lit("· not due"))
    )  # fmt: skip
    broken = figures.custody(steps).select("site_id", "milestone", is_broken=pl.lit(True)).unique()
    odd = pl.when("is_broken").then(pl.lit(" ✗ custody")).when(noted).then(pl.lit(" ✗ order")).otherwise(pl.lit(""))
    cells = steps.join(broken, on=["site_id", "milestone"], how="left", maintain_order="left").select(
        "site_id", cell=cell + odd, step=pl.col("milestone").str.replace_all("-", " ")
    )
    table = cells.pivot("step", on_columns=across, index="site_id", values="cell", aggregate_function="last")
    return sites.join(table, on="site_id", how="left", maintain_order="left").drop("site_id").fill_null("–")


def custody(picture: Picture, steps: pl.DataFrame) -> None:
    """Gaps and differences in the chain of custody."""
    noted = figures.custody(steps)
    if noted.is_empty():
        panels.empty(f"No gap or difference in custody is known. {panels.last_came(picture, 'milestones')}")
        return
    named = figures.names(picture)
    parts = [
        f"<p><b>{words.safe(named.get(r['site_id'], r['site_id']))}</b> · {words.step(r['milestone'])} · "
        f'<span class="danger">✗ {words.safe(r["note"])}</span> '
        f'<span class="small">{reported(picture, r["at"])}</span></p>'
        for r in noted.iter_rows(named=True)
    ]
    panels.markup("".join(parts))


def advised_steps(picture: Picture, steps: pl.DataFrame) -> None:
    """What to do where results have not come by line, or an order has extended the hours; nothing where all is well."""
    advised = steps.filter(pl.col("advice").is_not_null())
    if advised.is_empty():
        return
    panels.heading("What to do")
    parts = [
        f"<p><b>{words.safe(due.sites_named(picture, own['site_id'].to_list()))}</b> · "
        f"{words.step(str(milestone))} · {words.safe(str(said))}</p>"
        for (milestone, said), own in advised.group_by("milestone", "advice", maintain_order=True)
    ]
    panels.markup("".join(parts))


def reported(picture: Picture, at: datetime | None) -> str:
    """When a step was reported, if it was."""
    return f"reported {words.clock(at, picture.zone, picture.at)}" if at else "not reported"


def page(picture: Picture) -> None:
    """The page."""
    st.title("Opening & closing", anchor=False)
    steps = picture.answer("milestones")
    tally = {s: steps.filter(pl.col("standing") == s).height for s in words.STANDINGS}
    broken = figures.custody(steps).height
    panels.facts(
        [
            (words.count(tally["overdue"]), "▲ steps overdue"),
            (words.count(tally["due"]), "◇ steps due now"),
            (words.count(tally["done"]), f"✓ steps done, of {words.count(steps.height)} that apply"),
            (words.count(broken), "✗ gaps or differences in custody"),
        ]
    )
    panels.heading("Custody")
    custody(picture, steps)
    advised_steps(picture, steps)
    panels.heading("Steps by site")
    if steps.is_empty():
        panels.empty("No step is known yet: the roster has not been received.")
    else:
        panels.markup(
            '<p class="small">✓ done, with its time · ◇ due · ▲ overdue, with the time it was due · · not due yet · '
            "✗ custody or order. Places with something overdue stand first. A step may be done and not reported.</p>"
        )
        listing.table(
            lambda most: grid(picture, most),
            in_order(picture).height,
            "steps-grid",
            "those with a gap or something overdue first",
            460,
            "Site",
        )
    reasons.behind(picture, "milestones")
    further.table(
        picture,
        "custody",
        "The chain of custody, hand by hand",
        "What was handed over, by which steps, and what is missing or out of order.",
        "Nothing has been handed over yet.",
        leave_out=("people",),
    )
    further.table(
        picture,
        "finish",
        "When each site will be done",
        "The steps that are still to come, with their times, from how long they take elsewhere.",
        "Every site is done, or none has begun to close.",
    )


page(panels.shown())
