"""Which steps are done, due and overdue, and is custody whole?"""

from datetime import datetime

import polars as pl
import streamlit as st

from dashboard import figures, further, panels, reasons, words
from dashboard.data import Picture, once

SHAPES = {standing: said.split(" ")[0] for standing, said in words.STANDINGS.items()}


@once
def grid(picture: Picture) -> pl.DataFrame:
    """Sites down, steps across; each cell a shape, a word and a time."""
    steps = picture.answer("milestones")
    named, zone = figures.names(picture), picture.zone
    at = figures.newest(steps["due_at"].head(1)) or picture.at  # cells of another day than this name it
    order = steps["milestone"].unique(maintain_order=True).to_list()
    broken = set(figures.custody(steps).select("site_id", "milestone").iter_rows())
    worst = {"overdue": 0, "due": 1, "done": 2, "not-due": 2}
    rows: dict[str, dict] = {}
    for r in steps.iter_rows(named=True):
        cell = {
            "done": f"✓ {words.clock(r['at'], zone, at)}",
            "overdue": f"▲ overdue {words.clock(r['due_at'], zone, at)}",
            "due": f"◇ due {words.clock(r['due_at'], zone, at)}",
            "not-due": "· not due",
        }[r["standing"]]
        cell += " ✗ custody" if (r["site_id"], r["milestone"]) in broken else " ✗ order" if r["note"] else ""
        row = rows.setdefault(r["site_id"], {"": 9, "Site": named.get(r["site_id"], r["site_id"])})
        row[""] = min(row[""], worst[r["standing"]] - (3 if r["note"] else 0))
        row[words.step(r["milestone"])] = cell
    ranked = sorted(rows.values(), key=lambda row: (row[""], row["Site"]))
    heads = ["Site", *map(words.step, order)]
    return panels.said([{h: row.get(h, "–") for h in heads} for row in ranked])


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
    named = figures.names(picture)
    parts = [
        f"<p><b>{words.safe(', '.join(named.get(s, s) for s in own['site_id']))}</b> · "
        f"{words.step(str(milestone))} · {words.safe(str(said))}</p>"
        for (milestone, said), own in advised.group_by("milestone", "advice", maintain_order=True)
    ]
    panels.markup("".join(parts))


def reported(picture: Picture, at: datetime | None) -> str:
    """When a step was reported, if it was."""
    return f"reported {words.clock(at, picture.zone, picture.at)}" if at else "not reported"


picture = panels.shown()
st.title("Opening & closing", anchor=False)
steps = picture.answer("milestones")
tally = {s: steps.filter(pl.col("standing") == s).height for s in words.STANDINGS}
broken = figures.custody(steps).height
panels.facts(
    [
        (str(tally["overdue"]), "▲ steps overdue"),
        (str(tally["due"]), "◇ steps due now"),
        (str(tally["done"]), f"✓ steps done, of {steps.height} that apply"),
        (str(broken), "✗ gaps or differences in custody"),
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
    panels.frame(grid(picture), "steps-grid", 460, "Site")
reasons.behind(picture, "milestones")
further.table(
    picture,
    "custody",
    "The chain of custody, hand by hand",
    "What was handed over, by which steps, and what is missing or out of order.",
    "Nothing has been handed over yet.",
)
further.table(
    picture,
    "finish",
    "When each site will be done",
    "The steps that are still to come, with their times, from how long they take elsewhere.",
    "Every site is done, or none has begun to close.",
)
