"""What must be decided now, and what for?"""

import polars as pl
import streamlit as st

from dashboard import acting, decide, entering, figures, listing, maps, panels, reasons, theme, words
from dashboard.data import Picture, once
from dashboard.items import Item, last_heard

SHOWN = 10  # decisions shown before the rest is folded [count]; our choice
UNFOLDED = 40  # of the rest shown with their buttons; where there are more, a table has all [count]; our choice
LONGEST = 8  # lines in the short list [count]


@once
def headline(picture: Picture) -> list[tuple[str, str]]:
    """The figures that are read first, each with its interval, count or time."""
    at, zone = picture.at, picture.zone
    doors = figures.standing_open(picture)
    rest = ", ".join(f"{words.count(n)} {said}" for said, n in doors.items() if n and said != "open")
    ballots, scanners, last = figures.ballots_read(picture)
    lines, tickets = picture.answer("lines"), figures.open_tickets(picture)
    total = figures.waiting_total(lines)
    likely, _ = figures.likely_over_30(lines)
    free = [r for r in figures.rover_places(picture) if r["doing"] == "free"]
    on_shift = [r for r in figures.rover_places(picture) if r["doing"] != "off shift"]
    unassigned = tickets.filter(pl.col("status") == "open").height
    return [
        (
            f"{words.count(doors['open'])} of {words.count(sum(doors.values()))}",
            f"sites reported open{'; ' + rest if rest else ''}",
        ),
        (
            words.count(ballots),
            f"ballots read, {words.count(scanners)} scanners, newest {words.clock(last, zone, at)}"
            if scanners
            else "ballots read: no scanner has reported",
        ),
        (
            f"{words.count(total[0])} ({words.count(total[1])}–{words.count(total[2])})" if total else "none",
            "waiting in all lines, about" if total else "no line is open",
        ),
        (words.count(likely), f"sites likely over 30 min; any at all: {words.percent(figures.any_over_30(lines))}"),
        on_battery(picture),
        (words.count(tickets.height), f"open tickets, repeats left out; {words.count(unassigned)} given to nobody"),
        (f"{len(free)} of {len(on_shift)}", "rovers on shift are free"),
    ]


def on_battery(picture: Picture) -> tuple[str, str]:
    """Units on battery and when the first is empty."""
    power = picture.answer("power")
    off, dark = power.filter(pl.col("supply") == "battery"), power.filter(pl.col("supply") == "dark").height
    ends = off.filter(pl.col("empty_at_mean").is_not_null()).sort("empty_at_mean").head(1).to_dicts()
    first = (
        f", first empty {words.span(ends[0]['empty_at_low'], ends[0]['empty_at_high'], picture.zone, picture.at)}"
        if ends
        else ""
    )
    return str(off.height), f"on battery{first}; {dark} dark"


@once
def longest(picture: Picture) -> list[tuple[str, ...]]:
    """The longest waits, now and in the next two hours."""
    named, lines = figures.names(picture), figures.worst_lines(picture.answer("lines")).head(LONGEST)
    outlook = picture.answer("outlook").sort("ahead_minutes")
    rows: list[tuple[str, ...]] = []
    for row in lines.iter_rows(named=True):
        ahead = outlook.filter((pl.col("site_id") == row["site_id"]) & (pl.col("line") == row["line"]))
        rows.append(
            (
                f"{named.get(row['site_id'], row['site_id'])}, {words.LINES[row['line']].removesuffix(' line')}",
                words.about(row["wait_minutes_median"], row["wait_minutes_low"], row["wait_minutes_high"]),
                " · ".join(words.count(v) for v in ahead["wait_minutes_median"]) or "closed then",
                words.age(last_heard(picture, row["site_id"]), picture.at),
            )
        )
    return rows


def as_table(items: list[Item]) -> pl.DataFrame:
    """Decisions as a table."""
    rows = [
        {"": n, "Where": i.where, "What": i.what, "Propose": i.propose, "At stake": i.stake, "People": i.people}
        for n, i in enumerate(items, start=1)
    ]
    return panels.said(rows)


def page(picture: Picture) -> None:
    """The page."""
    st.title("Now", anchor=False)
    panels.facts(headline(picture))
    left, right = st.columns([0.74, 0.26], gap="medium")
    with left:
        pending = entering.waiting(picture)
        hidden, handled = acting.aside(picture, pending), acting.done(picture, pending)
        found = decide.decisions(picture)
        items = [item for item in found if item.key not in hidden]
        away = f", {len(found) - len(items)} put aside" if hidden else ""
        panels.heading(f"Decide next, {words.count(len(items))} waiting{away}")
        if not items:
            panels.empty(f"Nothing has to be decided. {panels.last_came(picture, 'tickets')}")
        for number, item in enumerate(items[:SHOWN], start=1):
            panels.decision(item, number, handled.get(item.key))
        if len(items) > SHOWN and st.toggle(f"Show {len(items) - SHOWN} more", key="more"):
            for number, item in enumerate(items[SHOWN : SHOWN + UNFOLDED], start=SHOWN + 1):
                panels.decision(item, number, handled.get(item.key))
            if len(items) > SHOWN + UNFOLDED:
                panels.heading("All of them, in the same order")
                listing.table(
                    lambda most: as_table(items[:most]), len(items), "decisions-table", "the most at stake first"
                )
                reasons.download(picture, lambda: as_table(items), "decisions")
    with right:
        panels.heading("Where")
        if picture.known.sites.is_empty():
            panels.empty("No site is known yet: the roster has not been received.")
        else:
            panels.chart(
                maps.drawn(picture, theme.palette(), 250), "Map of the sites; the page Map has the same as a table."
            )
            panels.markup(
                '<p class="small">Dot: a site, its area the voters expected. Ring: a unit off mains; '
                "dashed: its circuit is out. Triangle: danger is reported. Diamond: voting is suspended. "
                f"{maps.others_said(picture.known.sites.height)}Square: a rover, dashed its next leg.</p>"
            )
        panels.heading("Longest waits")
        rows = longest(picture)
        if rows:
            panels.table(("Line", "Wait, min", "In 30 · 60 · 120", "Heard"), rows)
            shut = picture.known.sites.filter(pl.col("opens_at") > picture.at).height
            if shut:
                panels.markup('<p class="small">Before the doors open a wait includes the time until then.</p>')
        else:
            panels.empty(f"No line is open. {panels.last_came(picture, 'line-counts')}")


page(panels.shown())
