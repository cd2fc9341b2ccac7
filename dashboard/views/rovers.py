"""Where is each rover, and where should it go next?"""

import polars as pl
import streamlit as st

from dashboard import acting, entering, figures, listing, panels, reasons, words
from dashboard.data import Picture, once
from pipeline.estimates.dispatch.cautions import DANGER, LOCAL
from pipeline.outputs.sheet import sheet, waiting

SHOWN = 12  # rovers shown unasked; the table has all [count]


def stops(picture: Picture, rover_id: str) -> None:
    """A rover's proposed order, each stop with its reason and its caution in full."""
    plan = picture.answer("dispatch").filter(pl.col("rover_id") == rover_id).sort("stop")
    if plan.is_empty():
        where = waiting(picture.known, picture.answer("standby"), rover_id)
        is_off = where.startswith("Off shift")
        panels.empty(where if is_off else f"No stop is proposed: nothing would be saved by driving now. {where}")
        return
    named, zone, at = figures.names(picture), picture.zone, picture.at
    for row in plan.iter_rows(named=True):
        under_way = " · under way" if row.get("is_under_way") else ""
        saved = words.about(
            row["voter_minutes_saved"], row.get("voter_minutes_saved_low"), row.get("voter_minutes_saved_high"), "rough"
        )
        take = f" · take {', '.join(map(words.plain, row['parts']))}" if row["parts"] else ""
        take += bound(picture, row)
        where = panels.site_link(named.get(row["site_id"], row["site_id"]), row["site_id"])
        caution = panels.caution_block(row["caution"])
        panels.markup(
            f'<div class="wb-item{"" if caution else " one"}"><div class="rank">{row["stop"]}</div><div>'
            f'<p><span class="where">{where}</span>'
            f"{words.safe(' · ' + row['unit_id'] if row['unit_id'] else '')} · leave "
            f"{words.clock(row['leave_at'], zone, at)}, there about {words.clock(row['arrive_at'], zone, at)}"
            f"{under_way}{words.safe(take)}</p>"
            f'<p class="small">{words.safe(row["why"])}</p>'
            f'<p class="small">Saves about {words.safe(saved)} voter-minutes by closing; read it as a rank.</p>'
            f"</div>{caution}</div>"
        )


def bound(picture: Picture, row: dict) -> str:
    """What binds a stop: a decision, a second rover, a time by which somebody has to be there."""
    deadline = row.get("deadline_at")
    parts = [
        f"decided: {row['decision']}" if row.get("decision") else "",
        f"together with {row['partner']}" if row.get("partner") else "",
        f"it begins to cost at {words.clock(deadline, picture.zone, picture.at)}" if deadline else "",
        "turn off to here first" if row.get("is_diverted") else "",
    ]
    return "".join(f" · {part}" for part in parts if part)


def card(picture: Picture, rover: dict) -> None:
    """One rover: where it is, its order, its sheet."""
    zone, at = picture.zone, picture.at
    since = f" since {words.clock(rover['since'], zone, at)}" if rover["since"] else ""
    left, right = st.columns([0.78, 0.22], vertical_alignment="center")
    with left:
        panels.heading(f"{rover['rover_id']} · {rover['doing']}")
        panels.markup(
            f'<p class="small">Last known at {words.safe(rover["place"])}{since}. Shift '
            f"{words.clock(rover['on_shift_at'], zone, at)}–{words.clock(rover['off_shift_at'], zone, at)}. "
            f"Skills: {words.safe(words.skills(rover['skills']))}. "
            f"Carries: {words.safe(words.parts(rover['parts']))}.</p>"
        )
    with right:
        panels.save_page(
            picture,
            f"Sheet of {rover['rover_id']}",
            lambda: sheet(picture.known, panels.answered(picture), rover["rover_id"]),
            f"sheet-{rover['rover_id']}",
        )
    stops(picture, rover["rover_id"])
    if picture.is_live:
        decide(picture, rover["rover_id"])


def decide(picture: Picture, rover_id: str) -> None:
    """What the dispatcher decides about a rover: it binds the next plan."""
    asked = st.popover(f"Decide for {rover_id}", key=f"decide-{rover_id}", on_change="rerun")
    if not asked.open:  # a long list of places for every rover would be sent for nothing
        return
    named = figures.places(picture)
    others = [r for r in picture.known.rovers["rover_id"].sort() if r != rover_id]
    plan = picture.answer("dispatch").filter(pl.col("rover_id") == rover_id).sort("stop")
    with asked:
        order = list(dict.fromkeys([*plan["site_id"], *named]))
        site = st.selectbox("Place", order, format_func=lambda s: named.get(s, s), key=f"decide-site-{rover_id}")
        to = st.selectbox("Hand over to", others, index=None, key=f"decide-to-{rover_id}", placeholder="another rover")
        until = st.text_input("Unavailable until (HH:MM, empty: not known)", key=f"decide-until-{rover_id}")
        why = st.text_input("Why", key=f"decide-why-{rover_id}")
        acts = {
            "Accept the stop": ("stop-accepted", rover_id, {"site_id": site}),
            "Pin it as next": ("stop-pinned", rover_id, {"site_id": site}),
            "Forbid it": ("stop-forbidden", rover_id, {"site_id": site}),
            "Two people there": ("two-needed", site, {}),
            "Danger cleared there": ("danger-cleared", site, {}),
            "Unavailable": ("rover-unavailable", rover_id, {"until": acting.later_today(picture, until)}),
            "Available again": ("rover-available", rover_id, {}),
        }
        if to:
            acts[f"Hand the stop to {to}"] = ("stop-handed-over", rover_id, {"site_id": site, "to": to})
        columns = st.columns(2)
        for place, (label, (action, target, values)) in enumerate(acts.items()):
            columns[place % 2].button(
                label,
                key=f"decide-{rover_id}-{action}",
                on_click=entering.enter,
                args=(action, target, {**values, "why": why or None}),
                width="stretch",
            )
        panels.caution(f"{DANGER} {LOCAL}")
        panels.entries(picture, rover_id, 5)


@once
def every_rover(picture: Picture, most: int | None) -> pl.DataFrame:
    """The table of the rovers, for a county with many: so many, or all."""
    zone, at = picture.zone, picture.at
    return panels.said(
        [
            {
                "Rover": r["rover_id"],
                "Doing": r["doing"],
                "Last known at": r["place"],
                "Since": words.clock(r["since"], zone, at) if r["since"] else None,
                "Next leg to": r["to"] or "no stop proposed",
                "Shift": f"{words.clock(r['on_shift_at'], zone, at)}–{words.clock(r['off_shift_at'], zone, at)}",
                "Skills": words.skills(r["skills"]),
                "Carries": words.parts(r["parts"]),
            }
            for r in figures.rover_places(picture)[:most]
        ]
    )


def page(picture: Picture) -> None:
    """The page."""
    st.title("Rovers", anchor=False)
    rovers = figures.rover_places(picture)
    if not rovers:
        panels.empty("No rover is known yet: the roster has not been received.")
    else:
        doing = {d: sum(r["doing"] == d for r in rovers) for d in ("free", "under way", "at work", "off shift")}
        panels.facts([(str(n), d) for d, n in doing.items()])
        panels.markup(
            '<p class="small">Orders are proposals; the dispatcher decides. Places are where a rover last reported to '
            "have arrived. Nobody is sent to a place where danger is reported.</p>"
        )
        order = {"free": 0, "under way": 1, "at work": 2, "off shift": 3}
        rovers = sorted(rovers, key=lambda r: (r["next"] is None, order[r["doing"]], r["rover_id"]))
        if len(rovers) > SHOWN:
            ids = [r["rover_id"] for r in rovers]
            chosen = st.multiselect(f"Rovers (none chosen: the first {SHOWN}, those with a stop before others)", ids)
            for rover in [r for r in rovers if r["rover_id"] in chosen] if chosen else rovers[:SHOWN]:
                card(picture, rover)
            panels.heading("Every rover")
            listing.table(
                lambda most: every_rover(picture, most), len(rovers), "rovers-table", "in the order of their ids"
            )
            reasons.download(picture, lambda: every_rover(picture, None), "rovers")
        else:
            for rover in rovers:
                card(picture, rover)
        reasons.behind(picture, "dispatch")
        reasons.behind(picture, "standby")


page(panels.shown())
