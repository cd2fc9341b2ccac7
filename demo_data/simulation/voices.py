"""How callers put things: the trouble, the unit, the place, the time of day."""

from random import Random

from demo_data.simulation import places, texts
from demo_data.simulation.tickets import Trouble

OPENERS = [
    "",
    "",
    "",
    "",
    "Hi, ",
    "Judge {p} here: ",
    "fyi: ",
    "{p}: ",
    "Inspector says: ",
    "from the clerk at table 1 - ",
]
AGAIN = ["calling again: ", "Second time I ring about this. ", "still: "]
CLOSERS = ["", "", "", "", "", " Call back {f}.", " thx", " - {p}", " Please hurry.", " ask for {p}, {f}"]
WORDS = {"scan-single": "scanner", "bmd": "marking device", "electronic-poll-book": "tablet"}


class Voices:
    """Callers, each in a voice of their own."""

    def __init__(self, rng: Random) -> None:
        self.rng = rng
        self.decks: dict[str, list[str]] = {}

    def say(self, trouble: Trouble, unit: str, is_repeat: bool) -> str:
        """What the caller says, in one of several voices."""
        rng = self.rng
        template = trouble.text
        if not template or is_repeat:
            deck = self.decks.setdefault(trouble.category, [])
            if not deck:
                deck += rng.sample(texts.TEXTS[trouble.category], len(texts.TEXTS[trouble.category]))
            template = deck.pop()
            openers = AGAIN if is_repeat and rng.random() < 0.4 else OPENERS
            template = rng.choice(openers) + template + rng.choice(CLOSERS)
        waiting = trouble.number or max(3, len(trouble.site.checkin_line) + len(trouble.site.scan_line))
        if trouble.category == "long-line":
            waiting = max(12, round(len(trouble.site.checkin_line) * rng.uniform(0.85, 1.2)))
        seal = rng.randrange(10000, 99999)
        number = trouble.unit.counted if trouble.unit else rng.randrange(40, 110)
        return template.format(
            u=unit or "the unit",
            n=waiting,
            m=max(10, round(waiting * trouble.site.checkin_minutes / max(1, trouble.site.stations))),
            k=rng.randrange(2, 5),
            b=number if trouble.category != "ballot-stock" else rng.randrange(30, 120),
            c=self.say_time(trouble.start),
            p=rng.choice(places.PEOPLE),
            f=f"814-555-01{rng.randrange(100):02d}",
            s1=f"{seal:07d}",
            s2=f"{seal + rng.choice([9, 18, 90]):07d}",
            style=f"{trouble.site.site_id[2:]}-{rng.choice('AB')}",
        )

    def say_unit(self, trouble: Trouble) -> str:
        unit = trouble.unit
        if unit is None:
            return ""
        number = trouble.site.of_type(unit.type).index(unit) + 1
        word = WORDS[unit.type]
        alone = len(trouble.site.of_type(unit.type)) == 1
        options = [unit.unit_id, unit.unit_id, unit.unit_id.replace("-", " ").lower(), f"{word} {unit.unit_id[-4:]}"]
        options += [f"the {word}" if alone else f"{word} {number}", f"our {word}" if alone else f"{word} no. {number}"]
        return self.rng.choice(options)

    def say_site(self, trouble: Trouble) -> str:
        """The place as the caller says it: its name, another name, a street, a precinct, a slip of the tongue."""
        if trouble.said:
            return trouble.said
        rng, site = self.rng, trouble.site
        aliases = str(site.row["aliases"]).split(";")
        draw = rng.random()
        if draw < 0.42:
            return site.name
        if draw < 0.70:
            return rng.choice(aliases)
        if draw < 0.77:
            return rng.choice(aliases).lower()
        if draw < 0.83:
            return site.site_id
        if draw < 0.88:
            return f"precinct {str(site.row['precincts']).split(';')[0]}"
        if draw < 0.92:
            return str(site.row["address"])
        place = rng.randrange(1, len(site.name) - 2)  # two neighbouring letters change places
        return site.name[:place] + site.name[place + 1] + site.name[place] + site.name[place + 2 :]

    def say_time(self, when: float) -> str:
        hours, minutes = int(when // 60) % 24, int(when % 60)
        short = f"{(hours - 1) % 12 + 1}:{minutes:02d}"
        return self.rng.choice(
            [f"{hours:02d}:{minutes:02d}", short, f"{hours:02d}{minutes:02d}", f"{short}{'ap'[hours > 11]}m"]
        )
