"""What must the next shift know: what is open, promised and watched, and why?"""

from types import SimpleNamespace

import streamlit as st

from dashboard import entering, panels, words
from pipeline.contracts.estimates import ESTIMATES
from pipeline.outputs.fallback import pages
from pipeline.outputs.hand_over import hand_over

picture = panels.shown()
st.title("Hand-over", anchor=False)
if picture.known.sites.is_empty():
    panels.empty("No site is known yet: the roster has not been received.")
else:
    answers = SimpleNamespace(**{what: picture.answer(what) for what in ESTIMATES})
    page = hand_over(picture.known, answers)
    stamp = f"{words.local(picture.at, picture.zone):%m%d-%H%M}"
    with st.container(horizontal=True):
        st.download_button(
            "Save the hand-over to print",
            page,
            file_name=f"hand-over-{stamp}.html",
            mime="text/html",
            on_click="ignore",
            type="primary",
        )
        for name, text in pages(picture.known, answers, entering.people() or None).items():
            if "hand-over" not in name:
                said = name.split("-", 1)[1].removesuffix(".html").replace("-", " ")
                st.download_button(
                    words.capital(said), text, file_name=f"{stamp}-{name}", mime="text/html", on_click="ignore"
                )
    panels.markup(
        '<p class="small">While a watcher runs, the same pages are written every hour into the book’s folder '
        "<code>fallback</code>, so that the room goes on if the computers do not. Print them as they come.</p>"
    )
    st.iframe(page, alt="The hand-over as it will be printed")
