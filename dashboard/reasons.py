"""Behind every table: the estimate as a download, the method in two sentences, the assumptions in force."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import polars as pl
import streamlit as st

from dashboard import listing, panels, tables, words
from dashboard.data import Picture
from pipeline.outputs.export import to_csv
from pipeline.settings import ASSUMPTIONS

ROWS_BEHIND = 200  # rows of evidence shown; the download has all of them [count]


@dataclass(frozen=True)
class Reason:
    """How an estimate is made: two sentences, its assumptions, the rows it stands on, the page that tells more."""

    method: str
    section: str
    rows: tuple[str, ...]
    page: str  # of docs/methods


REASONS = {
    "lines": Reason(
        "Many possible days of every site are run forward through its queues, and those that disagree with head "
        "counts, counters and callers are dropped. What is left gives the middle and the 5 % and 95 % points.",
        "lines",
        ("line_counts", "status"),
        "lines",
    ),
    "outlook": Reason(
        "The same possible days are run on past now. The interval widens as nothing more is heard.",
        "lines",
        ("line_counts", "status"),
        "lines",
    ),
    "power": Reason(
        "A unit's last report, the notes and the utility's outages say what it runs on; its charge falls by its rated "
        "run time and the battery's age. Chances come from many draws of what is not known.",
        "power",
        ("status", "power_notes", "outages"),
        "power",
    ),
    "repeats": Reason(
        "Faults of a unit are compared with what its like would have had in the same ballots or hours. The comparison "
        "is shrunk towards the fleet, so that one bad hour does not condemn a unit.",
        "repeats",
        ("status", "tickets"),
        "repeats",
    ),
    **{
        what: Reason(
            "Each unit's charge and each circuit's outage are drawn many times; what goes dark costs the people "
            "waiting and arriving there.",
            "power",
            ("status", "power_notes", "outages"),
            "power",
        )
        for what in ("exposure", "circuits", "remedies")
    },
    **{
        what: Reason(
            "Faults are sorted into classes and weighed by how sure each is; fixes are followed until the same class "
            "comes again.",
            "repeats",
            ("status", "tickets"),
            "repeats",
        )
        for what in ("kinds", "fixes", "fleet", "swaps")
    },
    "tickets": Reason(
        "The caller's words are read for place, unit and trouble by rules and a vocabulary of the trade. What is at "
        "risk is the share of a service that stops, times the people waiting and arriving in the next hour.",
        "tickets",
        ("tickets",),
        "reading",
    ),
    "dispatch": Reason(
        "Orders of stops are searched for the one that saves most voter-minutes, within shifts, skills and parts. "
        "Decisions of the dispatcher bind the search.",
        "dispatch",
        ("rovers", "entries"),
        "dispatch",
    ),
    "standby": Reason(
        "Places to wait are chosen so that the next trouble is reached sooner wherever it comes up, weighed by the "
        "voters still to come. Nobody moves unless that is worth the drive.",
        "dispatch",
        ("rovers", "entries"),
        "dispatch",
    ),
    "milestones": Reason(
        "Each step has a time at which it is due, by the county's rules; what was reported is set beside it. Custody "
        "is checked for gaps: two people, matching seals, nothing out of order.",
        "milestones",
        ("milestones",),
        "closing",
    ),
    "custody": Reason(
        "Each item is followed from hand to hand by the steps that name it. A step without a second person, a seal "
        "that does not match the one before, or a hand that never had the item is a gap.",
        "milestones",
        ("milestones",),
        "closing",
    ),
    "finish": Reason(
        "What is still to be done at a site is drawn many times from how long the same steps took at other sites "
        "tonight. The fewer have done them, the more the county's due times weigh.",
        "milestones",
        ("milestones",),
        "closing",
    ),
    "reports": Reason(
        "A unit's clock is compared with when its reports arrived, and its numbers with each other. What is odd is "
        "marked and corrected where it can be; no row is refused for it.",
        "clocks",
        ("status",),
        "intake",
    ),
    "supplies": Reason(
        "What is used so far runs on at the rate of the voters still expected. The chance is how often it is full or "
        "used up before closing among those possible days.",
        "supplies",
        ("ballot_stock", "status"),
        "closing",
    ),
    "reconciliation": Reason(
        "Voters checked in are compared with ballots counted, emergency ballots and voters who left. Where they "
        "differ, the reason that would explain it with the fewest slips comes first.",
        "reconciliation",
        ("reconciliation",),
        "closing",
    ),
}


def behind(picture: Picture, what: str, site_id: str | None = None) -> None:
    """The estimate as a download and, for one site, as a table; and what it stands on."""
    frame = picture.answer(what)
    if site_id is not None and "site_id" in frame.columns:
        frame = frame.filter(pl.col("site_id") == site_id)
    with st.container(horizontal=True, vertical_alignment="center"):
        download(picture, frame, what)
        is_shown = site_id is not None and st.toggle(f"{words.capital(what)} as a table", key=f"table-{what}")
        is_open = st.toggle("Why these numbers", key=f"reason-{what}")
    if is_shown:
        as_shown(picture, frame, what)
    if is_open:
        explain(picture, what, REASONS[what], site_id)


def numbers(picture: Picture, frame: pl.DataFrame, what: str, leave_out: Sequence[str] = ()) -> None:
    """What a chart is drawn from, as a download and, if asked, as a table."""
    plain = frame.drop(leave_out, strict=False)
    with st.container(horizontal=True, vertical_alignment="center"):
        download(picture, plain, what)
        is_shown = st.toggle(f"{words.capital(what)} as a table", key=f"table-{what}")
    if is_shown:
        as_shown(picture, plain, what)


def as_shown(picture: Picture, frame: pl.DataFrame, what: str) -> None:
    """A frame in the words of the board."""
    listing.table(
        lambda most: panels.said(tables.shown(picture, listing.head(frame, most))),
        frame.height,
        f"numbers-{what}",
        "in the order of the file",
        200,
    )


def download(picture: Picture, frame: pl.DataFrame | Callable[[], pl.DataFrame], what: str) -> None:
    """A frame as a CSV file; one that is worked out only for it may be given as a function."""
    at = picture.made_at(what)
    st.download_button(
        f"Download {what} (CSV)",
        lambda: to_csv(frame() if callable(frame) else frame, at, picture.zone),
        file_name=f"{what.replace(' ', '-')}-{words.local(picture.at, picture.zone):%m%d-%H%M}.csv",
        mime="text/csv",
        key=f"download-{what}",
        on_click="ignore",
        type="tertiary",
    )


def explain(picture: Picture, what: str, reason: Reason, site_id: str | None) -> None:
    """Method, assumptions in force and the rows of evidence."""
    panels.markup(
        f'<p class="small">{words.safe(reason.method)} More: <a href="methods?of={reason.page}" target="_blank">how '
        'this comes about and where it fails</a>; <a href="methods" target="_blank">all methods</a>.</p>'
    )
    own = [a for a in ASSUMPTIONS.values() if a.name.startswith(f"{reason.section}.")]
    panels.frame(
        [
            {
                "Assumption": a.name,
                "In force": f"{picture.known.settings[a.name]:g}",
                "Unit": a.unit,
                "Meaning": a.meaning,
                "Source": a.source,
            }
            for a in own
        ],
        f"assumptions-{what}",
        220,
    )
    for table in reason.rows:
        rows = getattr(picture.known, table)
        if site_id is not None and "site_id" in rows.columns:
            rows = rows.filter(pl.col("site_id") == site_id)
        newest = rows.sort("received_at", descending=True).head(ROWS_BEHIND)
        panels.markup(
            f'<p class="small">{words.safe(table.replace("_", " "))}: {rows.height} rows, the newest first</p>'
        )
        st.dataframe(
            newest.drop("content_hash", "attributes", strict=False),
            hide_index=True,
            height=180,
            key=f"rows-{what}-{table}",
        )
