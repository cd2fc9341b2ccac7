"""Numbers in a caller's words that can name a unit: tags, their ends, serials, "scanner 2", "4131", "41-31"."""

import re
from functools import lru_cache

from pipeline.normalise.spoken import ONES, TEENS, TENS, digits, heard_in_digits, in_digits

EXACT = ("name", "short", "parts", "does", "pair", "numbered")
DEVICE = (  # what a unit is called
    r"scanners?|scnrs?|scanr|scn|scan|tabulators?|tabs?|readers?|counters?|ctr|machines?|mach|units?|devices?|bmds?"
    r"|markers?|mkr|touch\s?screens?|screens?|printers?|poll\s?books?|pads?|books?|bk|epbs?|pb|ebk|tablets?|ipads?"
    r"|laptops?|stations?"
)
DEVICE_NOUN = rf"(?:{DEVICE}|ck[\s-]?in|check[\s-]?in|asset|tag|sticker|serial|ser|s/?n|no|number|num|sc|md|id)"
TAG = re.compile(r"(?<![\w])([a-z]{1,4})[\s\u2010-\u2015_#.-]{0,2}(\d{1,6}(?:[-/.]\d{1,4})+|\d{3,10})(?![\w])", re.I)
BARE = re.compile(
    r"(?<![\w$:./-])(\d{3,10}|0\d)(?![\w:/%-]|\.\d)"
)  # a number by itself: "3011 is blank", "oh one sent"
LEADING = re.compile(r"^\W*(\d\d)(?![\w:/%.+-])")  # "42 cleared": the last two digits, of the kind in trouble
SERIES = re.compile(r"#?\b\d{1,4}(?:\s*(?:[,&/+\s]|\band\b)\s*#?\d{1,4}\b){2,}(?![:.]\d)", re.I)  # "4, 5 and 6"
CUT = re.compile(r"(?:\.{2,}|\u2026)\s?(?=\d{2,6}(?!\w))")  # "...4131"
ENDS_IN_DEVICE = re.compile(rf"\b(?:{DEVICE})\s*$", re.I)
LONGEST_DEVICE = 14  # letters of "touch screens"
ENDING = re.compile(
    r"(?:ends?|ending|ended|last)\s*(?:in|with|w/|digits?|numbers?|nos?\.?|#|are|is|three|four|3|4"
    r"|\W){0,4}\s*#?\s*(\d{2,6})(?!\w)",
    re.I,
)
# "The scanner with 180 on the back", "the one labelled 4131"
STICKER = re.compile(
    r"\b(?:with|has|marked|label+ed|tagged|numbered|bearing|designated|identified\s+as|sticker(?:\s+(?:says|reads|is))?)\s+(?:the\s+)?(?:number\s+)?#?(\d{2,10})"
    r"(?=\s+(?:on|written|printed|stuck)\b|\W*$|[.,;]|\s+(?:is|was|has|wont|won't|will|just|keeps|jam\w*)\b)",
    re.I,
)
THE_ONE = re.compile(r"\bthe\s+#?(\d{3,6})\s+(?:one|unit|machine|scanner)\b", re.I)
ONE = re.compile(rf"\b(?:{'|'.join(ONES)})\b", re.I)
DIGIT = re.compile(r"\d")
PART, MOST_PARTS = re.compile(r"[a-z]+|\d+"), 5  # of a tag: "PB", "07" and "2" of "PB/07/2"; our choice
# "04-S1", whatever its parts
NAME = re.compile(r"(?<!\w)(?:(?:[a-z0-9]+[-_/.#]){1,3}[a-z0-9]+|\d+[a-z]+\d+)(?!\w)", re.I)
# "S2", "SCN 31": letters and digits of a tag, or the end of one that begins with its site's id.
SHORT = re.compile(r"(?<![\w.'\u2019-])([a-z]|[a-z]{2,4}[\s#-]{0,2})[#-]?(\d{1,2})(?![\w%:/]|[.,]\d)", re.I)
PARTS = re.compile(r"(?<![\w/$-])\d{1,4}(?:[-. ]\d{1,4}){1,3}(?![\w/:%-])")  # "41-31", "7731 46 598"
WHOLE_PAIR = re.compile(r"(?<![\w$:./#-])(\d\d)(?![\w/%-]|[:.,]\d)")  # "31 won't boot", where tags have two digits
DOING = re.compile(  # a number that does what only a device does: "22 back in svc", of a whole tag of two digits
    r"(?<![\w$:./#-])(\d\d?)(?:'s)?\s+(?:is|was|isn'?t|won'?t|still|now|just|keeps?|got|gets)?\s*"
    r"(?:back|down|dead|died|dropped|frozen?|hung|quit|stuck|jam(?:s|med|ming)?|misfe\w+|reject\w*|beep\w*|blank|boot\w*"
    r"|rebooting|says?|reads?|shows|printing|offline|working|works|cracked|dark)\b",
    re.I,
)
LARGE = "|".join((*TEENS, *TENS))
SINGLE = re.compile(rf"\b(?:{LARGE}|{'|'.join(ONES)})\b", re.I)
AFTER_DEVICE = re.compile(rf"\b({DEVICE_NOUN}\s+(?:number\s+|no\.?\s+)?)({LARGE})\b", re.I)  # "scanner fourteen"
DOES_WORD = re.compile(  # "fourteen is jammed", "seven won't boot"
    rf"\b({LARGE}|two|three|four|five|six|seven|eight|nine)(?=(?:\s+(?:is|was|isn'?t|won'?t|keeps?)|'s)\s+(?:\w+\s+)?"
    r"(?:back|down|dead|died|dropped|frozen?|freez\w+|hung|quit|stuck|jam(?:s|med|ming)?|misfe\w+|reject\w*|beep\w*|blank"
    r"|boot\w*|rebooting|printing|offline|working|cracked|dark|start|turn|scan|print|take|read)\b)",
    re.I,
)
JOINED = re.compile(  # "88 and 89", "neither T04 nor T05", "61 thru 64"
    r"(?<![\w.:$/-])([a-z]{0,4}[- ]?\d[\w-]*)\s*(?:,|/|\+|&|\band\b|\bnor\b|\bor\b|\bthru\b|\bthrough\b|\bto\b)"
    r"\s*([a-z]{0,4}[- ]?\d[\w-]*)(?![\w:%/])",
    re.I,
)
BEFORE_COUNT = re.compile(
    r"(?:\b(?:line|about|around|at|for|since|maybe|over|under|almost|nearly|have|got|with|aged?|of)|~)\W*$", re.I
)
NUMBERED = re.compile(rf"\b({DEVICE_NOUN})\s*(?:no\.?|number|num|#)?\s*(\d|{'|'.join(ONES)})(?![\w:%/-]|[.,]\d)", re.I)
HASHED = re.compile(r"#\s?(\d{2,10})(?![\w:])|\((\d{3,6})\)")
AFTER_NOUN = re.compile(
    rf"\b{DEVICE_NOUN}\s*(?:no\.?|number|num|#|is|:|-|ending|in)?\s*#?\s*(\d{{1,10}})(?![\w:%/-])", re.I
)
COUNT_UNIT = re.compile(
    r"\s*(?:min|minute|mins|hr|hour|in line|people|ppl|voters?|ballots?|sheets?|waiting|deep|standing|ahead|pct"
    r"|percent|%|am\b|pm\b|times|of\b|yr|blts?\b|packs?\b|pads?\b|envelopes?|forms?|tries|left\b|more\b|names?\b"
    r"|copies|street|st\b|road|rd\b|ave|degrees|feet|ft\b|dollars|votes?\b)",
    re.I,
)


def digits_of(text: str) -> str:
    """The digits of a text."""
    return "".join(filter(str.isdigit, text))


def bare_name(text: str) -> str:
    """A name's letters and digits alone, lower case."""
    return re.sub(r"[^a-z0-9]", "", text.lower())


def whole_tag(name: str) -> str:
    """A tag in one form, its parts without leading zeros: "RED-07" gives red7; empty without a letter or a digit."""
    parts = PART.findall(name.lower())
    form = "".join(p.lstrip("0") or "0" for p in parts)
    return form if 1 < len(parts) <= MOST_PARTS and not form.isalpha() and not form.isdigit() else ""


@lru_cache(maxsize=10_000)
def whole_tags(text: str) -> dict[str, int]:
    """Each form that a whole tag in a text can have, and where it stands first; one mark may part its parts."""
    found: dict[str, int] = {}
    parts = [(m.group().lstrip("0") or "0", m.start(), m.end()) for m in PART.finditer(text.lower())]
    for i, (form, start, end) in enumerate(parts):
        has_digit, has_letter = form.isdigit(), form.isalpha()
        for part, begin, stop in parts[i + 1 : i + MOST_PARTS]:
            if begin - end > 1:
                break
            form, end = form + part, stop
            has_digit, has_letter = has_digit or part.isdigit(), has_letter or part.isalpha()
            if has_digit and has_letter:
                found.setdefault(form, start)
    return found


def without_series(text: str) -> str:
    """A text without three numbers or more that name several devices: "pb 4 5 6", "scanners 1, 2 and 3"."""

    def left(m: re.Match[str]) -> str:
        return " ; " if ENDS_IN_DEVICE.search(text, max(0, m.start() - LONGEST_DEVICE), m.start()) else m.group()

    return SERIES.sub(left, text)


def unit_digits(text: str) -> str:
    """A text with the numbers that may name units as digits: read out, dictated, or a single word beside a device."""
    text = in_digits(heard_in_digits(text))
    text = CUT.sub("ending in ", text) if ".." in text or "\u2026" in text else text
    if not SINGLE.search(text):
        return text
    text = AFTER_DEVICE.sub(lambda m: m.group(1) + digits([m.group(2).lower()]), text)
    return DOES_WORD.sub(lambda m: digits([m.group(1).lower()]), text)


@lru_cache(maxsize=10_000)
def numbers_said(said: str, text: str) -> tuple[tuple[str, str], ...]:
    """Numbers that can name a unit, surest first: (how they were said, the digits or the tag).

    In free text a number needs a sign that it names a unit, since most numbers there count people or minutes.
    """
    said, text = in_digits(said), unit_digits(text)
    has_digit = DIGIT.search(said + text)
    one = (
        [("numbered", f"{m.group(1)} {m.group(2)}") for m in NUMBERED.finditer(text)]
        if has_digit or ONE.search(text)
        else []
    )
    if not has_digit:
        return tuple(one)
    found: list[tuple[str, str]] = []
    for source in (said, text):
        found += [("name", bare_name(m.group())) for m in NAME.finditer(source) if re.search("[a-z]", m.group(), re.I)]
        found += [("tag", m.group(1) + m.group(2)) for m in TAG.finditer(source)]
        found += [("short", bare_name(m.group(1)) + " " + m.group(2).lstrip("0")) for m in SHORT.finditer(source)]
        if source == said and digits_of(said):
            found.append(("field", digits_of(said)))
    found += one
    found += [("does", m.group(1)) for m in DOING.finditer(text)]
    for how, form in (
        ("parts", PARTS),
        *(("text", form) for form in (ENDING, THE_ONE, STICKER, HASHED, AFTER_NOUN)),
        ("bare", BARE),
        ("lead", LEADING),
        ("pair", WHOLE_PAIR),
    ):
        for m in form.finditer(text):
            number = next((g for g in m.groups() if g), m.group())
            if not COUNT_UNIT.match(text, m.end()) and not (how == "pair" and BEFORE_COUNT.search(text, 0, m.start())):
                found.append((how, number))
    return tuple(found)
