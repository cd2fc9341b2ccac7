"""What the printed pages share: templates, times in the county's zone, and how figures are written."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Protocol
from zoneinfo import ZoneInfo

import polars as pl
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.cautions import danger
from pipeline.estimates.dispatch.decisions import decisions

TEMPLATES = Path(__file__).parent / "templates"
MOST_ROWS = 12  # rows of a list of worst cases [count]; our choice


class Answered(Protocol):
    """The estimates that pages are made from, at one T: `estimates.Answers`, or what has those that a page asks for."""

    @property
    def dispatch(self) -> pl.DataFrame: ...
    @property
    def lines(self) -> pl.DataFrame: ...
    @property
    def milestones(self) -> pl.DataFrame: ...
    @property
    def power(self) -> pl.DataFrame: ...
    @property
    def reconciliation(self) -> pl.DataFrame: ...
    @property
    def repeats(self) -> pl.DataFrame: ...
    @property
    def standby(self) -> pl.DataFrame: ...
    @property
    def supplies(self) -> pl.DataFrame: ...
    @property
    def tickets(self) -> pl.DataFrame: ...


@dataclass(frozen=True)
class Section:
    """One part of the report: a lead, a drawing, a table; `right` are the columns of numbers."""

    title: str
    lead: str = ""
    names: tuple[str, ...] = ()
    rows: Sequence[tuple[str, ...]] = ()
    right: tuple[int, ...] = ()
    empty: str = ""
    drawing: str = ""


@cache
def environment() -> Environment:
    """The templates; every value is escaped, a name that is missing is an error."""
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(template: str, **values: object) -> str:
    """One page as text, complete in itself: no script, no picture, no font from elsewhere."""
    return environment().get_template(template).render(**values)


def clock(moment: datetime | None, zone: str, beside: datetime | None = None) -> str:
    """A time of day in the county's zone, or a dash; with the weekday where it is not that of `beside`."""
    if moment is None:
        return "–"
    there = moment.astimezone(ZoneInfo(zone))
    is_twice = there.replace(fold=0).utcoffset() != there.replace(fold=1).utcoffset()
    form = "%H:%M %Z" if is_twice else "%H:%M"  # both hours of a repeated hour told apart
    if beside is not None and there.date() != beside.astimezone(ZoneInfo(zone)).date():
        form = f"%a {form}"
    return f"{there:{form}}"


def percent(chance: float) -> str:
    """A chance in whole percent; never a false 0 or 100."""
    if 0 < chance < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < chance < 1 else f"{100 * chance:.0f} %"


def long_time(moment: datetime, zone: str) -> str:
    """Day, time and zone, as a heading says it."""
    local = moment.astimezone(ZoneInfo(zone))
    return f"{local:%A} {local.day} {local:%B %Y, %H:%M %Z}"


def whole(number: float | None) -> str:
    """A count with thousands apart, or a dash."""
    return "–" if number is None else f"{number:,.0f}"


def minutes(number: float | None) -> str:
    """Minutes, whole, or a dash."""
    return "–" if number is None else f"{number:,.0f} min"


def between(mean: float | None, low: float | None, high: float | None, digits: int = 0) -> str:
    """A figure with its 5 % to 95 % interval."""
    if mean is None:
        return "–"
    if low is None or high is None:
        return f"{mean:,.{digits}f}"
    return f"{mean:,.{digits}f} ({low:,.{digits}f} to {high:,.{digits}f})"


def two_figures(number: float) -> float:
    """A number as an estimate deserves to be said: to two figures."""
    return float(f"{number:.2g}")


def names(known: Known) -> dict[str | None, str]:
    """Site names by id."""
    return {site_id: name or site_id for site_id, name in known.sites.select("site_id", "name").iter_rows()}


def place(named: Mapping[str | None, str], site_id: str | None) -> str:
    """A site by its name, else by its id; a call's place may not be known yet."""
    return named.get(site_id, site_id or "a place not yet known")


def keep_away(known: Known, tickets: pl.DataFrame) -> list[dict[str, str]]:
    """The places where danger is reported and not marked cleared, with the ticket that says so."""
    named = names(known)
    return [
        {
            "site": place(named, row["site_id"]),
            "since": clock(row["opened_at"], known.county.zone, known.at),
            "ticket_id": row["ticket_id"],
        }
        for row in danger(tickets, decisions(known).cleared).iter_rows(named=True)
    ]


def first_of(count: int) -> str:
    """How much of a list is shown, if not all of it."""
    return f"; the first {MOST_ROWS} are shown" if count > MOST_ROWS else ""
