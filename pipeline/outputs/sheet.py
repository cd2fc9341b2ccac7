"""The rover's sheet: one page to print or open on a phone, the next stop first, an activity log on its back."""

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.contracts.known import Known
from pipeline.contracts.words import TYPES, VOTING_STEPS
from pipeline.errors import SettingsError, UsageError
from pipeline.estimates.dispatch.cautions import DANGER
from pipeline.estimates.dispatch.parts import hand_overs
from pipeline.estimates.dispatch.phone import phone_list
from pipeline.estimates.dispatch.reasons import called
from pipeline.estimates.dispatch.roster import roster_notes
from pipeline.outputs.pages import (
    TEMPLATES,
    Answered,
    between,
    clock,
    keep_away,
    long_time,
    names,
    page,
    place,
    two_figures,
    whole,
)

ALL = "all"  # every rover's sheet, one after the other
Cards = Mapping[str, Mapping[str, Any]]


def sheet(
    known: Known,
    answers: Answered,
    rover_id: str,
    phones: Mapping[str, str] | None = None,
    cards: Cards | None = None,
    loads: pl.DataFrame | None = None,
) -> str:
    """A rover's proposed stops as one HTML page, complete in itself; without any rover, the calls to make.

    Parameters
    ----------
    rover_id : a rover of the roster, or `all`
    phones : names and telephone numbers by the token that stands for them in the log; without it none is printed
    cards : the county's own guidance cards (`read_cards`); without it, ours
    loads : what each vehicle should load (`parts.vehicle_loads`), printed where it is given

    Raises
    ------
    UsageError : for a rover that the roster does not list.
    """
    rovers, zone = sorted(known.rovers["rover_id"]), known.county.zone
    if rover_id not in (*rovers, ALL):
        listed = ", ".join(rovers) if rovers else "none has been taken in yet"
        raise UsageError(f'sheet: no rover "{rover_id}" in the roster. Rovers: {listed}. Ask for one of them.')
    asked = rovers if rover_id == ALL else [rover_id]
    return page(
        "sheet.html.j2",
        title=f"Rover {rover_id}" if rover_id != ALL else "Every rover" if rovers else "Calls to make",
        county=known.county.name,
        zone=zone,
        as_of=long_time(known.at, zone),
        day=f"{known.county.election_day.day} {known.county.election_day:%B %Y}",
        away=keep_away(known, answers.tickets),
        danger_text=DANGER,
        rovers=[
            {
                "rover_id": each,
                "stops": rover_stops(known, answers, each, phones or {}, cards or guidance()),
                "nothing": f"No stop is proposed for {each} at {clock(known.at, zone)}. "
                f"{waiting(known, answers.standby, each)} Stay reachable and ask the dispatcher.",
                "notes": roster_notes(known, each),
                "handed": handed(known, answers.dispatch, each),
                "loads": to_load(loads, each) if loads is not None else [],
            }
            for each in asked
        ],
        calls=[] if rovers else calls(known, answers.tickets),
    )


def waiting(known: Known, standby: pl.DataFrame, rover_id: str) -> str:
    """Where a rover without a stop should wait, in words; off shift, from when or since when."""
    own = known.rovers.filter(pl.col("rover_id") == rover_id).select("on_shift_at", "off_shift_at").rows()
    zone = known.county.zone
    if own and known.at < own[0][0]:
        return f"Off shift until {clock(own[0][0], zone, known.at)}."
    if own and known.at >= own[0][1]:
        return f"Off shift since {clock(own[0][1], zone, known.at)}."
    rows = standby.filter(pl.col("rover_id") == rover_id).to_dicts()
    if not rows:
        return "Wait where you are."
    there = place(names(known), rows[0]["site_id"])
    return (
        f"A good place to wait is near {there}, about {rows[0]['drive_minutes']:.0f} min away: the next trouble is "
        "reached sooner from there, wherever it comes up."
    )


def rover_stops(
    known: Known,
    answers: Answered,
    rover_id: str,
    phones: Mapping[str, str],
    cards: Cards,
) -> list[dict[str, Any]]:
    """A rover's stops in order, each with all that the rover needs there."""
    plan = answers.dispatch.filter(pl.col("rover_id") == rover_id).sort("stop")
    return [stop_card(known, answers.tickets, row, phones, cards) for row in plan.iter_rows(named=True)]


def handed(known: Known, plan: pl.DataFrame, rover_id: str) -> list[str]:
    """What a rover should hand to another, or get from one, in words."""
    if "categories" not in plan.columns:
        return []
    return [
        f"{row['part']}: from {row['from']} to {row['to']}. {row['why']}"
        for row in hand_overs(known, plan).iter_rows(named=True)
        if rover_id in (row["from"], row["to"])
    ]


def to_load(loads: pl.DataFrame, rover_id: str) -> list[str]:
    """What a vehicle should load, part by part, where that is not what it carries."""
    return [
        f"{row['part']}: {row['load']} (carried: {row['carried']}; chance to run short {row['chance_short']:.0%} "
        f"instead of {row['chance_short_as_is']:.0%})"
        for row in loads.filter(pl.col("rover_id") == rover_id).sort("part").iter_rows(named=True)
        if row["load"] != row["carried"]
    ]


def calls(known: Known, tickets: pl.DataFrame) -> list[dict[str, Any]]:
    """The open tickets as calls to make, the largest stake first."""
    named = names(known)
    words = dict(known.tickets.select("ticket_id", "text").iter_rows())
    return [
        {
            "rank": row["rank"],
            "site": place(named, row["site_id"]),
            "what": called(row["category"]),
            "opened": clock(row["opened_at"], known.county.zone, known.at),
            "ticket_id": row["ticket_id"],
            "text": words.get(row["ticket_id"]),
            "stake": whole(two_figures(row["voter_minutes_at_risk"] or 0.0)),
            "advice": row["advice"],
        }
        for row in phone_list(known, tickets).iter_rows(named=True)
    ]


def stop_card(
    known: Known, tickets: pl.DataFrame, row: Mapping[str, Any], phones: Mapping[str, str], cards: Cards
) -> dict[str, Any]:
    """One stop in the words and order in which a rover needs them."""
    zone = known.county.zone
    listed = known.sites.filter(pl.col("site_id") == row["site_id"]).to_dicts()
    site: dict[str, Any] = listed[0] if listed else {}
    told = told_by(known, tickets, row["ticket_ids"], phones)
    kinds = list(dict.fromkeys([*(ticket["category"] for ticket in told), *(row.get("categories") or [])])) or ["power"]
    fitting = [cards[kind] for kind in kinds if kind in cards] or [cards["other"]]
    return {
        "number": row["stop"],
        "site": site.get("name") or row["site_id"],
        "address": site.get("address") or "no address in the roster",
        "room": site.get("room"),
        "entrance": site.get("entrance"),
        "order": order_said(known, row["site_id"]),
        "phone": phones.get(site.get("phone") or ""),
        "leave": clock(row["leave_at"], zone, known.at),
        "arrive": clock(row["arrive_at"], zone, known.at),
        "is_under_way": row.get("is_under_way") or False,
        "partner": row.get("partner"),
        "what": ", ".join(map(called, kinds)),
        "unit": unit_said(known, row["unit_id"]),
        "tickets": [ticket | {"opened": clock(ticket["opened_at"], zone, known.at)} for ticket in told],
        "why": row["why"],
        "stake": stake_said(row),
        "parts": ", ".join(row["parts"]),
        "visit": whole(row.get("visit_minutes") or known.settings["dispatch.visit_minutes"]),
        "cards": fitting,
        "caution": row["caution"],
    }


def order_said(known: Known, site_id: str | None) -> str | None:
    """What a site has reported of orders that a rover must know before driving: moved, or voting suspended."""
    steps = known.milestones.filter(
        (pl.col("site_id") == site_id) & pl.col("milestone").is_in(VOTING_STEPS) & (pl.col("at") <= known.at)
    ).sort("at", "milestone")
    zone = known.county.zone
    moved = steps.filter(pl.col("milestone") == "relocated")["at"].to_list()
    last = steps.select("milestone", "at").tail(1).rows()
    said = []
    if moved:
        said.append(
            f"Moved by order at {clock(moved[-1], zone, known.at)}: this may be the address left. Ask the office "
            "where the place is now."
        )
    if last and last[0][0] == "suspended":
        said.append(f"Voting suspended since {clock(last[0][1], zone, known.at)}: ask the office before you go in.")
    return " ".join(said) or None


def told_by(
    known: Known, tickets: pl.DataFrame, ticket_ids: Sequence[str], people: Mapping[str, str]
) -> list[dict[str, Any]]:
    """The tickets of a stop with the caller's words (masked as in the log) and who called, if asked, oldest first."""
    words = known.tickets.select("ticket_id", "text", "caller")
    own = tickets.filter(pl.col("ticket_id").is_in(list(ticket_ids))).join(words, on="ticket_id", how="left")
    rows = own.sort("opened_at", "ticket_id").to_dicts()
    kept = ("ticket_id", "category", "opened_at", "text")
    return [{name: row[name] for name in kept} | {"caller": people.get(row["caller"] or "")} for row in rows]


def unit_said(known: Known, unit_id: str | None) -> str | None:
    """A unit with its type and serial number."""
    rows = known.units.filter(pl.col("unit_id").eq_missing(pl.lit(unit_id, pl.String))).to_dicts()
    if unit_id is None or not rows:
        return None
    serial = f", serial {rows[0]['serial']}" if rows[0]["serial"] else ""
    kind = TYPES.get(rows[0]["type"], rows[0]["type"])
    return f"Unit {unit_id} ({kind}{serial})"


def stake_said(row: Mapping[str, Any]) -> str:
    """What going there saves, with its interval."""
    figures = (row.get(f"voter_minutes_saved{part}") for part in ("", "_low", "_high"))
    mean, low, high = (None if figure is None else two_figures(figure) for figure in figures)
    saved = between(mean, low, high)
    return f"about {saved} voter-minutes saved if you go, against nobody coming"


@cache
def guidance() -> Cards:
    """Our own cards of what to look at first, by ticket category."""
    return read_cards((TEMPLATES / "guidance.toml").read_text(encoding="utf-8"), "guidance.toml")


def county_cards(folder: Path) -> Cards | None:
    """The county's own cards, `guidance.toml` in its book's folder; None where there are none."""
    path = folder / "guidance.toml"
    return read_cards(path.read_text(encoding="utf-8"), str(path)) if path.exists() else None


def read_cards(text: str, where: str) -> Cards:
    """Guidance cards by ticket category: `title`, `steps`, and where it applies `caution`.

    A category without a card falls back on `other`.

    Raises
    ------
    SettingsError : for text that is no TOML, a card without title or steps, or cards without `other`.
    """
    try:
        cards: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{where}: not readable as TOML ({error}). Correct that line.") from error
    for name, card in {"other": None, **cards}.items():
        steps = card.get("steps") if isinstance(card, dict) else None
        if (
            not isinstance(steps, list)
            or not steps
            or not all(isinstance(s, str) for s in steps)
            or not card.get("title")
        ):
            raise SettingsError(f"{where}, [{name}]: a card needs a title and a list of steps. Add them.")
    return cards
