"""What must be decided next: one ranked list in words, five parts a line, from every estimate at once.

Danger to people comes first, then places that are not open and broken custody, then what costs most voter-minutes in
the next hour, then steps that are late, then questions that one call answers.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

import polars as pl

from dashboard import acting, figures, words
from dashboard.data import Picture, once
from dashboard.due import closed_doors, counts, custody, late_steps
from dashboard.items import ASK, COST, IN_DANGER, NEVER_AWAY, PEOPLE, Item, last_heard, people_at, where
from dashboard.shortages import shortages
from pipeline.contracts.moments import spelled
from pipeline.estimates.dispatch.cautions import (
    BATTERY,
    CROWD,
    DANGER,
    DOWNED_LINE,
    GENERATOR,
    LOCAL,
    caution_for,
)
from pipeline.estimates.dispatch.reasons import called

FRESH = timedelta(minutes=60)  # evidence older than this calls for a head count before anybody is moved; our choice
DARK_LIKELY = 0.2  # chance to go dark from which a site on battery is a decision; our choice
LINE_CHANCE = 1 / 3  # chance of a wait over 30 minutes from which a line is a decision; our choice
SURE_MINUTES = 15.0  # a wait whose 5 % point is below this is confirmed by a head count first [min]; our choice
QUIET_WORTH = 400.0  # voter-minutes that stand for a feed gone quiet, to rank it; our choice
JUST_GIVEN = timedelta(minutes=10)  # the plan may be older than a ticket that was given since; our choice
PART = {2: "half", 3: "third", 4: "quarter", 5: "fifth", 6: "sixth"}
BY_PHONE = {
    "long-line": "Ask for a head count; send a line walker if it is confirmed.",
    "site-access": "Find who holds the key or can clear the way; ask the official about another entrance.",
    "staffing": "Ask the official for a reserve worker.",
    "conduct": "Let the election official speak with the site.",
    "procedure": "Answer from the county's procedure.",
    "transmission": "Follow the county's procedure for carrying the media by hand, two people together.",
    "seal": "Have both numbers read back by two people and written down; the official decides.",
}
IS_SUSPENDED = "Voting is suspended there: ask the official when it goes on, and where those who wait should stand."


@once
def decisions(picture: Picture) -> list[Item]:
    """The list, the most pressing first."""
    found = [
        *dangers(picture),
        *closed_doors(picture),
        *custody(picture),
        *stops(picture),
        *long_lines(picture),
        *batteries(picture),
        *unanswered(picture),
        *shortages(picture),
        *late_steps(picture),
        *counts(picture),
        *questions(picture),
        *quiet(picture),
    ]
    return sorted(found, key=lambda item: (item.rank, -item.cost, item.where, item.what))


def dangers(picture: Picture) -> Iterator[Item]:
    """Open tickets that tell of danger: never ranked by time; a repeat only where its first is not in the list."""
    texts = dict(picture.known.tickets.select("ticket_id", "text").iter_rows())
    found = figures.dangers(picture)
    first = found.filter(~pl.col("same_as").is_in(found["ticket_id"].implode()).fill_null(False))
    for row in first.iter_rows(named=True):
        yield Item(
            PEOPLE,
            row["voter_minutes_at_risk"],
            where(picture, row["site_id"]),
            f"danger to people since {words.clock(row['opened_at'], picture.zone, picture.at)} ({row['ticket_id']})",
            people_at(picture, row["site_id"]),
            "Danger is not weighed.",
            "Call 911 if nobody has, then the site and the election official. Send no rover until it is cleared.",
            f"The caller said: “{texts.get(row['ticket_id'], '')}”. Decided by: {row['decided_by']}.",
            f"{DANGER} {LOCAL}",
            row["site_id"],
            True,
            key=f"danger|{row['ticket_id']}",
            press="911 called",
            acts=(acting.mark(row["ticket_id"], "911, the site and the election official have been called"),),
        )


def stops(picture: Picture) -> Iterator[Item]:
    """Visits that are proposed and not yet under way."""
    plan = picture.answer("dispatch")
    if "is_under_way" in plan.columns:
        plan = plan.filter(~pl.col("is_under_way").fill_null(False))
    tickets = {row["ticket_id"]: row for row in picture.answer("tickets").iter_rows(named=True)}
    costs = dict(picture.answer("power").group_by("site_id").agg(pl.col("expected_voter_minutes").sum()).iter_rows())
    voting = set(picture.known.sites.filter(pl.col("closes_at") > picture.at)["site_id"])
    for row in plan.iter_rows(named=True):
        own = [tickets[t] for t in row["ticket_ids"] if t in tickets]
        if {t["status"] for t in own} == {"resolved"}:  # since the plan was made
            continue
        risk = sum(t["voter_minutes_at_risk"] for t in own) if own else costs.get(row["site_id"], 0.0)
        low, high = row.get("voter_minutes_saved_low"), row.get("voter_minutes_saved_high")
        saved = (
            words.about(row["voter_minutes_saved"], low, high, "rough") if row["voter_minutes_saved"] >= 1 else "none"
        )
        since = given_since(picture, row)
        kinds = {t["category"] for t in own} or set(row.get("categories") or ("power",))
        power = power_said(picture, row["site_id"]) if "power" in kinds else ""
        by_closing = " by closing" if row["site_id"] in voting else ""
        horizon, stop = "in the next hour if nobody comes" if own else "until closing if nobody comes", row["stop"]
        yield Item(
            COST,
            risk,
            where(picture, row["site_id"]),
            stop_what(picture, own, row["unit_id"], row.get("categories") or ("power",)),
            people_at(picture, row["site_id"]),
            f"{words.capital(words.voter_minutes(risk))} {horizon}; going saves {saved}{by_closing}.{power}",
            f"{'Send' if since is None else f'Nothing heard since {since}: ask'} {row['rover_id']}"
            f"{'' if row['stop'] == 1 else f', its stop {stop}'}{':' if since is None else ';'} there about "
            f"{words.clock(row['arrive_at'], picture.zone, picture.at)}"
            f"{', take ' + ', '.join(map(words.plain, row['parts'])) if row['parts'] else ''}.",
            row["why"],
            row["caution"],
            row["site_id"],
            key=f"stop|{row['site_id']}|{','.join(row['ticket_ids'])}",
            press=f"Send {row['rover_id']}" if since is None else f"{row['rover_id']} asked",
            acts=acting.send(row, own, picture.at)
            if since is None
            else tuple(acting.mark(t, f"{row['rover_id']} has been asked") for t in row["ticket_ids"]),
        )


def given_since(picture: Picture, stop: dict) -> str | None:
    """When a stop was given to the very rover that is proposed, which has not been heard of there since."""
    own = figures.visits(picture).filter(
        pl.col("ticket_id").is_in(stop["ticket_ids"])
        & (pl.col("rover_id") == stop["rover_id"])
        & (pl.col("status") == "assigned")
        & pl.col("arrived_at").is_null()
    )
    given = figures.first(own["assigned_at"])
    if given is None or given > picture.at - JUST_GIVEN or stop.get("is_diverted"):
        return None
    return words.clock(given, picture.zone, picture.at)


def stop_what(picture: Picture, own: list[dict], unit_id: str | None, foreseen: Sequence[str] = ("power",)) -> str:
    """What is wrong at a stop, and since when; of a stop without a ticket, what is foreseen there (categories)."""
    if not own:
        if "power" in foreseen:
            return f"power: {unit_id or 'its units'} may go dark"
        what = ", ".join(words.CATEGORIES.get(c, called(c)) for c in foreseen) or "a visit"
        return f"{what}{f' {unit_id}' if unit_id else ''}, foreseen; no ticket"
    kinds = list(dict.fromkeys(words.CATEGORIES[t["category"]] for t in own))
    since = words.clock(min(t["opened_at"] for t in own), picture.zone, picture.at)
    unit = f" {unit_id}" if unit_id else ""
    return f"{', '.join(kinds)}{unit} since {since} ({', '.join(t['ticket_id'] for t in own)})"


def long_lines(picture: Picture) -> Iterator[Item]:
    """Lines in which a newcomer may well wait over 30 minutes."""
    costs = figures.next_hour(picture.answer("lines"), picture.answer("outlook"))
    likely = picture.answer("lines").filter(pl.col("chance_over_30") >= LINE_CHANCE)
    stations = dict(picture.known.sites.select("site_id", "checkin_stations").iter_rows())
    for row in likely.join(costs, on=["site_id", "line"], how="left").iter_rows(named=True):
        wait = words.about(row["wait_minutes_median"], row["wait_minutes_low"], row["wait_minutes_high"])
        propose, why = line_advice(picture, row, stations.get(row["site_id"]) or 0)
        held = held_back(picture, row["site_id"])
        yield Item(
            COST,
            row["cost"] or 0.0,
            where(picture, row["site_id"]),
            f"{words.LINES[row['line']]} long, over 30 min with a chance of {words.percent(row['chance_over_30'])}",
            f"{people_at(picture, row['site_id'], row['line'])} A newcomer waits {wait} min.",
            f"About {words.about(row['cost'], row['cost_low'], row['cost_high'], 'rough')} voter-minutes of waiting in "
            "the next hour.",
            held or propose,
            f"Stands on: {row['basis']}." if held else why,
            f"{DANGER if held == IN_DANGER else ''} {NEVER_AWAY} {CROWD} {LOCAL}".lstrip(),
            row["site_id"],
            key=f"line|{row['site_id']}|{row['line']}",
            press="Site called",
            acts=(acting.mark(row["site_id"], f"called about the {words.LINES[row['line']]}"),),
        )


def held_back(picture: Picture, site_id: str | None) -> str | None:
    """What is said instead of advice on a line where danger is reported, or where voting is suspended."""
    if site_id in figures.danger_sites(picture):
        return IN_DANGER
    return IS_SUSPENDED if site_id in figures.suspended(picture) else None


def line_advice(picture: Picture, row: dict, stations: int) -> tuple[str, str]:
    """What to do about a line, and why; without fresh evidence, to ask first."""
    heard = last_heard(picture, row["site_id"])
    chance = f"Chance over 30 min: {words.percent(row['chance_over_30'])}. Stands on: {row['basis']}."
    if heard is None or picture.at - heard > FRESH:
        old = (
            "nothing was heard from there yet"
            if heard is None
            else f"the newest evidence is {words.age(heard, picture.at)} old"
        )
        return "Call the site and ask for a head count before anything is moved.", f"{words.capital(old)}. {chance}"
    if row["line"] == "scanner":
        return "Call the site: does every scanner run? Send a line walker to the scanner.", chance
    if stations < 1:
        return "Ask the site how many check-in stations work; send a line walker.", chance
    why = (
        f"The line is shared among {stations + 1} instead of {stations} stations: wait × {stations}/{stations + 1}. "
        f"It holds if a clerk, a poll book and room are there, and if the stations of the roster work. {chance}"
    )
    more = f"one more check-in station ({stations + 1} instead of {stations})"
    if row["wait_minutes_low"] < SURE_MINUTES:
        part = PART.get(stations + 1, "little")
        return f"Ask for a head count. If the line is that long, open {more}: the wait falls by a {part}.", why
    less = row["wait_minutes_median"] * stations / (stations + 1)
    return f"Open {more}: the wait falls to about {less:.0f} min.", why


def batteries(picture: Picture) -> Iterator[Item]:
    """Sites on battery or dark that no proposed visit answers."""
    answered = set(picture.answer("dispatch")["site_id"])
    off = picture.answer("power").filter(
        pl.col("supply").is_in(["battery", "dark"])
        & pl.col("site_id").is_not_null()
        & ~pl.col("site_id").is_in(list(answered))
    )
    for (site_id,), own in off.group_by("site_id", maintain_order=True):
        chance, dark = own["chance_dark"].max(), int((own["supply"] == "dark").sum())
        if not isinstance(chance, float) or chance < DARK_LIKELY and not dark:
            continue
        cost = float(own["expected_voter_minutes"].sum())
        empty, is_held = first_empty(picture, own), str(site_id) in figures.danger_sites(picture)
        since = own["since"].min()
        said = words.clock(since, picture.zone, picture.at) if isinstance(since, datetime) else "an unknown time"
        yield Item(
            COST,
            cost,
            where(picture, str(site_id)),
            f"{words.plural(own.height - dark, 'unit')} on battery, {dark} dark, since {said}{empty}",
            people_at(picture, str(site_id)),
            f"{words.capital(words.voter_minutes(cost))} until closing if nothing is done.",
            IN_DANGER
            if is_held
            else "Have what voters do not need switched off; find a charged battery or a generator in time.",
            f"Chance that a unit goes dark before power returns: {words.percent(chance)}. "
            f"Stands on: {own['basis'][0]}.",
            f"{f'{DANGER} ' if is_held else ''}{GENERATOR} {DOWNED_LINE} {BATTERY} {LOCAL}",
            str(site_id),
            key=f"battery|{site_id}",
            press="Site called",
            acts=(acting.mark(str(site_id), "called about power"),),
        )


def power_said(picture: Picture, site_id: str) -> str:
    """What the units of a site run on now and when power is promised: a trip that comes after it may be for nothing."""
    own = picture.answer("power").filter((pl.col("site_id") == site_id) & pl.col("supply").is_in(["battery", "dark"]))
    if own.is_empty():
        return " No unit there is known to be off mains now: call first."
    promised = own["restoration_at"].max()
    back = words.clock(promised, picture.zone, picture.at) if isinstance(promised, datetime) else "no time"
    dark = int((own["supply"] == "dark").sum())
    units = f"{words.plural(own.height, 'unit')} off mains, {dark} dark{first_empty(picture, own)}"
    return f" {units}; power promised for {back}."


def first_empty(picture: Picture, own: pl.DataFrame) -> str:
    """Which battery ends first, and when."""
    for row in own.filter(pl.col("empty_at_mean").is_not_null()).sort("empty_at_mean").head(1).iter_rows(named=True):
        span = words.span(row["empty_at_low"], row["empty_at_high"], picture.zone, picture.at)
        return f"; {row['unit_id']} empty {span}"
    return ""


def unanswered(picture: Picture) -> Iterator[Item]:
    """Open tickets that nobody has been given and no visit answers, a site at a time."""
    planned = {t for ids in picture.answer("dispatch")["ticket_ids"] for t in ids}
    away = figures.dangers(picture)["ticket_id"].to_list()
    left = figures.open_tickets(picture).filter(
        (pl.col("status") == "open") & pl.col("site_id").is_not_null() & ~pl.col("ticket_id").is_in([*planned, *away])
    )
    for (site_id,), own in left.group_by("site_id", maintain_order=True):
        rows = own.sort("opened_at").to_dicts()
        risk = sum(r["voter_minutes_at_risk"] for r in rows)
        is_held = site_id in figures.danger_sites(picture)
        by_phone = "Call back: can it be put right by telephone? No rover is proposed yet."
        propose = IN_DANGER if is_held else " ".join(dict.fromkeys(BY_PHONE.get(r["category"], by_phone) for r in rows))
        yield Item(
            COST if risk > 0 else ASK,
            risk,
            where(picture, str(site_id)),
            stop_what(picture, rows, None),
            people_at(picture, str(site_id)),
            f"{words.capital(words.voter_minutes(risk))} in the next hour if nobody acts.",
            propose,
            "Open, given to nobody. " + " ".join(f"{r['ticket_id']}: decided by “{r['decided_by']}”." for r in rows),
            caution_for([*(["safety"] if is_held else []), *dict.fromkeys(c for r in rows for c in r["categories"])]),
            str(site_id),
            key=f"call|{','.join(sorted(r['ticket_id'] for r in rows))}",
            press="Called back",
            acts=acting.called_back(rows, picture.at),
        )


def questions(picture: Picture) -> Iterator[Item]:
    """Open tickets whose place nobody recognises."""
    texts = {r["ticket_id"]: r for r in picture.known.tickets.select("ticket_id", "site", "text").iter_rows(named=True)}
    asked = figures.open_tickets(picture).filter(pl.col("site_id").is_null())
    for row in asked.iter_rows(named=True):
        said = texts.get(row["ticket_id"], {})
        yield Item(
            ASK,
            5.0 - row["severity"],
            f"“{said.get('site', '')}”",
            f"{words.CATEGORIES[row['category']]} since {words.clock(row['opened_at'], picture.zone, picture.at)} "
            f"({row['ticket_id']}); no site of the roster is recognised",
            "How many wait is unknown.",
            "Unknown until the place is.",
            "Ask the caller or the hotline which polling place is meant.",
            f"The caller said: “{said.get('text', '')}”.",
            key=f"ask|{row['ticket_id']}",
            press="Asked",
            acts=(acting.mark(row["ticket_id"], "asked which place is meant"),),
        )


def quiet(picture: Picture) -> Iterator[Item]:
    """Feeds that have gone quiet while people vote: the board then shows less than it seems to."""
    open_now = picture.known.sites.filter((pl.col("opens_at") <= picture.at) & (pl.col("closes_at") > picture.at))
    if open_now.is_empty():
        return
    for kind, last, usual in acting.quiet_feeds(picture.receipts, picture.at):
        named = words.KINDS.get(kind, kind)
        since = words.clock(last, picture.zone, picture.at)
        yield Item(
            COST,
            QUIET_WORTH,
            words.capital(named),
            f"feed quiet since {since}, for {words.age(last, picture.at)}; it usually comes every {spelled(usual)}",
            "What the estimates say from it grows older and less sure every minute.",
            f"Stands in the list as {QUIET_WORTH:.0f} voter-minutes, which is our choice.",
            "Ask whoever sends it; meanwhile take calls and counts by hand under Take a call and Report.",
            f"Files of this feed came every {spelled(usual)} (median); it is called quiet after three such gaps and at "
            f"least {acting.LEAST_QUIET.total_seconds() / 60:.0f} min.",
            key=f"quiet|{kind}|{since}",
            press="Sender asked",
            acts=((acting.NOTE, f"feed {kind}", {"text": "its sender has been asked"}),),
        )
