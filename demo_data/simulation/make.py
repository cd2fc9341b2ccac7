"""Run the day and put its feeds together."""

from dataclasses import dataclass

from demo_data.simulation import feeds, staged
from demo_data.simulation.engine import Engine
from demo_data.simulation.feeds import Folder, Row
from demo_data.simulation.hotline import Hotline
from demo_data.simulation.reports import Reporters

STOCK_TIMES = ("06:05", "11:30", "16:00")


@dataclass
class Day:
    """A day that has been run."""

    engine: Engine
    hotline: Hotline
    reporters: Reporters
    folder: Folder
    defects: list[Row]


def run_day() -> Day:
    """The same day every time: every stream of random numbers starts from `cast.SEED`."""
    engine = Engine()
    hotline, reporters = Hotline(engine), Reporters(engine)
    issued: dict[float, dict[str, int]] = {}
    engine.prepare()
    hotline.prepare()
    hotline.desk.extra_notes()
    reporters.prepare()
    plan_the_rest(engine, issued)
    engine.run()
    folder = Folder()
    feeds.rosters(folder, engine, hotline)
    feeds.tickets(folder, hotline)
    feeds.status(folder, reporters)
    feeds.lines(folder, reporters)
    feeds.milestones(folder, engine)
    feeds.power_notes(folder, hotline)
    feeds.outages(folder)
    feeds.counts(folder, engine, issued)
    return Day(engine, hotline, reporters, folder, feeds.spoil(folder))


def plan_the_rest(engine: Engine, issued: dict[float, dict[str, int]]) -> None:
    """A suspension, a failed card, paper running low, and what is written down for the stock sheets."""
    site_id, start, end = staged.SUSPENDED
    stopped = engine.by_id[site_id]
    engine.at(start, lambda: setattr(stopped, "is_open", False))
    engine.at(end, lambda: engine.open(stopped))
    card = engine.by_id["P139"].of_type("scan-single")[0]
    engine.at(staged.clock("11:30"), lambda: setattr(card, "cards", "one"))
    for site_id, kind, word, when in PAPER:
        unit = engine.by_id[site_id].of_type(kind)[0]
        engine.at(staged.clock(when), lambda u=unit, w=word: setattr(u, "paper", w))  # type: ignore[misc]
    for text in STOCK_TIMES:
        at = staged.clock(text)
        engine.at(at, lambda at=at: issued.update({at: {s.site_id: s.counts["issued"] for s in engine.sites}}))  # type: ignore[misc]


PAPER = [
    ("P106", "bmd", "low", "12:40"),
    ("P106", "bmd", "out", "15:35"),
    ("P106", "bmd", "ok", "16:20"),
    ("P136", "scan-single", "low", "06:30"),
    ("P152", "bmd", "low", "14:05"),
]
