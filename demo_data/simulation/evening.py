"""Opening, closing, custody and the counts at the end, for every site."""

from random import Random

from demo_data.simulation import places, staged
from demo_data.simulation.cast import OPENS, Site, kilometres, stream
from demo_data.simulation.engine import Engine
from demo_data.simulation.reports import Report

Row = dict[str, object]
KINDS = {"media": "MED", "ballots": "BOX", "provisional": "PRV"}


def milestones(engine: Engine) -> list[Report]:
    """Every step that sites report, with its receipt."""
    found: list[Report] = []
    for site in engine.sites:
        rng = stream("milestones", site.site_id)
        for row in opening(site, rng) + closing(site, rng):
            late = rng.expovariate(1 / 4.0) if rng.random() < 0.9 else rng.uniform(15, 45)
            found.append(Report(float(str(row["at"])) + 0.5 + late, row))
    return sorted(found, key=lambda report: (report.received_at, str(report.row)))


def step(site: Site, milestone: str, at: float, rng: Random, **more: object) -> Row:
    """One step; who reports it is put in many ways."""
    person = rng.choice(places.PEOPLE)
    who = rng.choice(
        [person, f"judge {person.split()[-1]}", "".join(p[0] for p in person.split()), "by text", "inspector"]
    )
    return {"site_id": site.site_id, "milestone": milestone, "at": at, "reported_by": who} | more


def seal(rng: Random) -> str:
    """A seal's number."""
    return f"{rng.randrange(10**6):07d}"


def opening(site: Site, rng: Random) -> list[Row]:
    """Arrival, seals, zero reports, doors."""
    is_late = site.site_id == staged.LATE_OPENING
    begin = OPENS - 82 + rng.uniform(0, 30)
    seals_at = begin + rng.uniform(12, 30)
    if is_late:
        begin, seals_at = staged.clock("06:38"), staged.clock("07:26")
    rows = [step(site, "arrived", begin, rng), step(site, "seals-checked", seals_at, rng, seal_in=seal(rng))]
    for unit in site.of_type("scan-single"):
        at = staged.clock("07:33") if is_late else seals_at + rng.uniform(5, 16)
        rows.append(step(site, "zero-tape", at, rng, item=unit.unit_id))
    rows.append(step(site, "open", site.opens + (0.2 if is_late else rng.uniform(-0.9, 1.5)), rng))
    if site.site_id == staged.SUSPENDED[0]:
        rows.append(step(site, "suspended", staged.SUSPENDED[1], rng))
        rows.append(step(site, "resumed", staged.SUSPENDED[2], rng))
    return rows


def closing(site: Site, rng: Random) -> list[Row]:
    """Doors, last voter, results reports, sending, and three things carried to the central office."""
    last = max(site.closes + rng.uniform(0.5, 3), site.last_voter_at)
    is_late = site.site_id in staged.STAYED_LATE
    rows = [step(site, "closed", site.closes + rng.uniform(0, 2.5), rng), step(site, "last-voter", last, rng)]
    tape = last + rng.uniform(9, 24) + (28 if site.site_id == "P160" else 0)
    for unit in site.of_type("scan-single"):
        rows.append(step(site, "results-tape", tape + rng.uniform(0, 4), rng, item=unit.unit_id))
    if site.site_id not in ("P144", "P147"):
        rows.append(step(site, "transmitted", tape + rng.uniform(6, 20), rng))
    elif site.site_id == "P147":
        rows.append(step(site, "transmitted", staged.clock("21:58"), rng))
    sealed = tape + rng.uniform(12, 30)
    for kind in KINDS:
        rows += custody(site, kind, sealed, is_late, rng)
    return rows


def custody(site: Site, kind: str, sealed: float, is_late: bool, rng: Random) -> list[Row]:
    """Sealed, handed over, received: who, what, when, from, to, which seal."""
    number = seal(rng)
    judge, witness, driver, other, clerk = rng.sample(places.PEOPLE, 5)
    item = f"{KINDS[kind]}-{site.site_id[1:]}"
    drive = 6 + 1.3 * kilometres((site.latitude, site.longitude), places.DEPOT) / 45 * 60
    handed = sealed + rng.uniform(6, 24) + (20 if kind == "ballots" else 0)
    received = handed + drive + rng.uniform(4, 40) + (25 if kind == "ballots" else 0)
    if is_late:
        received = max(received, staged.clock("24:06") + rng.uniform(0, 55))
    source, found = driver, number
    if kind == "media" and site.site_id == staged.CUSTODY_GAP:
        source, received = other, staged.clock("24:37")
    if kind == "media" and site.site_id == staged.SEAL_MISMATCH:
        found = number[:4] + number[5] + number[4] + number[6]
        if found == number:
            found = number[:6] + str((int(number[6]) + 1) % 10)
    rows = [
        step(site, f"{kind}-sealed", sealed + rng.uniform(0, 5), rng, item=item, witness=witness, seal_out=number),
        step(
            site,
            f"{kind}-handed-over",
            handed,
            rng,
            item=item,
            **{"from": judge},
            to=driver,
            witness=witness,
            seal_in=number,
        ),
    ]
    if kind == "provisional" and site.site_id == "P147":
        return rows  # never reported: still owed when the day's record ends
    clerk_row = {"from": source, "to": clerk, "witness": rng.choice(places.PEOPLE), "seal_in": found}
    return rows + [step(site, f"{kind}-received", received, rng, item=item, **clerk_row)]


def stock_received(site: Site) -> int:
    """Blank ballots sent to the site: 1.25 a voter expected or more, in packs of fifty."""
    return 50 * -(-int(float(str(site.row["expected_voters"])) * max(1.25, site.factor * 1.15)) // 50)


def reconciliation(engine: Engine) -> list[Row]:
    """Each site's counts, with the five mistakes of the timetable."""
    rows = []
    for site in engine.sites:
        n = site.counts
        counted = sum(unit.counted for unit in site.of_type("scan-single"))
        received = stock_received(site) + (300 if site.site_id in ("P148", "P142") else 0)
        received = max(received, 50 * -(-n["issued"] // 50))
        row: Row = {"site_id": site.site_id, "checked_in": n["checked_in"], "ballots_received": received}
        row |= {"ballots_issued": n["issued"], "spoiled": n["spoiled"], "unused": received - n["issued"]}
        row |= {"provisional": n["provisional"], "left": n["left"], "ballots_counted": counted}
        row |= {"emergency_counted": site.emergency, "tape_total": counted, "backup_count": counted}
        rows.append(with_mistake(site.site_id, row))
    return rows


def with_mistake(site_id: str, row: Row) -> Row:
    """The row as the site sends it."""

    def add(names: tuple[str, ...], number: int) -> Row:
        return row | {name: int(str(row[name])) + number for name in names}

    totals = ("ballots_counted", "tape_total", "backup_count")
    if site_id == staged.EMERGENCY_NOT_ADDED:
        return row | {"emergency_counted": 0}
    if site_id == staged.RESCANNED:
        return add(totals, 23)
    if site_id == staged.PROVISIONAL_COUNTED:
        return add(totals, 1)
    if site_id == staged.POLL_BOOK_BEHIND:
        return add(("checked_in",), -14)
    if site_id == staged.UNEXPLAINED:
        return add(("checked_in", "ballots_issued"), 2) | {"unused": int(str(row["unused"])) - 2}
    return row


def stock_rows(engine: Engine, at: float, issued: dict[str, int]) -> list[Row]:
    """Blank ballots on hand by style at one time; `issued` is what each site had handed out by then."""
    rows = []
    for site in engine.sites:
        styles = [
            f"{site.site_id[2:]}-{letter}" for letter in "AB"[: 1 + (float(str(site.row["expected_voters"])) > 550)]
        ]
        rng = stream("styles", site.site_id)
        share = rng.uniform(0.35, 0.65) if len(styles) == 2 else 1.0
        for style, part in zip(styles, (share, 1 - share), strict=False):
            left = part * (stock_received(site) - issued[site.site_id])
            if site.site_id == "P148" and style.endswith("B"):
                left = min(left, max(8, 330 - issued[site.site_id] * (1 - share) * 1.6))
            rows.append({"site_id": site.site_id, "style": style, "at": at, "on_hand": max(0, round(left))})
    return rows
