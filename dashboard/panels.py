"""What the pages share: the header, facts, empty panels, tables, and a decision as five parts with its caution."""

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast
from urllib.parse import urlencode

import polars as pl
import streamlit as st

from dashboard import acting, entering, words
from dashboard.data import Picture
from dashboard.items import Item
from dashboard.words import safe
from pipeline.contracts.estimates import ESTIMATES
from pipeline.contracts.moments import rfc3339
from pipeline.contracts.words import DISMISS
from pipeline.outputs.pages import Answered

REASON = "why-"  # start of the keys of what tells why
PICTURE = "picture"  # where app.py leaves the moment that is shown, in the session


def shown() -> Picture:
    """The moment that this page shows."""
    found = st.session_state[PICTURE]
    assert isinstance(found, Picture)
    return found


def markup(body: str) -> None:
    """HTML of ours; whatever came in with a feed has been escaped before."""
    st.html(f'<div class="wb">{body}</div>')


def facts(pairs: Iterable[tuple[str, str]]) -> None:
    """Headline figures: each a figure (its interval after a space in brackets) and what it says."""
    parts = []
    for figure, said in pairs:
        first, bracket, more = safe(figure).partition(" (")
        rest = f' <span class="more">({more}</span>' if bracket else ""
        parts.append(f'<div><div class="big">{first}{rest}</div><div class="said">{safe(said)}</div></div>')
    markup(f'<div class="wb-facts">{"".join(parts)}</div>')


def heading(text: str) -> None:
    """The heading of a panel."""
    st.html(f'<div class="wb"><h2>{safe(text)}</h2></div>')


def empty(sentence: str) -> None:
    """An empty panel says why it is empty."""
    st.html(f'<div class="wb wb-empty">{safe(sentence)}</div>')


def last_came(picture: Picture, kind: str) -> str:
    """When data of a kind last came, as a sentence."""
    at = picture.last_received(kind)
    if at is None:
        return f"No {words.KINDS[kind]} have been received."
    return f"Newest {words.KINDS[kind]} received {words.clock(at, picture.zone, picture.at)}."


def table(
    heads: Sequence[str],
    rows: Iterable[Sequence[object]],
    numbers: Sequence[int] = (),
    most: int | None = None,
    more: int = 0,
) -> None:
    """A small table for reading, not for sorting.

    Parameters
    ----------
    more : rows that there are beside those that are handed in [count]
    """
    found = list(rows)
    cut = found if most is None else found[:most]
    kind = [' class="number"' if n in numbers else "" for n in range(len(heads))]
    top = "".join(f"<th scope=col{k}>{safe(h)}</th>" for h, k in zip(heads, kind, strict=True))
    body = "".join(
        "<tr>" + "".join(f"<td{k}>{safe(v)}</td>" for v, k in zip(row, kind, strict=True)) + "</tr>" for row in cut
    )
    left = max(more, 0) + len(found) - len(cut)
    said_more = f'<p class="small">{words.count(left)} more not shown.</p>' if left else ""
    markup(f'<table class="wb-table"><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>{said_more}')


def said(rows: Sequence[dict[str, Any]]) -> pl.DataFrame:
    """Rows as a table's frame; unknowns are said."""
    found = [{k: words.UNKNOWN if v is None else v for k, v in row.items()} for row in rows]
    return pl.DataFrame(found, infer_schema_length=None, strict=False)


def frame(
    rows: Sequence[dict[str, Any]] | pl.DataFrame, key: str, height: int | None = None, pinned: str | None = None
) -> None:
    """A table for sorting and searching; one column may stay in sight."""
    table_of = rows if isinstance(rows, pl.DataFrame) else said(rows)
    st.dataframe(
        table_of.to_arrow(),  # a polars frame would take its way through pandas, at a hundred times the cost
        width="stretch",
        hide_index=True,
        key=key,
        height=height or "auto",
        column_config={pinned: st.column_config.Column(pinned=True)} if pinned else None,
    )


def decision(item: Item, number: int, done: acting.Done | None = None) -> None:
    """One line of the list: where · what · how many · cost · proposal, its caution in full, one press, and why."""
    kind = ' class="danger"' if item.is_danger else ""
    where = f'<span class="where">{site_link(item.where, item.site_id)}</span>'
    left, right = st.columns([0.83, 0.17], gap="small")
    with left:
        markup(
            f'<div class="wb-item"><div class="rank">{number}</div>'
            f'<p class="title">{where} · <span{kind}>{safe(item.what)}</span></p>'
            f'<p class="small facts">{safe(item.people)} {safe(item.stake)}</p>'
            f'<div><p class="do">{safe(item.propose)}</p>{done_said(done)}</div></div>'
        )
    with right, st.container(key=f"acts-{number}", gap=None):
        press(item, done, number)
        with st.container(horizontal=True, gap="small", vertical_alignment="center"):
            is_open = st.toggle("Why", key=f"{REASON}{number}-{item.where}")
            if shown().is_live and item.rank > 0:
                put_aside(item, number)
    if item.caution:
        markup(f'<div class="wb-under">{caution_block(item.caution)}</div>')
    if is_open:
        markup(f'<p class="small wb-why">{safe(item.why)}</p>')


def done_said(done: acting.Done | None) -> str:
    """What has been done about a line already, as HTML."""
    if done is None:
        return ""
    if done.is_waiting:
        return f'<p class="small done">◌ {safe(done.by)}: {safe(done.text)}</p>'
    by = entering.named(shown(), done.by)
    return f'<p class="small done">✓ {safe(entering.when(shown(), done.at))} {safe(by)}: {safe(done.text)}</p>'


def press(item: Item, done: acting.Done | None, number: int) -> None:
    """The one button of a line."""
    if not shown().is_live or not item.press:
        return
    st.button(
        item.press,
        key=f"press-{number}-{item.key}",
        type="secondary" if done else "primary",
        on_click=entering.enter_all,
        args=(acting.about(item.key, f"{item.where}: {item.what}", item.acts),),
        width="stretch",
        help=item.propose,
    )


def put_aside(item: Item, number: int) -> None:
    """Takes a line off the list for a while, with a reason."""
    with st.popover("Aside", type="tertiary", help="Put this line aside for two hours, with a reason."):
        why = st.text_input("Why can this wait?", key=f"aside-why-{number}-{item.key}")
        st.button(
            "Put aside for two hours",
            key=f"aside-{number}-{item.key}",
            disabled=not why.strip(),
            on_click=entering.enter,
            args=(DISMISS, item.key, {"why": why, "what": f"{item.where}: {item.what}"}),
        )


def may_write(picture: Picture) -> bool:
    """Whether something may be entered now; at a past moment the page says why not."""
    if picture.is_live:
        return True
    empty("This is a past moment, and entries are made in the present. Choose Live at the top to enter something.")
    return False


def only_live(picture: Picture) -> None:
    """Ends a page's run at a past moment, where nothing can be entered."""
    if not may_write(picture):
        st.stop()


def take_back(entry_id: str) -> None:
    """Withdraws an entry."""
    entering.keep("withdraw", None, {}, entry_id)


def entries(picture: Picture, target: str | None = None, most: int = 10) -> None:
    """What was entered, with its receipt or waiting for it, each to be taken back by its own button."""
    found = entering.lately(picture, target)
    if not found:
        empty("Nothing has been entered by hand yet." if target is None else f"Nothing has been entered on {target}.")
    listed(picture, found[:most], target or "all")


def entries_by(picture: Picture, who: str, most: int = 8) -> None:
    """What this session entered, newest first."""
    mine = st.session_state.get(entering.MINE, {})
    found = [told for told in entering.lately(picture) if told.entry_id in mine]
    if not found:
        empty(f"Nothing yet on this telephone as {who}.")
    listed(picture, found[:most], who)


def listed(picture: Picture, found: Sequence[entering.Told], key: str) -> None:
    """Entries, each with its state and a button that takes it back."""
    for told in found:
        left, right = st.columns([0.84, 0.16], vertical_alignment="center")
        struck = " struck" if told.is_withdrawn else ""
        with left:
            markup(
                f'<p class="small{struck}"><b>{safe(words.ACTIONS.get(told.action, told.action))}</b> '
                f"{safe(told.target or '')} · {safe(entering.when(picture, told.at))} by {safe(told.by)} · "
                f'{safe(told.state)}</p><p class="small{struck}">{safe(entering.in_words(told))}</p>'
            )
        if picture.is_live and not told.is_withdrawn and told.action != "withdraw":
            right.button(
                "Take back",
                key=f"back-{key}-{told.entry_id}",
                on_click=take_back,
                args=(told.entry_id,),
                type="tertiary",
            )


def is_reading() -> bool:
    """Whether a reason is open: the list then keeps still."""
    return any(value is True for key, value in st.session_state.items() if str(key).startswith(REASON))


def caution_block(text: str | None) -> str:
    """A caution in full, as HTML; vermilion marks danger to life."""
    kind = " danger-to-life" if text and any(word in text for word in ("911", "kills")) else ""
    return f'<div class="wb-caution{kind}"><b>Caution.</b> {safe(text)}</div>' if text else ""


def site_link(name: str, site_id: str | None) -> str:
    """A site's name, leading to its own page at the moment that is shown."""
    if site_id is None:
        return safe(name)
    picture = shown()
    asked = {"site": site_id} | ({} if picture.is_live else {"at": rfc3339(picture.at)})
    return f'<a href="site?{safe(urlencode(asked))}" target="_self">{safe(name)}</a>'


def caution(text: str) -> None:
    """A caution, in full."""
    markup(caution_block(text))


def chart(drawn: dict[str, Any], alt: str) -> None:
    """A chart with what it says in words, for whoever does not see it."""
    st.vega_lite_chart(drawn, width="stretch", theme=None, alt=alt)


def answered(picture: Picture) -> Answered:
    """The estimates as the printed pages ask for them."""
    found: Any = SimpleNamespace(**{what: picture.answer(what) for what in ESTIMATES})
    return cast(Answered, found)


def save_page(picture: Picture, label: str, page: str | Callable[[], str], stem: str, is_first: bool = False) -> None:
    """A button that saves a printed page of the moment that is shown."""
    st.download_button(
        label,
        page,
        file_name=f"{stem}-{words.local(picture.at, picture.zone):%Y%m%d-%H%M}.html",
        mime="text/html",
        on_click="ignore",
        key=f"save-{stem}",
        type="primary" if is_first else "secondary",
    )


def day_span(
    picture: Picture, opens: datetime | None = None, closes: datetime | None = None
) -> tuple[datetime, datetime]:
    """The stretch of a time axis: two hours before opening to an hour after closing, or the outlook's end if later."""
    sites = picture.known.sites
    first = opens or sites["opens_at"].min() or picture.at - timedelta(hours=6)
    last = closes or sites["closes_at"].max() or picture.at + timedelta(hours=2)
    assert isinstance(first, datetime) and isinstance(last, datetime)
    return min(first - timedelta(hours=2), picture.at), max(last + timedelta(hours=1), picture.at + timedelta(hours=2))
