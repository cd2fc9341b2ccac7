"""What a page shows while the lines are being worked out for the first time: what has come, in the callers' words."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import polars as pl

from dashboard import figures, panels, words
from dashboard.data import Picture, once
from pipeline.contracts.events import TicketReadings
from pipeline.contracts.known import empty
from pipeline.errors import NotYet
from pipeline.estimates.dispatch.cautions import DANGER, LOCAL
from pipeline.normalise.troubles import read_tickets
from pipeline.normalise.wording import vocabulary

MOST = 40  # calls shown [count]; our choice
LEARNT = threading.Event()  # are the words by which tickets are read; set where no server has begun to learn them
LEARNT.set()


def learn(own: str) -> None:
    """Learns the words by which tickets are read: it takes seconds, in which pages show calls as they came.

    Parameters
    ----------
    own : the county's own words, the text of its vocabulary.toml
    """
    LEARNT.clear()
    try:
        vocabulary(own)
        TicketReadings.validate(empty(TicketReadings))  # loads what checks them
    finally:
        LEARNT.set()


@contextmanager
def shown(picture: Picture) -> Iterator[None]:
    """Where a page asks for what is awaited, what is known without it ends the page."""
    try:
        yield
    except NotYet:
        page(picture)


def page(picture: Picture) -> None:
    """What has come in, and the open tickets, danger to people first."""
    panels.facts(received(picture))
    count = still_open(picture).height
    is_read = LEARNT.is_set()
    order = "the worst first" if is_read else "the newest first: they are not yet read for danger"
    panels.heading(f"Open tickets, {words.count(count)}, {order}")
    if not count:
        panels.empty(f"No ticket is open. {panels.last_came(picture, 'tickets')}")
        return
    found = open_tickets(picture) if is_read else as_they_came(picture)
    if not is_read or "safety" in found["category"]:
        panels.caution(f"{DANGER} {LOCAL}")
    rows = [row_said(picture, row) for row in found.head(MOST).iter_rows(named=True)]
    panels.table(("Opened", "Place", "About", "In the caller's words"), rows, more=count - len(rows))


@once
def received(picture: Picture) -> list[tuple[str, str]]:
    """How much has come in, of what needs no estimate."""
    known = picture.known
    heard = known.status["unit_id"].n_unique()
    counts = known.line_counts.select("site_id", "at").unique().height
    return [
        (words.count(known.sites.height), "sites in the roster"),
        (f"{words.count(heard)} of {words.count(known.units.height)}", "units have reported"),
        (words.count(known.tickets.height), "tickets received, resolved ones too"),
        (words.count(counts), "head counts of lines received"),
        (words.count(known.power_notes.height), "notes about power received"),
    ]


@once
def open_tickets(picture: Picture) -> pl.DataFrame:
    """Tickets that are not resolved, as they were read; the severity ranks them, as what is at risk is not known."""
    said = read_tickets(picture.known).select("ticket_id", "site_id", "category", "severity")
    return still_open(picture).join(said, on="ticket_id", how="left").sort("severity", "opened_at", "ticket_id")


def as_they_came(picture: Picture) -> pl.DataFrame:
    """Tickets that are not resolved, the newest first, while what they are about cannot be read yet."""
    unread = still_open(picture).with_columns(site_id=pl.lit(None, pl.String), category=pl.lit(None, pl.String))
    return unread.sort("opened_at", "ticket_id", descending=[True, False])


def still_open(picture: Picture) -> pl.DataFrame:
    """Tickets that are not resolved, as they came."""
    return picture.known.tickets.filter(pl.col("status").fill_null("open") != "resolved")


def row_said(picture: Picture, row: dict[str, object]) -> tuple[str, str, str, str]:
    """One ticket in words: where no site was recognised, the place as the caller said it."""
    place = figures.names(picture).get(str(row["site_id"]), f"“{row['site']}”" if row["site"] else "no place said")
    about = words.capital(words.CATEGORIES[str(row["category"])]) if row["category"] else "Not yet read"
    return words.clock(row["opened_at"], picture.zone, picture.at), place, about, str(row["text"] or "")
