"""Words that stand where a name could stand and are none: roles, the trade, places, ordinary English."""

import re
from functools import lru_cache
from importlib.resources import files

from pipeline.normalise.word_lists import words_of

ROLES = frozenset(
    words_of(
        """judge chief asst assistant clerk rover tech technician worker pollworker inspector captain manager mgr lead
    deputy officer supervisor sup super super. coordinator greeter watcher observer voter caller custodian janitor
    principal pastor secretary helper helpdesk hotline operator officer sheriff runner floater poll site precinct
    presiding election board member warden moderator mrs mister miss the and from with for unknown anonymous anon none
    name self staff student team volunteer security admin desk phone call called office field support county city
    alternate backup head first second third machine equipment greeter line party rep republican democrat dem
    opener closer traffic usher intern temp insp dep mr ms miss dr"""
    )
)
# Surnames and first names that are ordinary words here: masked only beside another part of the name or a title.
ORDINARY = frozenset(
    words_of(
        """hall church street lane park page young power price bell wood woods banks field fields long short white black
    brown green gray grey may will mark grace rose king noble justice early late back line best church cross day days
    door doors key keys card cards case chase close cook cord dark drew east west north south north. fair fine fire
    flood ford fork forest frank good grant guard hand hill home hope house hunt joy june april august summer lock
    low major marsh means miles mill moon more paper parish parker past penny pike pole polls pool post pope powers
    ready red reed reader rich ridge river rivers robin rock round rush sharp shore silver small snow spring springs
    stand star stick still stone storm story strong swift tape temple town tower underwood usher valley van wade wait
    walk wall ward ware water waters way weeks wells wise worth yard art bill bob buck cash chance charity dale dawn
    dean drew earl faith gene gray guy hank ivy jack jam jewel lance misty mark norm olive patience pearl penny peg
    rusty sandy skip sky sunny tab tally trip unity victor violet wren clay glen heath heather holly iris jasmine
    lily hazel"""
    )
)
FIRST_NAMES = frozenset(
    words_of(
        "art bill bob buck earl gene guy hank ivy jack jewel lance norm olive pearl peg rusty sandy tab violet mark"
    )
)
# Capitalised words that follow "caller", "per" or "Judge" without being a name.
NOT_NAMES = (
    ROLES
    | frozenset(
        words_of(
            """a an all are asked at be been but by can cannot could did do does down error for get go going got had has
    have he help her here him his how i if in into is it its just know like me my need needs new no not now of off on
    one only or our out over please said saw say says see she should so some someone somebody still that them then there
    they this to too two up upset us want wants was we were what when where which who why will would yes yet you your
    am pm
    ballot ballots scanner scanners printer paper bmd epollbook pollbook book ipad tablet unit machine seal seals tape
    memory wifi internet modem power lights battery generator utility util lines queue room door doors parking ramp
    elementary school high middle library center centre community fellowship fire station house vets veterans senior
    seniors rec recreation township village hall church gym cafeteria st saint street avenue ave road rd drive dr court
    ct lane ln pike boulevard blvd place terrace ter way monday tuesday wednesday thursday friday saturday sunday ada
    north south east west n s e w usb vvpat id ids english spanish procedure handbook manual guide instructions
    statute law rule protocol polling location precinct pct building campus twp again urgent asap also and"""
        )
    )
    | (ORDINARY - FIRST_NAMES)
)
# Ordinary words that people bear as first names.
GIVEN = FIRST_NAMES | frozenset(
    words_of(
        """april august chance charity clay dale dawn dean drew faith glen grace hazel heath heather holly hope iris
    jasmine joy june lily mark may rose victor will wren"""
    )
)
# Words of the names of places and institutions, beside those of `NOT_NAMES`: common practice, no source.
OF_PLACES = frozenset(
    words_of(
        """acres apartments arena armory ash aspen auditorium baptist barn bay beach bear bend bethel birch bluff bluffs
    branch bridge brook brooks calvary canyon cathedral catholic cedar cemetery chapel chestnut civic cliff club
    clubhouse college commons corner corners country courthouse cove covenant creek crossing cypress deer depot
    district eagle elks elm episcopal estates evangelical fairground fairgrounds falcon falls farm farms flats forge
    fox garden gardens glade grange grove gulch harbor harbour hawk headquarters heights heron hickory hollow homes
    islamic island junction lake lakes landing legion lodge lutheran magnolia mall manor maple market masonic meadow
    meadows memorial mesa methodist mill mills ministries mission moose mosque mount mountain museum oak oaks ohana
    outreach parish pavilion pine pines plaza point pond prairie presbyterian ranch regional reservation ridge
    rotary salem sanctuary seminary settlement shopping shrine sion summit sycamore synagogue tabernacle theater
    theatre tower tribal trinity union university valley veterans view vista willow woods ymca ywca zion"""
    )
)


def is_plain_word(word: str) -> bool:
    """Whether a word by itself is one of ordinary English or of the trade, and no first name: "Hi, Half the hall"."""
    low = word.lower().rstrip(".")
    return low not in FIRST_NAMES and low in ordinary_words()


@lru_cache(maxsize=1)
def ordinary_words() -> frozenset[str]:
    """Ordinary English words, as `ordinary.txt` lists them, and those of the trade, as `vocabulary.toml` does."""
    here = files("pipeline.normalise")
    trade = re.findall("[a-z]{3,}", here.joinpath("vocabulary.toml").read_text("utf-8").lower())
    return frozenset(here.joinpath("ordinary.txt").read_text("utf-8").split()) | frozenset(trade)
