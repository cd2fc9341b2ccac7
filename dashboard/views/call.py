"""What does the caller say, is it known already, and what must be asked?"""

import uuid

import polars as pl
import streamlit as st

from dashboard import drafts, entering, figures, panels, words
from dashboard.data import Picture
from pipeline.contracts.words import TICKET_CATEGORIES, TICKET_READ

URGENCIES = ["as it comes", "voters are waiting", "voting has stopped", "danger"]
FIELDS = {
    "call_site": None,
    "call_said": "",
    "call_unit": "",
    "call_caller": "",
    "call_text": "",
    "call_urgency": URGENCIES[0],
}
MOST_LETTERS = 10_000  # of a call; our choice


def save(
    picture: Picture, values: dict[str, str | None], note_to: str | None = None, category: str | None = None
) -> None:
    """Keeps the call as a new ticket, or as a note on an earlier one, and clears the form."""
    if note_to:
        kept = entering.keep("note", note_to, {"text": values["text"], "caller_said_site": values["site"]})
    else:
        at = words.local(entering.now(), picture.zone)
        ticket_id = f"W-{at:%H%M}-{uuid.uuid4().hex[:4]}"
        settled = [(TICKET_READ, ticket_id, {"category": category})] if category else []
        kept = entering.keep_all([("ticket", ticket_id, values), *settled])
    if kept:
        st.session_state.update(FIELDS)


def proposed(picture: Picture, values: dict[str, str | None]) -> drafts.Draft | None:
    """What the reader proposes, as the words come."""
    text = values["text"] or ""
    if len(text.split()) < 2:
        panels.empty("Type what the caller says: category, questions and earlier calls appear here as you type.")
        return None
    draft = drafts.read_draft(picture, values["site"] or "", values["unit"] or "", text, entering.now())
    named = figures.names(picture)
    where = named.get(draft.site_id, draft.site_id) if draft.site_id else "no site of the roster recognised yet"
    more = [words.CATEGORIES[c] for c in draft.categories if c != draft.category]
    panels.markup(
        f'<p class="small">Proposed, by the words “{words.safe(draft.decided_by)}”</p>'
        f"<p><b>{words.safe(words.capital(words.CATEGORIES[draft.category]))}</b> "
        f"({words.percent(draft.confidence)} sure), severity {draft.severity} of 4"
        f"{words.safe('; also ' + ', '.join(more)) if more else ''}</p>"
        f"<p>{words.safe(where)}{words.safe(' · ' + draft.unit_id) if draft.unit_id else ''}</p>"
    )
    return draft


def settle(draft: drafts.Draft) -> str | None:
    """Another category than the proposed one, if the person knows better."""
    chosen = st.selectbox(
        "Category, if another fits better",
        TICKET_CATEGORIES,
        index=None,
        format_func=lambda c: words.capital(words.CATEGORIES[c]),
        key="call_category",
        placeholder=words.capital(words.CATEGORIES[draft.category]),
    )
    return None if chosen == draft.category else chosen


def warn_twice(picture: Picture, draft: drafts.Draft) -> str | None:
    """The earlier ticket that this call seems to repeat."""
    if draft.same_as is None:
        return None
    found = picture.known.tickets.filter(pl.col("ticket_id") == draft.same_as).to_dicts()
    if not found:
        return None
    row = found[0]
    panels.markup(
        f'<div class="wb-notice"><b>This seems to be known:</b> {words.safe(row["ticket_id"])}, opened '
        f"{words.clock(row['opened_at'], picture.zone, picture.at)}, {words.safe(row['status'])}. "
        f"“{words.safe(row['text'])}”</div>"
    )
    return str(draft.same_as)


def ask(draft: drafts.Draft) -> None:
    """What to ask and do, with the cautions in full."""
    title, steps = drafts.questions("safety" if "safety" in draft.categories else draft.category)
    panels.heading(f"Ask and do: {title.lower()}")
    told = drafts.cautions(draft.categories)
    if told:
        panels.caution(told)
    items = "".join(f"<li>{words.safe(step)}</li>" for step in steps)
    panels.markup(f"<ol class='wb-steps'>{items}</ol>")


def form(picture: Picture) -> dict[str, str | None]:
    """The call's fields."""
    one, two = st.columns(2)
    chosen = one.selectbox(
        "Place (type a few letters)",
        list(figures.places(picture).values()),
        index=None,
        key="call_site",
        placeholder="Type a few letters",
    )
    heard = two.text_input("or in the caller's words", key="call_said", live="400ms", placeholder="if it is not listed")
    text = st.text_input(
        "What the caller says",
        key="call_text",
        live="400ms",
        max_chars=MOST_LETTERS,
        placeholder="In the caller's words",
    )
    left, right = st.columns(2)
    unit = left.text_input("Unit, as the caller says it", key="call_unit", placeholder="number on the label")
    caller = right.text_input(
        "Caller and number to call back", key="call_caller", help="Kept apart from the log, behind a token."
    )
    urgency = st.selectbox("How pressing does the caller say it is?", URGENCIES, key="call_urgency")
    return {
        "site": chosen or heard or None,
        "text": text or None,
        "unit": unit or None,
        "caller": caller or None,
        "urgency": None if urgency == URGENCIES[0] else urgency,
        "status": "open",
    }


def page(picture: Picture) -> None:
    """The page."""
    st.title("Take a call", anchor=False)
    panels.only_live(picture)
    left, right = st.columns([0.5, 0.5], gap="large")
    with left:
        values = form(picture)
    with right:
        panels.heading("What it seems to be")
        draft = proposed(picture, values)
        earlier = warn_twice(picture, draft) if draft else None
        category = settle(draft) if draft else None
        if draft:
            ask(draft)
    with left:
        lacking = [said for name, said in (("site", "the place"), ("text", "what the caller says")) if not values[name]]
        with st.container(horizontal=True):
            st.button(
                "Save the call" if not earlier else "Save as a new call all the same",
                type="primary" if not earlier else "secondary",
                disabled=bool(lacking),
                on_click=save,
                args=(picture, values, None, category),
                key="call_save",
            )
            if earlier:
                st.button(
                    f"Add to {earlier}", type="primary", on_click=save, args=(picture, values, earlier), key="call_note"
                )
        if lacking:
            panels.markup(f'<p class="small">Still needed: {words.safe(" and ".join(lacking))}.</p>')
        panels.heading("Calls and entries, newest first")
        panels.entries(picture, most=8)


page(panels.shown())
