"""What did the day look like, for those who look back at it?"""

import streamlit as st

from dashboard import filed, panels
from dashboard.data import Picture, once
from pipeline.outputs.review import review


@once
def written(picture: Picture) -> str:
    """The review of the moment that is shown."""
    return review(picture.known, panels.answered(picture), filed.intake_by_kind(picture))


def page(picture: Picture) -> None:
    """The page."""
    st.title("Review", anchor=False)
    if picture.known.sites.is_empty():
        panels.empty("No site is known yet: the roster has not been received.")
    else:
        page = written(picture)
        panels.save_page(picture, "Save the review (one HTML page)", page, "review", is_first=True)
        panels.markup(
            '<p class="small">A first report of the day as known at the time above; ballot counts only, never votes, '
            "all of it unofficial. The saved page is complete in itself and prints well.</p>"
        )
        st.iframe(page, alt="The review as it will be printed")


page(panels.shown())
