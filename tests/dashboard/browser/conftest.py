"""A board in a real browser, and what its tests do there."""

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import urlsplit

import pytest

from dashboard.navigation import VIEWS
from pipeline import run
from pipeline.board import Board
from pipeline.demo import day_folder

sync_api = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")
STILL, MOMENT_MS = 3, 60  # a page is drawn when nothing has run at so many looks, so far apart [count, ms]
SWITCHES = [  # no sandbox in containers, no graphics card, and no calls home
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE_MS = 120_000
SHOTS = Path(__file__).parents[1] / "shots"  # ignored by git; CI keeps it
BASE_PATH = (
    "_stcore/health",
    "_stcore/host-config",
)  # Streamlit looks for its root under each address, and is told 404


@pytest.fixture(scope="module")
def chromium() -> str:
    """Where the system's Chromium is; without one the tests say so and skip, in CI they fail."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        said = "no Chromium is installed: the board was not opened in a browser"
        if os.environ.get("CI"):
            pytest.fail(said)
        pytest.skip(said)
    return found


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def served(book: Path) -> Iterator[str]:
    """The address of a board of a book, while it is used."""
    with Board(book, free_port()) as running:
        running.wait_ready()
        yield running.address


@pytest.fixture(scope="module")
def board(book: Path, chromium: str) -> Iterator[str]:
    """The address of a running board of the small county."""
    yield from served(book)


@pytest.fixture(scope="module")
def demo_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole demo day, as `wardbook take` leaves it."""
    folder = tmp_path_factory.mktemp("books") / "demo"
    run.take([day_folder()], folder, datetime(2026, 11, 6, tzinfo=UTC))
    return folder


@pytest.fixture(scope="module")
def demo_board(demo_book: Path, chromium: str) -> Iterator[str]:
    """The same of the demo day."""
    yield from served(demo_book)


@pytest.fixture(scope="module")
def browser(chromium: str) -> Iterator["sync_api.Browser"]:
    with sync_api.sync_playwright() as player:
        found = player.chromium.launch(executable_path=chromium, args=SWITCHES)
        yield found
        found.close()


@pytest.fixture(scope="module")
def new_page(browser) -> Iterator[Callable[..., "sync_api.Page"]]:
    """Opens pages that keep what they asked for and what went wrong; at the end nothing may have left this machine."""
    opened: list = []

    def start(scheme: str = "light", size: tuple[int, int] = (1366, 768)) -> "sync_api.Page":
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.asked, page.broken = [], []
        page.on("request", lambda request: page.asked.append(request.url))
        page.on("websocket", lambda socket_: page.asked.append(socket_.url))
        page.on("pageerror", lambda error: page.broken.append(str(error)))
        page.on(
            "console",
            lambda said: (
                page.broken.append(said.text)
                if said.type == "error" and not said.location["url"].endswith(BASE_PATH)
                else None
            ),
        )
        opened.append(page)
        return page

    yield start
    for page in opened:
        hosts = {urlsplit(url).hostname for url in page.asked if not url.startswith(("data:", "blob:", "about:"))}
        assert hosts <= {"127.0.0.1"}, hosts


@pytest.fixture(scope="module")
def page(new_page) -> "sync_api.Page":
    return new_page()


@pytest.fixture(scope="module")
def live(chromium: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """A board with its own writer, of a county where it is past noon on election day, whatever the hour here."""
    now = datetime.now(UTC)
    ahead = 12 - now.hour  # hours that the county's clock is ahead of UTC
    local = now + timedelta(hours=ahead)
    day, folder = tmp_path_factory.mktemp("today"), tmp_path_factory.mktemp("books") / "live"
    zone = f"Etc/GMT{-ahead:+d}" if ahead else "Etc/GMT"  # the sign of these names is turned round
    (day / "county.toml").write_text(f'name = "Plover County"\nzone = "{zone}"\nelection_day = {local:%Y-%m-%d}\n')
    opens, closes = local - timedelta(hours=3), local + timedelta(hours=8)
    hours = f"{opens:%H:%M},{closes:%H:%M}"
    (day / "sites.csv").write_text(
        "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
        f"P1,Sedge Hall,41.1,-93.5,{hours},700,2,10\nP2,Teasel School,41.2,-93.4,{hours},500,2,8\n"
    )
    (day / "units.csv").write_text("unit_id,site_id,type\nSC-1,P1,scan-single\nSC-2,P2,scan-single\n")
    (day / "rovers.csv").write_text(
        "rover_id,latitude,longitude,skills,parts,on_shift,off_shift\nR1,41.1,-93.4,scanner;power,,00:00,23:59\n"
    )
    run.take([day], folder, now - timedelta(minutes=30), received=now - timedelta(hours=2))
    port = free_port()
    command = [
        sys.executable,
        "-m",
        "pipeline.cli",
        "board",
        "--book",
        str(folder),
        "--port",
        str(port),
        "--no-browser",
    ]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + PATIENCE_MS / 1000
        while time.monotonic() < until:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.2)
        yield f"http://127.0.0.1:{port}", folder
    finally:
        process.terminate()
        process.wait(20)


def settle(page: "sync_api.Page", title: str | None = None) -> None:
    """Waits until the page has been drawn: a run may be stopped for the next one, and nothing runs in between."""
    page.wait_for_selector(f'h1:has-text("{title}")' if title else "h1", state="attached")
    still = 0
    while still < STILL:
        page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]')
        page.wait_for_timeout(MOMENT_MS)
        state = page.locator('[data-testid="stApp"]').get_attribute("data-test-script-state")
        still = still + 1 if state == "notRunning" else 0


def open_view(page: "sync_api.Page", address: str, title: str | None = None) -> None:
    page.goto(address)
    settle(page, title)


def go(page: "sync_api.Page", board: str, path: str) -> None:
    """To a page by the row at the top, or by its address if the board is not open yet."""
    if page.url.startswith(board):
        page.get_by_role("link", name=VIEWS[path].title, exact=True).click()
        settle(page, VIEWS[path].title)
    else:
        open_view(page, f"{board}/{path}", VIEWS[path].title)


def said(page: "sync_api.Page") -> str:
    return page.locator('[data-testid="stMain"]').inner_text()


def faults(page: "sync_api.Page") -> list[tuple[str, str]]:
    """What keeps somebody from using the page, serious or critical, by axe-core 4: WCAG 2.2 A and AA, its good practice."""
    page.wait_for_timeout(300)  # charts come after the page
    found = axe.Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    return [(v["id"], v["nodes"][0]["html"][:200]) for v in found if v["impact"] in ("serious", "critical")]


def keep_shot(page: "sync_api.Page", name: str) -> None:
    SHOTS.mkdir(exist_ok=True)
    page.screenshot(path=str(SHOTS / f"{name}.png"))


def chosen(page: "sync_api.Page") -> list[str]:
    """What the lists on the page stand at, once there are any: a page is drawn from the top down."""
    page.get_by_role("combobox").first.wait_for()
    return [box.get_attribute("value") or box.input_value() for box in page.get_by_role("combobox").all()]


def pick(page: "sync_api.Page", box: "sync_api.Locator", letters: str, option: str) -> None:
    """Types a few letters into a list and takes what it then offers; types again, as a person does, where the list was
    drawn anew just then: right after a page has opened it forgets what is typed faster than anybody types.
    """
    offered = page.get_by_role("option", name=option, exact=True)
    until = time.monotonic() + PATIENCE_MS / 1000
    while box.input_value() != option and time.monotonic() < until:
        box.fill(letters)
        if offered.is_visible():
            box.press("Enter")
        page.wait_for_timeout(300)
    assert box.input_value() == option


def say_who(page: "sync_api.Page", name: str) -> None:
    page.get_by_placeholder("your name").fill(name)
    page.keyboard.press("Enter")
    settle(page)


@pytest.fixture(scope="module")
def there() -> SimpleNamespace:
    """What a person does at the board (settle, open_view, go, said, faults, ...), a port, patience."""
    done = (settle, open_view, go, said, faults, keep_shot, chosen, pick, say_who, free_port)
    return SimpleNamespace(patience_seconds=PATIENCE_MS / 1000, **{act.__name__: act for act in done})
