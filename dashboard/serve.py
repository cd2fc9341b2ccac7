"""The board's server: Streamlit, in a process that loads what the pages stand on before anybody opens one.

Streamlit itself runs a page's file, and so loads what it imports, only when the first session comes: that session would
wait some seconds.
"""

import sys
import threading
import time
from importlib import import_module
from pathlib import Path

from streamlit.web import cli

APP = Path(__file__).with_name("app.py")
AT_ONCE = ("dashboard.app", "dashboard.decide", "dashboard.maps")  # of the first page
# What other pages, and past moments, need; it takes seconds, and the first page is drawn before.
LATEST_SECONDS, LOOK_SECONDS = 120.0, 1.0
LATER, LATER_SECONDS = ("dashboard.charts", "dashboard.whatif", "pipeline.estimates.answers"), 10.0


def load() -> None:
    """Loads what the first page needs, begins to read what is published, and loads the rest after a while.

    Not while the first lines are being worked out: the processors are wanted for these, and no page needs it before.
    """
    for name in AT_ONCE:
        import_module(name)
    data, meanwhile = import_module("dashboard.data"), import_module("dashboard.meanwhile")
    meanwhile.LEARNT.clear()
    import_module("dashboard.ahead").begin()
    meanwhile.learn(data.own_words())
    time.sleep(LATER_SECONDS)
    until = time.monotonic() + LATEST_SECONDS
    while data.NEWEST.is_awaited() and time.monotonic() < until:
        time.sleep(LOOK_SECONDS)
    for name in LATER:
        import_module(name)


def main(flags: list[str]) -> None:
    """Serves until it is ended; `flags` are Streamlit's."""
    threading.Thread(target=load, name="loading", daemon=True).start()
    cli.main(["run", str(APP), *flags], prog_name="streamlit")


if __name__ == "__main__":
    main(sys.argv[1:])
