"""What happens on purpose: the day's cast and its timetable. Times are minutes after local midnight."""

from dataclasses import dataclass


def clock(text: str) -> float:
    """Minutes after midnight of `HH:MM`; 24:30 is half past midnight, the next day."""
    hours, minutes = text.split(":")
    return int(hours) * 60.0 + int(minutes)


@dataclass(frozen=True)
class Staged:
    """One trouble on the timetable. `effect`: `scanner`, `poll-book`, `bmd` or nothing stops working meanwhile."""

    at: str
    site_id: str
    category: str
    text: str
    also: tuple[str, ...] = ()
    unit: str = ""  # type of unit, with its number at the site: scan-single/1
    effect: bool = False
    rover: bool = False
    minutes: float = 15.0
    said: str = ""  # how the caller names the place; empty: as callers do
    done: str = ""  # how it ended; empty: as such troubles do


JAMMER = "P117"  # Garrison High School: the second of its two scanners jams all day
SHORT_STATIONS = "P134"  # Cinderbank Community House: one check-in station for 540 voters
LATE_OPENING = "P108"  # Quarry Street Armory: no key; a judge extends its hours
FULL_BIN = "P142"  # Sugarbush Lodge: 1,090 voters expected, one scanner, a bin for 760
CUSTODY_GAP = "P126"  # Bittern Marsh Nature Center: handed to one driver, brought by another
SEAL_MISMATCH = "P150"  # Saltlick Township Garage: the seal received is not the seal put on
CLOCK_OFF = "P111"  # Dunmore Union Hall: scanner still on daylight saving time
EMERGENCY_NOT_ADDED = "P120"  # Wexcombe Volunteer Fire Hall
RESCANNED = "P129"  # Chapel of the Pines
PROVISIONAL_COUNTED = "P138"  # Vine Street Islamic Center
POLL_BOOK_BEHIND = "P114"  # Pennywhistle Arts Center
UNEXPLAINED = "P153"  # Kestrel Ridge Golf House
STAYED_LATE = ("P134", "P144", "P145", "P147", "P126", "P160", "P139")  # their custody ends after midnight

BIN_TEXT = (
    "Sheets don't drop any longer, the box under the lodge's scanner is full."  # told when it happens, about 15:00
)
BIN_MINUTES = 22.0  # from the call until two workers have emptied it
SUSPENDED = ("P120", clock("10:31"), clock("11:04"))  # the wire across the driveway
OPENED_AT = clock("07:38")  # Quarry Street Armory
EXTENDED_TO = "20:38"
EXTENSION_RECEIVED = clock("15:10")
STATION_ADDED = clock("11:50")  # Cinderbank

# circuit, start, restored, estimates (received, promised), customers
STORM: list[tuple[str, str, str, list[tuple[str, str]], int]] = [
    ("WEX-1", "10:08", "12:46", [("10:20", "11:15"), ("11:00", "12:15"), ("12:00", "12:45")], 1840),
    ("SEAT-3", "13:22", "16:52", [("13:30", "15:00"), ("14:30", "16:15"), ("16:00", "17:10")], 3110),
    ("BRM-2", "16:34", "18:52", [("16:40", "17:30"), ("17:20", "19:00")], 920),
]
BLIPS = [
    ("WEX-2", "09:51", "09:52"),
    ("STW-1", "11:17", "11:19"),
    ("SEAT-1", "14:06", "14:07"),
    ("BRM-3", "16:30", "16:33"),
]

STAGED = [
    Staged(
        "06:12",
        "P105",
        "seal",
        "Seal on the scanner case reads 0047193, our form says 0047139. Two of us are looking at it.",
        unit="scan-single/0",
        done="numbers read back over the phone, form had two digits swapped",
    ),
    Staged(
        "06:22",
        "P121",
        "accessible-device",
        "Our marking device doesn't see the headset, it's our only accessible unit. Turned on first, plugged in after.",
        unit="bmd/0",
        effect=True,
        rover=True,
        minutes=35,
        done="restarted with the headset connected, audio works, logged",
    ),
    Staged(
        "06:41",
        "P108",
        "site-access",
        "Nobody with a key to the Armory. Judge, four workers and the cases are on the sidewalk.",
        minutes=50,
        done="spare key brought from the county garage",
    ),
    Staged(
        "07:04",
        "P108",
        "site-access",
        "Voters lined up at a locked door, the Armory should've been open at seven!",
        minutes=36,
        said="the Armory on Quarry",
        done="doors open 07:38, told the judge",
    ),
    Staged(
        "07:52",
        "P117",
        "scanner-jam",
        "Second scanner at the high school caught the same ballot twice, crooked each time.",
        unit="scan-single/1",
        said="Garrison HS gym",
    ),
    Staged(
        "08:48",
        "P117",
        "scanner-jam",
        "{u} jams about every tenth sheet, please send a person with rollers.",
        unit="scan-single/1",
        rover=True,
        minutes=20,
        done="feed roller cleaned, ten test sheets fine",
    ),
    Staged(
        "09:36", "P134", "long-line", "One check-in table for everybody, about {n} in line and growing.", minutes=20
    ),
    Staged(
        "10:17",
        "P134",
        "long-line",
        "around {n} people now waiting to sign in at cinderbank, some walked off. we need a 2nd tablet!!",
        rover=True,
        minutes=20,
        said="cinderbank",
    ),
    Staged(
        "10:11",
        "P119",
        "power",
        "No power since a loud bang outside, about ten past ten. Scanner's on battery, full.",
        unit="scan-single/0",
        rover=False,
        minutes=60,
        done="mains back 12:46",
    ),
    Staged(
        "10:24",
        "P120",
        "safety",
        "A wire is down across the fire hall driveway, it sparks when the wind moves it. Voters want to walk past.",
        also=("power",),
        minutes=70,
        done="911 and the utility called first; wire dead and moved, driveway open again",
    ),
    Staged(
        "10:26",
        "P125",
        "power",
        "power out in the mill, elevators too, 1 lady with a walker on 2nd floor is ok",
        also=("site-access",),
        minutes=60,
        done="lights back",
    ),
    Staged(
        "11:21",
        "P117",
        "scanner-jam",
        "again. {u}. fourth today. other scanner has {n} waiting",
        unit="scan-single/1",
        rover=True,
        minutes=25,
        done="feed roller replaced; still pulls to the left, watch it",
    ),
    Staged(
        "11:34",
        "P139",
        "memory-card",
        "{u} shows a warning: only one of the two cards is there. Counting goes on.",
        unit="scan-single/0",
        rover=True,
        minutes=20,
        done="second card not read, goes on with one by the clerk's leave",
    ),
    Staged(
        "12:20",
        "P132",
        "scanner-down",
        "{u} shut itself off in the middle of a ballot and won't come up.",
        unit="scan-single/0",
        effect=True,
        rover=True,
        minutes=20,
    ),
    Staged(
        "13:05",
        "P148",
        "ballot-stock",
        "About 60 left of style 48-B, the school shift comes at three.",
        rover=True,
        minutes=15,
    ),
    Staged(
        "13:31",
        "P117",
        "scanner-jam",
        "Garrison, the left one. Stuck, cleared, stuck.",
        unit="scan-single/1",
        done="cleared by the workers, told to steer voters to the other scanner",
    ),
    Staged(
        "13:58",
        "P129",
        "procedure",
        "we put a stack from the emergency slot through and lost track, may have gone through {u} twice",
        unit="scan-single/0",
    ),
    Staged(
        "14:21",
        "P145",
        "safety",
        "Battery pack from the check-in tablet is swollen and hot, smells sweet. We set it on the concrete outside.",
        also=("poll-book",),
        minutes=40,
        done="fire company took the pack away, nobody hurt, tablet out of use",
    ),
    Staged(
        "15:44",
        "P113",
        "conduct",
        "Group of six with bullhorns forty feet from the door. Voters get through, workers are rattled.",
        minutes=30,
    ),
    Staged(
        "16:10",
        "P154",
        "staffing",
        "only 2 of us left at the mission, third went home with chest cold",
        said="low brige mission",
    ),
    Staged(
        "17:02",
        "P138",
        "procedure",
        "A provisional voter put his ballot into {u} instead of the envelope. What do we write?",
        unit="scan-single/0",
    ),
    Staged(
        "17:35",
        "P114",
        "poll-book",
        "Tablet B died and when it came back it was missing the people it had signed in this afternoon.",
        unit="electronic-poll-book/1",
        effect=True,
        minutes=25,
    ),
    Staged(
        "18:05",
        "P131",
        "other",
        "Somebody phoned the library to say that voting ended at six. It didn't. Just so you know.",
    ),
    Staged(
        "18:16",
        "P156",
        "power",
        "Depot Hall still without lights, {u} at eleven percent and falling. Pack?",
        unit="scan-single/0",
        rover=True,
        minutes=10,
        done="pack connected",
    ),
    Staged(
        "20:31",
        "P144",
        "transmission",
        "No signal up here since the storm. Media will be driven in.",
        minutes=25,
        done="media on the road",
    ),
    Staged(
        "20:44",
        "P160",
        "tape-printer",
        "Results tape tore off in the middle, printing it over.",
        unit="scan-single/0",
        minutes=25,
    ),
    Staged(
        "21:12",
        "P147",
        "transmission",
        "{u} dials for a minute then gives up, fifth try",
        unit="scan-single/0",
        minutes=50,
        done="went through at 21:58",
    ),
    Staged(
        "22:50",
        "P126",
        "other",
        "Driver with the Bittern Marsh bag had a flat, she handed it to her brother-in-law. Are we alright with that?",
        also=("seal",),
        minutes=30,
        said="bittern marsh",
        done="told to write it down, names taken, the clerk decides",
    ),
    Staged(
        "15:27",
        "",
        "scanner-jam",
        "hello this is the brick church by the creek, our counting thing has a ballot in its teeth",
        said="brick church by the creek",
    ),
]
