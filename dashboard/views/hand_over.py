"""What must the next shift know: what is open, promised and watched, and why?"""

import streamlit as st

from dashboard import entering, panels, words
from dashboard.data import Picture, once
from pipeline.outputs.fallback import pages


@once
def pack(picture: Picture) -> dict[str, str]:
    """The fallback pack of the moment that is shown, without telephone numbers; its last page is the hand-over."""
    return pages(picture.known, panels.answered(picture))


def page(picture: Picture) -> None:
    """The page."""
    st.title("Hand-over", anchor=False)
    if picture.known.sites.is_empty():
        panels.empty("No site is known yet: the roster has not been received.")
    else:
        phones = entering.people()
        found = pages(picture.known, panels.answered(picture), phones) if phones else pack(picture)
        *others, (_, page) = found.items()
        with st.container(horizontal=True):
            panels.save_page(picture, "Save the hand-over to print", page, "hand-over", is_first=True)
            for name, text in others:
                stem = name.split("-", 1)[1].removesuffix(".html")
                panels.save_page(picture, words.capital(stem.replace("-", " ")), text, stem)
        panels.markup(
            '<p class="small">While a watcher runs, the same pages are written every hour into the book’s folder '
            "<code>fallback</code>, so that the room goes on if the computers do not. Print them as they come.</p>"
        )
        st.iframe(page, alt="The hand-over as it will be printed")


page(panels.shown())
