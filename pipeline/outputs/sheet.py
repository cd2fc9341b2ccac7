"""The rover's sheet: one page to print or open on a phone, the next stop first."""

import tomllib
from collections.abc import Mapping
from functools import cache
from typing import Any, Protocol

import polars as pl

from pipeline.contracts.known import Known
from pipeline.errors import UsageError
from pipeline.estimates.dispatch.cautions import DANGER, danger
from pipeline.estimates.dispatch.dispatch import SAID
from pipeline.outputs.pages import TEMPLATES, between, clock, long_time, page, two_figures, whole


class PlanAnswers(Protocol):
    """What a sheet is made from."""

    @property
    def dispatch(self) -> pl.DataFrame: ...

    @property
    def tickets(self) -> pl.DataFrame: ...


def sheet(known: Known, answers: PlanAnswers, rover_id: str, phones: Mapping[str, str] | None = None) -> str:
    """A rover's proposed stops as one HTML page, complete in itself.

    Parameters
    ----------
    rover_id : a rover of the roster
    phones : telephone numbers by the token that stands for them in the log; without it none is printed

    Raises
    ------
    UsageError : for a rover that the roster does not list.
    """
    rovers = sorted(known.rovers["rover_id"])
    if rover_id not in rovers:
        listed = ", ".join(rovers) if rovers else "none has been taken in yet"
        raise UsageError(f'sheet: no rover "{rover_id}" in the roster. Rovers: {listed}. Ask for one of them.')
    plan = answers.dispatch.filter(pl.col("rover_id") == rover_id).sort("stop")
    zone = known.county.zone
    return page(
        "sheet.html.j2",
        rover_id=rover_id,
        county=known.county.name,
        zone=zone,
        as_of=long_time(known.at, zone),
        day=f"{known.county.election_day.day} {known.county.election_day:%B %Y}",
        away=keep_away(known, answers.tickets),
        danger_text=DANGER,
        stops=[stop_card(known, answers.tickets, row, phones or {}) for row in plan.iter_rows(named=True)],
        nothing=f"No stop is proposed for {rover_id} at {clock(known.at, zone)}. Stay reachable where you are and ask "
        "the dispatcher.",
    )


def keep_away(known: Known, tickets: pl.DataFrame) -> list[dict[str, str]]:
    """The places where danger is reported, with the ticket that says so."""
    names = dict(known.sites.select("site_id", "name").iter_rows())
    return [
        {
            "site": names.get(row["site_id"], row["site_id"] or "a place not yet known"),
            "since": clock(row["opened_at"], known.county.zone),
            "ticket_id": row["ticket_id"],
        }
        for row in danger(tickets).iter_rows(named=True)
    ]


def stop_card(known: Known, tickets: pl.DataFrame, row: Mapping[str, Any], phones: Mapping[str, str]) -> dict[str, Any]:
    """One stop in the words and order in which a rover needs them."""
    zone = known.county.zone
    place = known.sites.filter(pl.col("site_id") == row["site_id"]).to_dicts()
    site: dict[str, Any] = place[0] if place else {}
    told = told_by(known, tickets, row["ticket_ids"])
    kinds = list(dict.fromkeys(ticket["category"] for ticket in told)) or ["power"]
    return {
        "number": row["stop"],
        "site": site.get("name") or row["site_id"],
        "address": site.get("address") or "no address in the roster",
        "room": site.get("room"),
        "entrance": site.get("entrance"),
        "phone": phones.get(site.get("phone") or ""),
        "leave": clock(row["leave_at"], zone),
        "arrive": clock(row["arrive_at"], zone),
        "is_under_way": row.get("is_under_way") or False,
        "what": ", ".join(SAID.get(kind, kind.replace("-", " ")) for kind in kinds),
        "unit": unit_said(known, row["unit_id"]),
        "tickets": [ticket | {"opened": clock(ticket["opened_at"], zone)} for ticket in told],
        "why": row["why"],
        "stake": stake_said(row),
        "parts": ", ".join(row["parts"]),
        "visit": whole(row.get("visit_minutes") or known.settings["dispatch.visit_minutes"]),
        "cards": [card for card in (guidance().get(kind) for kind in kinds) if card] or [guidance()["other"]],
        "caution": row["caution"],
    }


def told_by(known: Known, tickets: pl.DataFrame, ticket_ids: list[str]) -> list[dict[str, Any]]:
    """The tickets of a stop with the caller's words (masked as in the log), oldest first."""
    words = known.tickets.select("ticket_id", "text")
    own = tickets.filter(pl.col("ticket_id").is_in(ticket_ids)).join(words, on="ticket_id", how="left")
    rows = own.sort("opened_at", "ticket_id").to_dicts()
    return [{name: row[name] for name in ("ticket_id", "category", "opened_at", "text")} for row in rows]


def unit_said(known: Known, unit_id: str | None) -> str | None:
    """A unit with its type and serial number."""
    rows = known.units.filter(pl.col("unit_id").eq_missing(pl.lit(unit_id, pl.String))).to_dicts()
    if unit_id is None or not rows:
        return None
    serial = f", serial {rows[0]['serial']}" if rows[0]["serial"] else ""
    return f"Unit {unit_id} ({rows[0]['type']}{serial})"


def stake_said(row: Mapping[str, Any]) -> str:
    """What going there saves, with its interval."""
    figures = (row.get(f"voter_minutes_saved{part}") for part in ("", "_low", "_high"))
    mean, low, high = (None if figure is None else two_figures(figure) for figure in figures)
    saved = between(mean, low, high)
    return f"about {saved} voter-minutes saved if you go, against nobody coming"


@cache
def guidance() -> dict[str, dict[str, Any]]:
    """The cards of what to look at first, by ticket category."""
    return tomllib.loads((TEMPLATES / "guidance.toml").read_text(encoding="utf-8"))
