"""Sessions that speak to a board's server as a browser does, without drawing: for the load of many open screens.

As seen in Chromium's frames with Streamlit 1.67: the first request names the page, every later one gives its hash; the
values of widgets go with every request; the timers of fragments start when the server tells them, end at a page change
and with every new run of the whole page; hashes of cached messages are sent back.
"""

import asyncio
import random
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.asyncio.client import ClientConnection, connect

PATIENCE_SECONDS = 30.0  # a page that has not come by then has not come
BEGIN_WITHIN_SECONDS = 10.0  # people do not open the board in the same instant
TURNS = ["lines", "power", "tickets", "map", "units", "site", "now"]  # where those go who go from page to page
MODE = "Live"  # what the one widget that every page has stands at


@dataclass
class Counted:
    """What the sessions have seen."""

    runs: int = 0  # whole pages drawn
    beats: int = 0  # fragments run
    received: int = 0  # bytes
    changes: list[float] = field(default_factory=list)  # seconds from a click to the page asked for, drawn
    lost: int = 0  # clicks after which that page never came
    told: dict[tuple[str, int], float] = field(default_factory=dict)  # awaited words, session → when it was sent them


class Session:
    """One open screen."""

    def __init__(
        self, line: ClientConnection, number: int, page: str, awaited: Sequence[str], counted: Counted
    ) -> None:
        self._line, self._number, self._page, self._awaited, self._counted = line, number, page, awaited, counted
        self._hash = self._shown = self._mode = ""
        self._pages: dict[str, str] = {}  # path → hash
        self._cached: set[str] = set()
        self._beats: dict[str, asyncio.Task[None]] = {}
        self._wanted: tuple[str, float] | None = None  # hash and time of a click that has not been answered
        self.drawn = asyncio.Event()

    async def listen(self) -> None:
        """Opens the page and takes what it is sent."""
        await self.ask(page_name=self._page)
        async for raw in self._line:
            assert isinstance(raw, bytes)
            self._counted.received += len(raw)
            for words in self._awaited:
                if words.encode() in raw:
                    self._counted.told.setdefault((words, self._number), time.perf_counter())
            self.take(ForwardMsg.FromString(raw))

    def take(self, message: ForwardMsg) -> None:
        """One message of the server."""
        kind = message.WhichOneof("type")
        if message.metadata.cacheable:
            self._cached.add(message.hash)
        if kind == "new_session" and not message.metadata.run.fragment_ids:
            self.stop_beats()
            self._hash = message.new_session.page_script_hash
        elif kind == "navigation":
            self._pages = {page.url_pathname: page.page_script_hash for page in message.navigation.app_pages}
            self._hash = self._shown = message.navigation.page_script_hash
        elif kind == "auto_rerun":
            beat = message.auto_rerun
            if beat.fragment_id not in self._beats:
                self._beats[beat.fragment_id] = asyncio.create_task(self.beat(beat.fragment_id, beat.interval))
        elif kind == "stop_auto_rerun":
            for gone in message.stop_auto_rerun.fragment_ids:
                self.stop_beat(gone)
        elif kind == "delta" and message.delta.new_element.button_group.id.endswith("-mode"):
            self._mode = message.delta.new_element.button_group.id
        elif kind == "script_finished":
            self.finished(message.script_finished)

    def finished(self, how: int) -> None:
        """A run has ended."""
        self._counted.beats += how == ForwardMsg.FINISHED_FRAGMENT_RUN_SUCCESSFULLY
        if how == ForwardMsg.FINISHED_SUCCESSFULLY:
            self._counted.runs += 1
            self.drawn.set()
            if self._wanted and self._shown == self._wanted[0]:
                self._counted.changes.append(time.perf_counter() - self._wanted[1])
                self._wanted = None

    async def beat(self, fragment: str, seconds: float) -> None:
        """A fragment's timer."""
        while True:
            await asyncio.sleep(seconds)
            await self.ask(page_script_hash=self._hash, fragment_id=fragment, is_auto_rerun=True)

    def stop_beat(self, fragment: str) -> None:
        """Ends a timer."""
        if fragment in self._beats:
            self._beats.pop(fragment).cancel()

    def stop_beats(self) -> None:
        """Ends all timers."""
        for fragment in list(self._beats):
            self.stop_beat(fragment)

    async def change(self, path: str) -> None:
        """A click on a page's name; waits until that page has been drawn."""
        self.stop_beats()
        self._hash = self._pages[path]
        begun = time.perf_counter()
        self._wanted = (self._hash, begun)
        await self.ask(page_script_hash=self._hash)
        while self._wanted and time.perf_counter() - begun < PATIENCE_SECONDS:
            await asyncio.sleep(0.02)
        self._counted.lost += self._wanted is not None
        self._wanted = None

    async def ask(self, **asked: Any) -> None:
        """A request to run the page, or a part of it."""
        message = BackMsg()
        for name, value in asked.items():
            setattr(message.rerun_script, name, value)
        message.rerun_script.cached_message_hashes.extend(self._cached)
        message.rerun_script.context_info.timezone = "UTC"
        if self._mode:
            told = message.rerun_script.widget_states.widgets.add()
            told.id = self._mode
            told.string_array_value.data.append(MODE)
        await self._line.send(message.SerializeToString())


class Screens:
    """Open sessions, in a thread of their own while the context lasts.

    Parameters
    ----------
    pages : what the screens show, in turn; a session whose place in the list holds None goes from page to page
    awaited : words whose first arrival at each screen is noted
    """

    def __init__(self, port: int, count: int, pages: list[str | None], awaited: Sequence[str]) -> None:
        self._address, self._count, self._pages = f"ws://127.0.0.1:{port}/_stcore/stream", count, pages
        self._awaited = awaited
        self.counted = Counted()
        self.opened: set[int] = set()
        self.is_going_on = threading.Event()  # those who go from page to page do so while this is set
        self._stop = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self.run()))

    def __enter__(self) -> "Screens":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    async def run(self) -> None:
        """All sessions, until stopped."""
        tasks = [asyncio.create_task(self.screen(n)) for n in range(self._count)]
        while not self._stop.is_set():
            await asyncio.sleep(0.2)
        for task in tasks:
            task.cancel()
        for ended in await asyncio.gather(*tasks, return_exceptions=True):
            if isinstance(ended, Exception):  # not a cancelled one
                raise ended

    async def screen(self, number: int) -> None:
        """One session."""
        chance = random.Random(number)
        await asyncio.sleep(chance.uniform(0, BEGIN_WITHIN_SECONDS))
        page = self._pages[number % len(self._pages)]
        async with connect(self._address, subprotocols=["streamlit"], max_size=None, ping_interval=None) as line:  # type: ignore[list-item]
            session = Session(line, number, page or "now", self._awaited, self.counted)
            listening = asyncio.create_task(session.listen())
            try:
                while not listening.done():
                    await asyncio.sleep(chance.uniform(2, 10) if session.drawn.is_set() else 0.2)
                    if session.drawn.is_set():
                        self.opened.add(number)
                        if page is None and self.is_going_on.is_set():
                            await session.change(chance.choice(TURNS))
                listening.result()
            finally:
                session.stop_beats()
                listening.cancel()
