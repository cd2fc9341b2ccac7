"""What happened at one place, on one time axis?"""

from datetime import timedelta

import polars as pl
import streamlit as st

from dashboard import charts, data, day_charts, figures, panels, reasons, theme, whatif, words
from dashboard.data import Picture, once
from dashboard.theme import Palette

HISTORY_STEP = timedelta(minutes=60)  # between the earlier estimates that are worked out [min]; each costs seconds
ROWS_LEFT_OUT = ("content_hash", "attributes")  # of the log, and no part of what was reported


def history(picture: Picture, place: dict) -> pl.DataFrame | None:
    """The site's lines at earlier moments, worked out on demand; None until asked for."""
    if not st.toggle("Work out how the estimate went so far (takes a minute the first time)", key="with-history"):
        return None
    start, end = max(place["opens_at"], picture.first_at), min(picture.at, place["closes_at"] + timedelta(hours=1))
    marks = []
    while start < end:
        marks.append(start)
        start += HISTORY_STEP
    bar = st.progress(0.0, "Working out earlier moments …")
    found = []
    for number, moment in enumerate(marks, start=1):
        found.append(data.line_history(picture, moment).filter(pl.col("site_id") == place["site_id"]))
        bar.progress(number / len(marks), f"Working out earlier moments … {words.clock(moment, picture.zone)}")
    bar.empty()
    return pl.concat(found) if found else None


@once
def line_chart(picture: Picture, site_id: str, line: str, colours: Palette) -> dict | None:
    """One of the two lines without its history; None where nothing is known of it."""
    return line_drawn(picture, site_id, line, colours, None)


def line_drawn(picture: Picture, site_id: str, line: str, colours: Palette, before: pl.DataFrame | None) -> dict | None:
    """One of the two lines: band, head counts, outlook, and how the estimate went so far if it was worked out."""
    place = place_of(picture, site_id)
    parts = [picture.answer("lines"), picture.answer("outlook"), *([] if before is None else [before])]
    points = pl.concat(
        [
            p.filter((pl.col("site_id") == site_id) & (pl.col("line") == line)).select(
                "at", median="waiting_median", low="waiting_low", high="waiting_high"
            )
            for p in parts
        ]
    ).sort("at")
    counts = figures.head_counts(picture, site_id, line)
    if points.is_empty() and counts.is_empty():
        return None
    hours = (place["opens_at"], place["closes_at"])
    return charts.line_panel(
        points,
        counts,
        picture.lines_at,
        panels.day_span(picture, *hours),
        hours,
        picture.zone,
        colours,
        140,
        day_charts.SHARED_AXIS_PX,
    )


def lines(picture: Picture, place: dict, before: pl.DataFrame | None) -> None:
    """The two lines: bands, head counts, outlook."""
    colours = theme.palette()
    for line in words.LINES:
        panels.heading(f"{words.capital(words.LINES[line])}: people waiting")
        drawn = (
            line_chart(picture, place["site_id"], line, colours)
            if before is None
            else line_drawn(picture, place["site_id"], line, colours, before)
        )
        if drawn is None:
            panels.empty(f"No {words.LINES[line]} is open, and no head count was received.")
            continue
        panels.markup(f'<p class="small">{words.safe(decided(picture, place["site_id"], line))}</p>')
        panels.chart(drawn, f"People in the {words.LINES[line]} of {place['name']}: estimate, head counts, outlook.")


def decided(picture: Picture, site_id: str, line: str) -> str:
    """A line in one sentence."""
    own = picture.answer("lines").filter((pl.col("site_id") == site_id) & (pl.col("line") == line)).to_dicts()
    if not own:
        return "Closed or empty now."
    r = own[0]
    return (
        f"At {words.clock(picture.lines_at, picture.zone)} about "
        f"{words.about(r['waiting_median'], r['waiting_low'], r['waiting_high'])} waiting; a newcomer waits "
        f"{words.about(r['wait_minutes_median'], r['wait_minutes_low'], r['wait_minutes_high'])} min; {r['basis']}."
    )


@once
def place_of(picture: Picture, site_id: str) -> dict:
    """What the roster says of a site."""
    found: dict = picture.known.sites.filter(pl.col("site_id") == site_id).to_dicts()[0]
    return found


@once
def tickets_of(picture: Picture, site_id: str) -> pl.DataFrame:
    """The tickets of a site with their words, by time."""
    own = picture.answer("tickets").filter(pl.col("site_id") == site_id)
    return own.join(picture.known.tickets.select("ticket_id", "text"), on="ticket_id", how="left").sort("opened_at")


@once
def steps_of(picture: Picture, site_id: str) -> pl.DataFrame:
    """The steps that a site has reported, by time."""
    return picture.known.milestones.filter(pl.col("site_id") == site_id).sort("at")


@once
def counters_of(picture: Picture, site_id: str) -> pl.DataFrame:
    """The running totals of a site's units, by unit and time."""
    units = picture.known.units.filter(pl.col("site_id") == site_id)["unit_id"].to_list()
    total = pl.coalesce("ballots_counted", "checkins")
    reports = picture.known.status.filter(pl.col("unit_id").is_in(units))
    return reports.select("unit_id", at="occurred_at", total=total).filter(pl.col("total") > 0).sort("unit_id", "at")


@once
def chart_of(picture: Picture, site_id: str, what: str, colours: Palette) -> dict | None:
    """A chart of a site on the day's axis: its tickets, its steps, what was off mains, visits, or its counters."""
    place, at, zone = place_of(picture, site_id), picture.at, picture.zone
    span = panels.day_span(picture, place["opens_at"], place["closes_at"])
    if what == "tickets":
        events = tickets_of(picture, site_id).select(
            at="opened_at",
            kind=pl.col("category").replace_strict(words.CATEGORIES, default="something else"),
            is_open=pl.col("status") != "resolved",
            said=pl.format("{}: {}", "ticket_id", "text"),
        )
        drawn = day_charts.event_panel(events, at, span, zone, colours, "kind") if events.height else None
    elif what == "steps":
        kind = pl.col("milestone").str.replace_all("-", " ")
        steps = steps_of(picture, site_id).select("at", kind=kind, said=kind)
        drawn = day_charts.event_panel(steps, at, span, zone, colours, "kind") if steps.height else None
    elif what == "off mains":
        spans = off_mains(picture, site_id)
        drawn = day_charts.span_panel(spans, at, span, zone, colours, "unit_id") if spans.height else None
    elif what == "visits":
        stays = visits_of(picture, site_id)
        drawn = day_charts.span_panel(stays, at, span, zone, colours, "rover_id") if stays.height else None
    else:
        reports = counters_of(picture, site_id)
        drawn = day_charts.counter_panel(reports, at, span, zone, colours) if reports.height else None
    return drawn


@once
def visits_of(picture: Picture, site_id: str) -> pl.DataFrame:
    """The stays of rovers at a site, from the arrival until the ticket was resolved, or until now."""
    own = figures.visits(picture).filter((pl.col("site_id") == site_id) & pl.col("rover_id").is_not_null())
    came = own.filter(pl.col("arrived_at") <= picture.at)
    left = pl.min_horizontal(pl.col("resolved_at").fill_null(picture.at), pl.lit(picture.at))
    stays = came.select(
        "rover_id",
        start="arrived_at",
        end=pl.max_horizontal("arrived_at", left.dt.cast_time_unit("us")),
        state=pl.lit("visit"),
        said=pl.format("{} for {}{}", "rover_id", "ticket_id", still_there()),
    )
    return stays.sort("rover_id", "start")


def still_there() -> pl.Expr:
    """What is added of a visit that goes on."""
    return pl.when(pl.col("resolved_at").is_null()).then(pl.lit(", not reported ended")).otherwise(pl.lit(""))


def happenings(picture: Picture, site_id: str) -> None:
    """Tickets by category, and steps."""
    panels.heading("Tickets")
    drawn = chart_of(picture, site_id, "tickets", theme.palette())
    if drawn is None:
        panels.empty(f"No ticket is known of this place. {panels.last_came(picture, 'tickets')}")
    else:
        panels.chart(drawn, "Tickets of the place by category, open ones in ochre; the table below says the same.")
        reasons.behind(picture, "tickets", site_id)
    panels.heading("Steps")
    drawn = chart_of(picture, site_id, "steps", theme.palette())
    if drawn is None:
        panels.empty(f"No step has been reported. {panels.last_came(picture, 'milestones')}")
    else:
        panels.chart(drawn, "Opening, closing and custody steps as reported, by time.")
        reasons.numbers(picture, steps_of(picture, site_id), "steps as reported", ROWS_LEFT_OUT)
    reasons.behind(picture, "milestones", site_id)


@once
def off_mains(picture: Picture, site_id: str) -> pl.DataFrame:
    """Stretches on battery by the units' own reports, and the present state as estimated."""
    units = picture.known.units.filter(pl.col("site_id") == site_id)["unit_id"].to_list()
    reports = picture.known.status.filter(pl.col("unit_id").is_in(units) & pl.col("power").is_not_null())
    runs = (
        reports.sort("unit_id", "occurred_at", "sequence")
        .with_columns(until=pl.col("occurred_at").shift(-1).over("unit_id").fill_null(picture.at))
        .filter(pl.col("power") == "battery")
        .select(
            "unit_id",
            start="occurred_at",
            end="until",
            state=pl.lit("battery"),
            said=pl.lit("on battery, by its report"),
        )
    )
    now = (
        picture.answer("power")
        .filter(
            pl.col("unit_id").is_in(units) & pl.col("supply").is_in(["battery", "dark"]) & pl.col("since").is_not_null()
        )
        .select(
            "unit_id",
            start="since",
            end=pl.lit(picture.at).cast(pl.Datetime("us", "UTC")),
            state="supply",
            said="basis",
        )
    )
    return pl.concat([runs, now]).sort("unit_id", "start")


def equipment(picture: Picture, site_id: str) -> None:
    """Power and counters of the site's units, and how they stand."""
    units = picture.known.units.filter(pl.col("site_id") == site_id).sort("unit_id")
    panels.heading("Off mains")
    drawn = chart_of(picture, site_id, "off mains", theme.palette())
    if drawn is None:
        panels.empty(f"No unit here was reported off mains. {panels.last_came(picture, 'status')}")
    else:
        panels.chart(drawn, "Stretches in which units were off mains: light on battery, dark without power.")
        reasons.numbers(picture, off_mains(picture, site_id), "stretches off mains")
    reasons.behind(picture, "power", site_id)
    panels.heading("Ballots read and voters checked in so far, by unit")
    drawn = chart_of(picture, site_id, "counters", theme.palette())
    if drawn is None:
        panels.empty(f"No counter of this place has reported. {panels.last_came(picture, 'status')}")
    else:
        panels.chart(drawn, "Running totals of the site's units. Counts of ballots and voters, never votes.")
        reasons.numbers(picture, counters_of(picture, site_id), "counters")
    panels.heading("Units")
    here = pl.col("unit_id").is_in(units["unit_id"].to_list())
    power = {r["unit_id"]: r for r in picture.answer("power").filter(here).iter_rows(named=True)}
    repeats = {r["unit_id"]: r for r in picture.answer("repeats").filter(here).iter_rows(named=True)}
    if units.is_empty():
        panels.empty("The roster lists no unit here.")
        return
    panels.table(
        ("Unit", "Type", "Supply", "Charge", "Empty (5–95 %)", "Faults", "Standing", "Stands on"),
        [
            (
                u["unit_id"],
                words.TYPES.get(u["type"], u["type"]),
                words.SUPPLIES[power[u["unit_id"]]["supply"]],
                words.percent(power[u["unit_id"]]["charge_mean"]),
                ends(picture, power[u["unit_id"]]),
                repeats[u["unit_id"]]["faults"],
                words.REPEATS[repeats[u["unit_id"]]["standing"]],
                power[u["unit_id"]]["basis"],
            )
            for u in units.iter_rows(named=True)
            if u["unit_id"] in power and u["unit_id"] in repeats
        ],
        (5,),
    )
    reasons.behind(picture, "repeats", site_id)


def ends(picture: Picture, row: dict) -> str:
    """When a unit's battery ends, where it runs on it."""
    if row["supply"] != "battery":
        return words.SUPPLIES[row["supply"]]
    return words.span(row["empty_at_low"], row["empty_at_high"], picture.zone, picture.at)


def visits(picture: Picture, site_id: str) -> None:
    """Visits on the day's axis; tickets and proposed stops as tables."""
    zone, at, tickets = picture.zone, picture.at, tickets_of(picture, site_id)
    panels.heading("Visits")
    drawn = chart_of(picture, site_id, "visits", theme.palette())
    if drawn is None:
        panels.empty("No rover is known to have come here.")
    else:
        panels.chart(drawn, "Stays of rovers, from the arrival until the ticket was resolved, or until now.")
        reasons.numbers(picture, visits_of(picture, site_id), "visits")
    panels.heading("Stops proposed here")
    plan = picture.answer("dispatch").filter(pl.col("site_id") == site_id)
    if plan.is_empty():
        panels.empty("No visit is proposed here now.")
    for row in plan.iter_rows(named=True):
        panels.markup(f"<p><b>{words.safe(row['rover_id'])}</b> · {words.safe(row['why'])}</p>")
        if row["caution"]:
            panels.caution(row["caution"])
    reasons.behind(picture, "dispatch", site_id)
    if tickets.height:
        panels.heading("Its tickets")
        panels.table(
            ("Ticket", "Opened", "State", "Category", "Unit", "Repeats", "What the caller said (masked)"),
            [
                (
                    r["ticket_id"],
                    words.clock(r["opened_at"], zone, at),
                    r["status"],
                    words.CATEGORIES[r["category"]],
                    r["unit_id"] or "not told",
                    r["same_as"] or "no",
                    r["text"],
                )
                for r in tickets.sort("opened_at", descending=True).iter_rows(named=True)
            ],
        )


def page(picture: Picture) -> None:
    """The page."""
    st.title("Site", anchor=False)
    order = figures.stakes(picture)["site_id"].to_list()
    if not order:
        panels.empty("No site is known yet: the roster has not been received.")
    else:
        if "site" not in st.session_state or st.session_state.site not in order:
            asked = st.query_params.get("site")
            st.session_state.site = asked if asked in order else order[0]
        places = figures.places(picture)
        site_id = st.selectbox(
            "Site, the most at stake first", order, format_func=lambda s: places.get(s, s), key="site"
        )
        place = place_of(picture, site_id)
        panels.markup(
            f"<p>{words.safe(place['address'] or 'no address in the roster')} · <b>"
            f"{words.safe(figures.states(picture)[site_id])}</b> · voting "
            f"{words.clock(place['opens_at'], picture.zone)}–{words.clock(place['closes_at'], picture.zone)} · "
            f"{words.count(place['expected_voters'])} voters expected · "
            f"{words.plural(place['checkin_stations'], 'check-in station')}, {words.plural(place['booths'], 'booth')} "
            f"· circuit {words.safe(place['circuit'])}</p>"
        )
        lines(picture, place, history(picture, place))
        for what in ("lines", "outlook"):
            reasons.behind(picture, what, site_id)
        happenings(picture, site_id)
        equipment(picture, site_id)
        visits(picture, site_id)
        panels.heading("What if")
        whatif.ask(picture, site_id)


page(panels.shown())
