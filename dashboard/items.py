"""One line of the list of decisions, and the parts that every line has in common."""

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from dashboard import acting, figures, words
from dashboard.data import Picture, once

PEOPLE, DOORS, COST, LATE, ASK = range(5)  # ranks, the most pressing first


@dataclass(frozen=True)
class Item:
    """One line of the list. `cost` ranks it within its class [voter-minutes]."""

    rank: int
    cost: float
    where: str
    what: str
    people: str
    stake: str
    propose: str
    why: str
    caution: str | None = None
    site_id: str | None = None
    is_danger: bool = False
    key: str = ""  # names it as long as it stays the same trouble, for marks and for putting aside
    press: str = ""  # what the one button says; empty: no button
    acts: tuple[acting.Act, ...] = ()  # the entries that it makes


def people_at(picture: Picture, site_id: str | None, line: str | None = None) -> str:
    """How many wait at a site, with the interval and what that stands on."""
    own = picture.answer("lines").filter(pl.col("site_id").eq_missing(pl.lit(site_id, pl.String)))
    if line is not None:
        own = own.filter(pl.col("line") == line)
    if own.is_empty():
        return "No line is estimated there now."
    parts = [
        f"{words.about(r['waiting_median'], r['waiting_low'], r['waiting_high'])} in the {words.LINES[r['line']]}"
        for r in own.sort("line").to_dicts()
    ]
    heard = last_heard(picture, site_id) if site_id else None
    evidence = f"newest evidence {words.age(heard, picture.at)} old" if heard else "no evidence from there yet"
    return f"{words.capital(', '.join(parts))}; {evidence}."


def where(picture: Picture, site_id: str | None) -> str:
    """A site's name."""
    return figures.names(picture).get(site_id, site_id or "A place not yet known")


@once
def last_heard(picture: Picture, site_id: str) -> datetime | None:
    """The newest head count, counter or ticket of a site."""
    known = picture.known
    units = known.units.filter(pl.col("site_id") == site_id)["unit_id"].to_list()
    found = [
        known.line_counts.filter(pl.col("site_id") == site_id)["at"].max(),
        known.status.filter(pl.col("unit_id").is_in(units))["occurred_at"].max(),
        picture.answer("tickets").filter(pl.col("site_id") == site_id)["opened_at"].max(),
    ]
    times = [t for t in found if isinstance(t, datetime)]
    return max(times) if times else None
