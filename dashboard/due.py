"""What must be decided about steps: doors that are not known to be open, broken custody, and what is late."""

from collections.abc import Iterator, Sequence

import polars as pl

from dashboard import acting, figures, words
from dashboard.data import Picture
from dashboard.items import DOORS, LATE, NEVER_AWAY, Item, people_at, where
from pipeline.estimates.dispatch.cautions import CROWD, LOCAL

DOORS_FIRST, BROKEN_FIRST = 2.0, 1.0  # order of what has no voter-minutes: shut doors, broken custody, the rest
NOT_RECEIVED = "not received."  # how the note ends on what was handed over and has not arrived (steps/notes.py)
NAMED = 30  # sites named in one line of the list; the page Opening & closing has all [count]


def closed_doors(picture: Picture) -> Iterator[Item]:
    """Places that should be open and have neither said so nor been seen to serve a voter.

    Where no place of the county has reported its opening, the reports are what is missing: that is one line.
    """
    steps = picture.answer("milestones").filter(pl.col("milestone") == "open")
    over = picture.known.sites.filter(pl.col("closes_at") <= picture.at)["site_id"].to_list()
    late = steps.filter(
        (pl.col("standing") == "overdue") & ~pl.col("site_id").is_in([*over, *figures.serving(picture)])
    )
    if late.height > 1 and steps["at"].null_count() == steps.height:
        yield no_door_reported(picture, late)
        return
    for row in late.iter_rows(named=True):
        yield Item(
            DOORS,
            DOORS_FIRST,
            where(picture, row["site_id"]),
            f"not reported open, due {words.clock(row['due_at'], picture.zone, picture.at)}",
            people_at(picture, row["site_id"]),
            "Every voter who comes waits for the door; no figure is made of it.",
            "Call the site: is it open, and if not, what is missing?",
            "The step `open` is overdue, and no unit there has counted a voter since. A place may be open and not have "
            "reported it.",
            f"{NEVER_AWAY} {CROWD} {LOCAL}",
            row["site_id"],
            key=f"door|{row['site_id']}",
            press="Site called",
            acts=(acting.mark(row["site_id"], "called: is it open?"),),
        )


def no_door_reported(picture: Picture, late: pl.DataFrame) -> Item:
    """One line for all places, where none of the county has reported its opening."""
    due = figures.first(late["due_at"])
    return Item(
        DOORS,
        DOORS_FIRST,
        words.plural(late.height, "site"),
        f"none reported open, the first due {words.clock(due, picture.zone, picture.at)}",
        "No unit there has counted a voter either.",
        "Every voter who comes to a closed door waits for it; no figure is made of it.",
        "Ask whoever sends the opening steps; without an answer call the sites, the largest first.",
        "The step `open` is overdue, and no place of the county has reported it. "
        f"Sites: {sites_named(picture, late['site_id'].to_list())}.",
        f"{NEVER_AWAY} {CROWD} {LOCAL}",
        key="doors",
        press="Sender asked",
        acts=(acting.mark("feed milestones", "asked whoever sends the opening steps"),),
    )


def custody(picture: Picture) -> Iterator[Item]:
    """Steps with a gap or a difference in custody, each; and in one line what was handed over and not received since.

    In the hours after closing the second kind is many and most of it is on the road: a line each would bury the first.
    """
    steps = figures.custody(picture.answer("milestones"))
    is_away = pl.col("at").is_null() & pl.col("note").str.ends_with(NOT_RECEIVED)
    for row in steps.filter(~is_away).iter_rows(named=True):
        yield Item(
            DOORS,
            BROKEN_FIRST,
            where(picture, row["site_id"]),
            f"{words.step(row['milestone'])}: {row['note']}",
            "No voters wait for it.",
            "The chain of custody is open until it is explained.",
            "Ask both people, read the seal numbers back, and write it down; the election official decides.",
            f"{words.capital(words.STANDINGS[row['standing']][2:])}; "
            + (f"reported {words.clock(row['at'], picture.zone, picture.at)}." if row["at"] else "not reported."),
            None,
            row["site_id"],
            True,
            key=f"custody|{row['site_id']}|{row['milestone']}",
            press="Official told",
            acts=(acting.mark(row["site_id"], f"{words.step(row['milestone'])}: the official has been told"),),
        )
    away = steps.filter(is_away).sort("due_at", "site_id", "milestone")
    if away.height:
        yield not_received(picture, away)


def not_received(picture: Picture, away: pl.DataFrame) -> Item:
    """One line for all that was handed over some time ago and is not reported received."""
    overdue = away.filter(pl.col("standing") == "overdue").height
    sites = away["site_id"].unique(maintain_order=True).to_list()
    named = figures.names(picture)
    told = [
        f"{named.get(r['site_id'], r['site_id'])}: {str(r['note']).rstrip('.')}"
        for r in away.head(NAMED).iter_rows(named=True)
    ]
    more = f" and {away.height - NAMED} more" if away.height > NAMED else ""
    return Item(
        DOORS,
        0.0,
        words.plural(len(sites), "site") if len(sites) > 1 else where(picture, sites[0]),
        f"{words.plural(away.height, 'item')} handed over and not reported received; {overdue} past the time due",
        "No voters wait for it.",
        "The chain of custody is open until it is explained.",
        "Ask the receiving place whether they are there; of the rest ask those who carry them, overdue ones first. "
        "The election official decides.",
        f"{'; '.join(told)}{more}. The page Opening & closing has all of them.",
        None,
        sites[0] if len(sites) == 1 else None,
        True,
        key="custody|not-received",
        press="Receiving place asked",
        acts=tuple(acting.mark(site, "asked whether what was handed over has been received") for site in sites),
    )


def counts(picture: Picture) -> Iterator[Item]:
    """Sites whose counts at the end of the day differ, in one line: a question to each of them."""
    differ = picture.answer("reconciliation").filter(pl.col("standing") == "differs")
    if differ.is_empty():
        return
    rows = differ.sort(pl.col("difference").abs(), "site_id", descending=[True, False])
    named = figures.names(picture)
    told = [
        f"{named.get(r['site_id'], r['site_id'])} by {abs(r['difference']):,.0f}" for r in rows.iter_rows(named=True)
    ]
    sites = rows["site_id"].to_list()
    yield Item(
        LATE,
        0.0,
        words.plural(len(sites), "site") if len(sites) > 1 else where(picture, sites[0]),
        f"counts of people and ballots differ: {', '.join(told[:3])}{' and others' if len(told) > 3 else ''}",
        "No voters wait for it.",
        "A difference is a question to the site, not a finding.",
        "Ask the site; two people count again, and the election official decides. Likeliest causes: see Counts.",
        f"Sites: {', '.join(told[:NAMED])}.",
        site_id=sites[0] if len(sites) == 1 else None,
        key="counts|" + ",".join(sites),
        press="Sites called" if len(sites) > 1 else "Site called",
        acts=tuple(acting.mark(site, "asked about its counts") for site in sites),
    )


def late_steps(picture: Picture) -> Iterator[Item]:
    """Steps that are overdue or out of order, a kind of step at a time; the opening where voters are served already."""
    is_door = (pl.col("milestone") == "open") & ~pl.col("site_id").is_in(list(figures.serving(picture)))
    steps = picture.answer("milestones").filter(~is_door)
    open_custody = figures.custody(steps).select("site_id", "milestone")
    odd = (pl.col("standing") == "overdue") | pl.col("note").is_not_null()
    late = steps.filter(odd).join(open_custody, on=["site_id", "milestone"], how="anti", maintain_order="left")
    for (milestone,), own in late.group_by("milestone", maintain_order=True):
        sites, due = own["site_id"].to_list(), figures.first(own["due_at"])
        yield Item(
            LATE,
            float(len(sites)),
            words.plural(len(sites), "site") if len(sites) > 1 else where(picture, sites[0]),
            f"{words.step(str(milestone))} overdue or out of order, due from "
            f"{words.clock(due, picture.zone, picture.at)}",
            "No line is known to hang on it.",
            "Not weighed in voter-minutes.",
            " ".join(["Call: is it done and not reported?", *sorted(set(own["advice"].drop_nulls()))]),
            f"Sites: {sites_named(picture, sites)}. {' '.join(sorted(set(own['note'].drop_nulls())))}",
            site_id=sites[0] if len(sites) == 1 else None,
            key=f"steps|{milestone}",
            press="Sites called" if len(sites) > 1 else "Site called",
            acts=tuple(acting.mark(site, f"called about {words.step(str(milestone))}") for site in sites),
        )


def sites_named(picture: Picture, sites: Sequence[str]) -> str:
    """The names of places; of many, the first."""
    names = ", ".join(where(picture, site) for site in sites[:NAMED])
    return f"{names} and {len(sites) - NAMED} more" if len(sites) > NAMED else names
