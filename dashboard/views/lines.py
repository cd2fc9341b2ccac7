"""How long are the lines now and in the next two hours, and how sure are we?"""

from datetime import timedelta

import polars as pl
import streamlit as st

from dashboard import charts, figures, listing, panels, reasons, theme, whatif, words
from dashboard.data import Picture, once
from dashboard.theme import Palette

ACROSS = 3  # panels side by side [count]
SHOWN = 9  # panels shown unasked [count]
ASKED = 6  # sites to be asked for a head count [count]
LATEST = 12  # sites whose last voter leaves last [count]
BEFORE, AFTER = timedelta(hours=3), timedelta(hours=2)


@once
def panel(picture: Picture, site_id: str, line: str, colours: Palette) -> dict:
    """The chart of one line."""
    at = picture.lines_at
    place = picture.known.sites.filter(pl.col("site_id") == site_id).to_dicts()[0]
    return charts.line_panel(
        points(picture, site_id, line),
        figures.head_counts(picture, site_id, line),
        at,
        (at - BEFORE, at + AFTER),
        (place["opens_at"], place["closes_at"]),
        picture.zone,
        colours,
    )


@once
def every_line(picture: Picture, most: int | None) -> pl.DataFrame:
    """The table of the lines, the longest wait first: so many, or all."""
    named = figures.names(picture)
    return panels.said(
        [
            {
                "Site": named.get(r["site_id"], r["site_id"]),
                "Line": words.LINES[r["line"]],
                "Waiting (5–95 %)": words.about(r["waiting_median"], r["waiting_low"], r["waiting_high"]),
                "Newcomer's wait, min (5–95 %)": words.about(
                    r["wait_minutes_median"], r["wait_minutes_low"], r["wait_minutes_high"]
                ),
                "Chance over 30 min": words.percent(r["chance_over_30"]),
                "Stands on": r["basis"],
            }
            for r in listing.head(figures.worst_lines(picture.answer("lines")), most).iter_rows(named=True)
        ]
    )


def points(picture: Picture, site_id: str, line: str) -> pl.DataFrame:
    """The line's estimate now and in the outlook: at, median, low, high."""
    both = pl.concat(
        [
            picture.answer(w).select("site_id", "line", "at", "waiting_median", "waiting_low", "waiting_high")
            for w in ("lines", "outlook")
        ]
    )
    own = both.filter((pl.col("site_id") == site_id) & (pl.col("line") == line)).sort("at")
    return own.select("at", median="waiting_median", low="waiting_low", high="waiting_high")


def draw(picture: Picture, row: dict) -> None:
    """One line: its words and its chart."""
    name = figures.names(picture).get(row["site_id"], row["site_id"])
    wait = words.about(row["wait_minutes_median"], row["wait_minutes_low"], row["wait_minutes_high"])
    people = words.about(row["waiting_median"], row["waiting_low"], row["waiting_high"])
    panels.markup(
        f'<div class="wb-line"><p><b>{panels.site_link(name, row["site_id"])}</b></p>'
        f"<p>{words.safe(people)} waiting, a newcomer {words.safe(wait)} min</p>"
        f'<p class="small">over 30 min with a chance of {words.percent(row["chance_over_30"])}; '
        f"{words.safe(row['basis'])}</p></div>"
    )
    drawn, at = (
        panel(picture, row["site_id"], row["line"], theme.palette()),
        words.clock(picture.lines_at, picture.zone),
    )
    panels.chart(drawn, f"{name}: {people} waiting at {at}, the outlook of two hours, head counts.")


def ask_for_counts(picture: Picture) -> None:
    """Where a head count would tell most."""
    least = figures.least_known(picture)
    panels.heading("Ask for a head count here first")
    if least.is_empty():
        panels.empty("Every line was counted within the hour, or is not thought to be long.")
        return
    panels.table(
        ("Site", "Line", "Waiting (5–95 %)", "Last counted"),
        [
            (
                figures.names(picture).get(r["site_id"], r["site_id"]),
                words.LINES[r["line"]],
                words.about(r["waiting_median"], r["waiting_low"], r["waiting_high"]),
                words.clock(r["counted_at"], picture.zone, picture.at) if r["counted_at"] else "never",
            )
            for r in least.head(ASKED).iter_rows(named=True)
        ],
    )
    panels.markup(
        '<p class="small">Lines whose number is least known and that nobody counted within the hour: long lines that '
        "were missed on trial days were nearly all such ones. Enter what is told under Report.</p>"
    )


def before_opening(picture: Picture) -> str:
    """That a wait includes the time until the doors open, where doors are still shut."""
    opens = picture.known.sites.filter(pl.col("opens_at") > picture.at)["opens_at"]
    if opens.is_empty():
        return ""
    return (
        f" Before the doors open a newcomer's wait includes the time until then: {words.plural(len(opens), 'site')} "
        f"from {words.clock(figures.first(opens), picture.zone, picture.at)} on."
    )


@once
def ends(picture: Picture) -> pl.DataFrame:
    """When the last voter leaves each site, the latest first."""
    found = picture.answer("outlook").filter(pl.col("last_voter_at_mean").is_not_null()).unique("site_id")
    return found.sort("last_voter_at_mean", "site_id", descending=[True, False])


def last_voters(picture: Picture) -> None:
    """Where the last voter leaves latest."""
    panels.heading("When the last voter leaves")
    found, zone, at = ends(picture), picture.zone, picture.at
    if found.is_empty():
        panels.empty("No end of voting is in sight of the estimates.")
        return
    panels.table(
        ("Site", "About", "5–95 %"),
        [
            (
                figures.names(picture).get(r["site_id"], r["site_id"]),
                words.clock(r["last_voter_at_mean"], zone, at),
                words.span(r["last_voter_at_low"], r["last_voter_at_high"], zone, at),
            )
            for r in found.head(LATEST).iter_rows(named=True)
        ],
        more=found.height - LATEST,
    )


def page(picture: Picture) -> None:
    """The page."""
    st.title("Lines", anchor=False)
    lines = picture.answer("lines")
    if lines.is_empty():
        panels.empty(
            f"No line is open at {words.clock(picture.at, picture.zone)}. {panels.last_came(picture, 'line-counts')}"
        )
    else:
        with st.container(horizontal=True, vertical_alignment="bottom"):
            said = st.segmented_control(
                "Line",
                list(words.LINES),
                format_func=lambda k: words.capital(words.LINES[k]),
                default="checkin",
                required=True,
            )
            named = figures.names(picture)
            chosen = st.multiselect(
                "Sites (none chosen: the longest waits)",
                sorted(lines["site_id"].unique()),
                format_func=lambda s: named.get(s, s),
            )
        own = figures.worst_lines(lines.filter(pl.col("line") == said))
        cut = own.filter(pl.col("site_id").is_in(chosen)) if chosen else own.head(SHOWN)
        panels.markup(
            f'<p class="small">Known up to {words.clock(picture.lines_at, picture.zone)}. '
            "People waiting, not yet being served. Bar and band: 90 % interval; dashed: the outlook right of "
            "now. Dots: head counts, hollow if they came late. Shaded: hours of voting. "
            f"Sorted by a newcomer's wait.{before_opening(picture)}</p>"
        )
        for start in range(0, cut.height, ACROSS):
            for column, row in zip(st.columns(ACROSS), cut[start : start + ACROSS].iter_rows(named=True), strict=False):
                with column:
                    draw(picture, row)
        ask_for_counts(picture)
        panels.heading("Every line")
        listing.table(lambda most: every_line(picture, most), lines.height, "lines-table", "the longest waits first")
        last_voters(picture)
    reasons.behind(picture, "lines")
    whatif.causes(picture)


page(panels.shown())
