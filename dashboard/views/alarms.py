"""From what value on does the board speak up, and which pages does the wall show?"""

from urllib.parse import urlencode

import streamlit as st

from dashboard import entering, figures, panels, wall, words
from dashboard.data import Picture
from dashboard.navigation import ON_WALL
from pipeline.contracts.estimates import ESTIMATES
from pipeline.outputs import alarms

USUAL = "wait_minutes_median"  # the column that is offered first, where there is one


def column_said(what: str, column: str) -> str:
    """A column with what it means; of a bound or a median, whose meaning is its mean's, the name alone."""
    meaning = ESTIMATES[what].to_schema().columns[column].description or ""
    name = column.replace("_", " ")
    return name if not meaning or meaning[0].isdigit() else f"{name}: {meaning}"


def set_alarm() -> None:
    """A new alarm, or another threshold for one that is set."""
    what = st.selectbox("Estimate", [w for w in ESTIMATES if alarms.numeric_columns(w)], key="alarm-what")
    columns = alarms.numeric_columns(what)
    with st.form("alarm", border=False):
        column = st.selectbox(
            "Column",
            columns,
            index=columns.index(USUAL) if USUAL in columns else 0,
            format_func=lambda c: column_said(what, c),
        )
        one, two = st.columns(2)
        side = one.selectbox("Sounds when it is", alarms.SIDES)
        threshold = two.number_input("this value", value=None, placeholder="such as 30")
        name = st.text_input("Name of the alarm", max_chars=60)
        is_loud = st.checkbox("With a tone on this and every open board")
        if not st.form_submit_button("Set the alarm", type="primary"):
            return
        lacking = [
            said for said, there in (("the value", threshold is not None), ("the name", name.strip())) if not there
        ]
        if lacking:
            panels.empty(f"Not set. Still needed: {' and '.join(lacking)} of the alarm.")
        else:
            values = {"what": what, "column": column, "side": side, "threshold": threshold, "sound": is_loud or None}
            entering.keep(alarms.SET, name.strip(), values)


def listed(picture: Picture) -> None:
    """The alarms that are set, with how they stand."""
    found = alarms.alarms(picture.known)
    if not found:
        panels.empty("No alarm is set. An alarm holds for everybody, on every open board.")
    now = {s.alarm.name: s for s in alarms.sounding(found, picture.answer, figures.names(picture))}
    for alarm in found:
        sounds = now.get(alarm.name)
        state = "· quiet" if sounds is None else f"◇ muted: {alarm.muted_why}" if alarm.muted_why else "▲ sounds"
        panels.markup(
            f"<p><b>{words.safe(alarm.name)}</b> · {words.safe(state)}</p><p class='small'>{words.safe(alarm.what)} "
            f"{words.safe(alarm.column.replace('_', ' '))} {alarm.side} {alarm.threshold:g}"
            f"{words.safe('. ' + sounds.worst if sounds else '')}</p>"
        )
        if not picture.is_live:
            continue
        with st.container(horizontal=True, vertical_alignment="bottom"):
            why = st.text_input("Why mute it", key=f"mute-why-{alarm.name}", label_visibility="collapsed", width=220,
                                placeholder="why it may be muted")  # fmt: skip
            st.button("Mute", key=f"mute-{alarm.name}", disabled=not why.strip() or alarm.muted_why is not None,
                      on_click=entering.enter, args=(alarms.MUTED, alarm.name, {"why": why}))  # fmt: skip
            st.button("Remove", key=f"unset-{alarm.name}", type="tertiary", on_click=panels.take_back,
                      args=(alarm.entry_id,))  # fmt: skip


def set_wall() -> None:
    """Which pages a screen on the wall turns through, and the address to open there."""
    pages = st.multiselect("Pages", list(ON_WALL), default=["now", "lines", "power"], format_func=ON_WALL.__getitem__)
    seconds = st.number_input("Seconds a page", wall.LEAST_SECONDS, 600, wall.SECONDS)
    asked = urlencode({"wall": ",".join(pages) or "now", "turn": seconds})
    panels.markup(
        f'<p><a href="{pages[0] if pages else "now"}?{words.safe(asked)}" target="_blank">Open the wall</a>: large '
        "type, no controls, turning by itself. The address is all that a screen needs.</p>"
    )


def page(picture: Picture) -> None:
    """The page."""
    st.title("Alarms & wall", anchor=False)
    left, right = st.columns([0.4, 0.6], gap="large")
    with left:
        if panels.may_write(picture):
            panels.heading("Set an alarm")
            set_alarm()
        panels.heading("A screen on the wall")
        set_wall()
    with right:
        panels.heading("Alarms that are set")
        listed(picture)


page(panels.shown())
