"""One line of the list of decisions, and the parts that every line has in common."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from dashboard import acting, figures, words
from dashboard.data import Picture, once

PEOPLE, DOORS, COST, LATE, ASK = range(5)  # ranks, the most pressing first
IN_DANGER = "Danger is reported there: send nobody until it is cleared, and settle by telephone what can be settled."
NEVER_AWAY = "Nobody is turned away or sent home on the word of an estimate: the election official decides."


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
    own = [row for row in lines_by_site(picture).get(site_id, ()) if line in (None, row["line"])]
    if not own:
        return "No line is estimated there now."
    parts = [
        f"{words.about(r['waiting_median'], r['waiting_low'], r['waiting_high'])} in the {words.LINES[r['line']]}"
        for r in own
    ]
    heard = last_heard(picture, site_id) if site_id else None
    evidence = f"last heard of {words.ago(heard, picture.at)}" if heard else "nothing heard from there yet"
    return f"{words.capital(', '.join(parts))}; {evidence}."


@once
def lines_by_site(picture: Picture) -> dict[str | None, list[dict[str, Any]]]:
    """How many wait, by site; the lines of each in the order of their names."""
    found: dict[str | None, list[dict[str, Any]]] = {}
    wanted = picture.answer("lines").select("site_id", "line", "waiting_median", "waiting_low", "waiting_high")
    for row in wanted.sort("line").iter_rows(named=True):
        found.setdefault(row["site_id"], []).append(row)
    return found


def where(picture: Picture, site_id: str | None) -> str:
    """A site's name."""
    return figures.names(picture).get(site_id, site_id or "A place not yet known")


def last_heard(picture: Picture, site_id: str) -> datetime | None:
    """The newest head count, counter or ticket of a site."""
    return heard(picture).get(site_id)


@once
def heard(picture: Picture) -> dict[str, datetime]:
    """The newest head count, counter or ticket of every site from which there is one."""
    known = picture.known
    at_sites = known.units.select("unit_id", "site_id")
    news = pl.concat(
        [
            known.line_counts.select("site_id", "at"),
            known.status.select("unit_id", at="occurred_at").join(at_sites, on="unit_id").select("site_id", "at"),
            picture.answer("tickets").select("site_id", at="opened_at"),
        ]
    )
    return dict(news.drop_nulls().group_by("site_id").agg(pl.col("at").max()).iter_rows())
