"""The power desk: one line of free text for whatever is heard about the mains."""

from demo_data.simulation import staged, texts
from demo_data.simulation.cast import Site, stream
from demo_data.simulation.engine import Engine, Step
from demo_data.simulation.voices import Voices


class PowerDesk:
    """Writes down what sites and the utility say."""

    def __init__(self, engine: Engine, voices: Voices) -> None:
        self.engine, self.voices, self.rng = engine, voices, voices.rng
        self.notes: list[tuple[float, str]] = []

    def note_outage(self, step: Step) -> None:
        """Notes on one site's outage: lost, promised, low, restored."""
        rng, start, site = stream("notes", step.site.site_id, round(step.at)), step.at, step.site
        promised = next((p for c, _, _, p, _ in staged.STORM if c == site.circuit), [])
        plan = [("lost", start + rng.uniform(1, 9), "")] if rng.random() < 0.8 else []
        plan += [
            ("promise", staged.clock(told) + rng.uniform(1, 6), due) for told, due in promised if rng.random() < 0.3
        ]
        if step.number > 70 and rng.random() < 0.6:
            plan.append(("battery-low", start + rng.uniform(60, step.number), ""))
        if rng.random() < 0.6:
            plan.append(("restored", start + step.number + rng.uniform(1, 10), ""))
        for kind, when, due in plan:
            self.engine.at(when, lambda k=kind, d=due: self.write_note(k, site, d))  # type: ignore[misc]

    def write_note(self, kind: str, site: Site, due: str) -> None:
        """One line, as the person at the desk writes it."""
        rng, now = self.rng, self.engine.now
        unit = site.of_type("scan-single")[0]
        unit.settle_charge(now)
        if kind == "battery-low" and unit.charge < 0.04:
            return
        place = rng.choice([site.name, *str(site.row["aliases"]).split(";"), site.site_id])
        when = self.voices.say_time(now) if rng.random() > 0.08 else ""
        if due and rng.random() < 0.5:
            due = f"{int(due[:2]) - 12 if due > '12:59' else due[:2]}{due[2:]}"
        template = rng.choice(texts.NOTES[kind])
        self.notes.append((now, template.format(t=when, p=place, e=due, pct=round(unit.charge * 100)).strip(" -")))

    def extra_notes(self) -> None:
        """Notes that stand by themselves: blips, and a generator where it must not be."""
        for circuit, start, _ in staged.BLIPS:
            sites = [site for site in self.engine.sites if site.circuit == circuit]
            for site in sites[:2]:
                self.engine.at(staged.clock(start) + 3, lambda s=site: self.write_note("flicker", s, ""))  # type: ignore[misc]
        for when, text in EXTRA_NOTES:
            self.engine.at(staged.clock(when), lambda t=text: self.notes.append((self.engine.now, t)))  # type: ignore[misc]


EXTRA_NOTES = [
    ("08:15", "forecast: wind front from the west mid-morning, gusts to 55 - chargers checked at all sites"),
    ("10:14", "10:13 utility control: WEX-1 tripped, 1,840 customers, crew rolling, no estimate yet"),
    (
        "10:52",
        "10:50 Post 318: neighbors brought generator, running inside the back door. told them OUTSIDE, 20 ft off, now",
    ),
    (
        "11:02",
        "1058 Post 318 generator is out on the lawn now, doors aired, two workers with headache went to get checked",
    ),
    ("13:25", "13:24 SEAT-3 out, tree on the line by Quarry St. utility says a long one"),
    ("13:33", "Maddox branch lost power 13:22, scanner fine so far"),
    ("16:38", "4:36pm Depot Hall and neighbours dark. BRM-2"),
    ("16:58", "power is back on all of SEAT-3 as of 16:52 per utility"),
]
