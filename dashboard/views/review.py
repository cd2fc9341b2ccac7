"""What did the day look like, for those who look back at it?"""

from types import SimpleNamespace

import streamlit as st

from dashboard import data, panels, words
from pipeline.contracts.estimates import ESTIMATES
from pipeline.outputs.review import review

picture = panels.shown()
st.title("Review", anchor=False)
if picture.known.sites.is_empty():
    panels.empty("No site is known yet: the roster has not been received.")
else:
    answers = SimpleNamespace(**{what: picture.answer(what) for what in ESTIMATES})
    page = review(picture.known, answers, data.intake_by_kind(picture))
    st.download_button(
        "Save the review (one HTML page)",
        page,
        file_name=f"review-{words.local(picture.at, picture.zone):%Y%m%d-%H%M}.html",
        mime="text/html",
        on_click="ignore",
    )
    panels.markup(
        '<p class="small">A first report of the day as known at the time above; ballot counts only, never votes, all '
        "of it unofficial. The saved page is complete in itself and prints well.</p>"
    )
    st.iframe(page, alt="The review as it will be printed")
