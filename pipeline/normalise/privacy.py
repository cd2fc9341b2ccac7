"""Masks telephone numbers, e-mail addresses and people's names in free text before it enters the log.

A log never identifies a voter: VVSG 2.0 (EAC, 2021) 15.1-C. Callers and workers are kept out of it for the same
reason. What is masked depends on the row alone (its text and its own caller), so that the same row gives the same
log entry on every machine. A mark stays readable: `[phone]`, `[email]`, `[name]`.
"""

import re
from collections.abc import Sequence
from functools import lru_cache

from pipeline.normalise.name_words import (
    GIVEN,
    NOT_NAMES,
    OF_PLACES,
    ORDINARY,
    ROLES,
    is_plain_word,
    ordinary_words,
)
from pipeline.normalise.word_lists import words_of

PHONE, EMAIL, NAME = "[phone]", "[email]", "[name]"
# Words of a header under which an export keeps people, and words that say it names something else.
OF_PEOPLE = re.compile(
    r"\b(?:name|names|caller|called|contact|person|people|by|phone|ph|tel|telephone|mobile|cell|callback|email|mail|worker"
    r"|witness|voter|reporter|requester|requestor|submitter|operator|agent|taker|clerk|judge|officer|initials|signed"
    r"|signature|first|last|surname)\b"
)
OF_THINGS = re.compile(
    r"\b(?:site|place|location|precinct|county|unit|device|file|style|event|facility|building|room|address|part|category"
    r"|at|time|date|type|status)\b"
)


GAP = r"(?:\s?[-./\u2010-\u2015\u00b7]\s?|\s)"
EMAIL_FORM = re.compile(r"[\w.+'-]+@[\w-]+(?:\.[\w-]+)*")
EXTENSION = r"(?:,?\s*(?:x|ext|extn|extension)\.?\s*:?#?\s*\d{2,6}\b)"
LONG_DIGITS = (
    r"(?:\+\d[\d\s().\u2010-\u2015-]{7,16}\d"  # +1 555 555 0142, +44 20 …
    rf"|(?:1{GAP}?)?\(\s?\d{{3}}\s?\){GAP}?\d{{3}}{GAP}?\d{{4}}"  # (555) 555-0142
    rf"|(?:1{GAP})?[2-9]\d{{2}}{GAP}[2-9]\d{{2}}{GAP}?\d{{4}}"  # 555.555.0142, 555 555 0142, 555-5550142
    r"|1?[2-9]\d{2}[2-9]\d{6})"  # 5555550142
)
LONG_PHONE = re.compile(rf"(?<![\w.-]){LONG_DIGITS}(?![\d:]){EXTENSION}?")
# Seven digits with a dash or a dot; the exchange of a North American number never starts with 0 or 1 (NANP).
SHORT_DIGITS = r"([2-9]\d{2}(?:\s?[-\u2010-\u2015\u00b7]\s?|\.)\d{4})"
SHORT_PHONE = re.compile(rf"(?<![\w.:/-]){SHORT_DIGITS}(?![\d:/-]|\.\d){EXTENSION}?")
BARE_DIGITS = r"([2-9]\d{2}\s?\d{4})"
BARE_PHONE = re.compile(rf"(?<![\w.:/-]){BARE_DIGITS}(?![\d:/-]|\.\d){EXTENSION}?")
# "x0179" and "ext 12": a bare x takes three digits, so that "x2" stays a count.
EXTENSION_ALONE = re.compile(r"(?<![\w-])(?:x\.?\s?\d{3,5}|(?:ext|extn|extension)\.?\s*:?#?\s*\d{2,6})\b", re.I)
DIGIT_WORD = r"(?:zero|oh|one|two|three|four|five|six|seven|eight|nine)"
SPOKEN_PHONE = re.compile(rf"\b{DIGIT_WORD}(?:[\s,-]+{DIGIT_WORD}){{6,}}\b", re.I)
PHONE_SAID = re.compile(
    r"(?:\b(?:call(?:s|ed|ing)?(?:\s?back)?|callback|cb|c/b|ph|phone|tel|telephone|cell|mobile|mob|number|num|nbr"
    r"|dial"
    r"|reach|text|txt|fax|contact|rtn|ring|line\s+is)\b|#|\[name\])[^.;!?\d]{0,24}$",
    re.I,
)
COUNTED_FORM = (  # what numbers other than telephones belong to
    r"(?:\b(?:seals?|tags?|serial|ser|sn|s/n|asset|case|ticket|unit|scanner|scnr|printer|machine|card|bin|box|bag"
    r"|lock"
    r"|pct|pcts|precincts?|ballots?|ref|order|total|count(?:er|ed)?|tape)\b|\bno\b)\W*(?:(?:no|number|num|nr|is|was"
    r"|now|at|of"
    r"|it|says|reads|shows|on|the)\W+){0,4}(?:\d+\W+(?:and|to|or|&)?\W*)?$"
)
# The last word before the digits, wherever that form fits: what is counted, or a word between it and its number.
LEADS_TO_DIGITS = frozenset(
    words_of(
        """seal seals tag tags serial ser sn s n asset case ticket unit scanner scnr printer machine card bin box bag
    lock pct pcts precinct precincts ballot ballots ref order total count counter counted tape no number num nr is was
    now at of it says reads shows on the and to or"""
    )
)
# In small letters by itself: a search that minds case is four times as fast, and most texts are plain.
COUNTED, COUNTED_ANY_CASE = re.compile(COUNTED_FORM), re.compile(COUNTED_FORM, re.I)
PHONE_AFTER = re.compile(r"\W{1,3}(?:call|cb|c/b|is my|my cell|cell|text me)\b", re.I)
COUNT_AFTER = re.compile(r"\s*(?:ballots?|voters?|people|ppl|sheets?|heads|in line|counted|total)\b", re.I)

TITLES = r"(?:Mr|Mrs|Ms|Miss|Mx|Dr|Rev|Sgt|Cpl|Lt|Capt|Officer|Ofc|Deputy|Father|Sister|Pastor|Fr|Sr)\.?"
PART = r"(?:[A-Z]\.|[A-Z][a-z]+(?:['\u2019-][A-Z]?[a-z]+)*|(?:Mc|Mac|O['\u2019]|De|Van|La)[A-Z][a-z]+)"
FULL = rf"{PART}(?:,?\s{PART}){{0,2}}"
LEAD_IN = re.compile(
    r"\b((?:[Cc]aller(?:\s(?:is|was|name|name\sis))?|[Aa]sk(?:ed)?\s(?:for|4)|[Tt]his\sis|[Mm]y\sname\sis"
    r"|[Nn]ame(?:\sis)?"
    r"|[Ss]poke(?:n)?\s(?:w/|with|to)|[Ss]pk\sw/|[Tt]alk(?:ed)?\s(?:to|with|w/)|[Pp]er|[Cc]ontact|[Aa]ttn|c/o"
    r"|[Rr]eported\sby|[Cc]alled\s(?:in\s)?by|[Ss]igned|[Rr]egards|[Tt]hanks|[Tt]hank\syou|[Cc]all(?:\sback)?"
    rf"|[Vv]oter|[Jj]udge|[Cc]hief|[Cc]lerk|[Rr]over|{TITLES})[:,]?\s+(?:(?:[Jj]udge|[Cc]hief|[Cc]lerk|[Rr]over"
    rf"|[Tt]he|{TITLES})\s+)*)"
    rf"({FULL})"
)
GREETED = re.compile(rf"\b([Hh]i[:,]?\s+)({FULL})")
BEFORE_VERB = re.compile(
    rf"({FULL})(?=\s+(?:calling|called\s(?:in|back|from|to)|called\b|on\sthe\sline"
    rf"|is\scalling))"
)
BEFORE_PHONE = re.compile(rf"({FULL})(?=[\s,:(-]+\[(?:phone|email)\])")
SIGNATURE = re.compile(
    rf"(?<=[.!?,;)\s])([-\u2013\u2014]{{1,2}}\s?)({PART}(?:\s{PART}){{1,2}})(?=\s*$)"
)  # "… - Jo Moss" at the end
SPEAKER = re.compile(rf"^(\s*)({PART}(?:\s{PART}){{1,2}})(?=:\s)")  # "Jo Moss: …" at the beginning
BETWEEN = r"(?:[,.]?\s(?:[A-Z]\.\s?)?|[-/])"  # two marks that belong together
RUN = re.compile(rf"(?:[A-Z]\.?\s)?\[name\](?:{BETWEEN}\[name\])+(?:,?\s[A-Z]\.?(?=$|[\s,;.]))?")
INITIAL = re.compile(r"\b[A-Za-z]\.\s?(?=\[name\])")


def is_of_people(header: str) -> bool:
    """Whether a column that nobody mapped looks as though it holds people's names or numbers, by its header."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", header)
    words = re.sub(r"[\W_]+", " ", spaced).lower()
    return bool(OF_PEOPLE.search(words)) and not OF_THINGS.search(words)


def mask_texts(texts: Sequence[str | None], names: Sequence[str | None]) -> list[str | None]:
    """Each text with its telephone numbers, e-mail addresses and names masked.

    Parameters
    ----------
    texts : free text as received
    names : for each text, that row's own caller or worker; None where the text should keep every word that is not
        plainly a telephone number, an e-mail address or an introduced name

    Source
    ------
    VVSG 2.0 (EAC, 2021) 15.1-C: logs hold nothing that identifies a voter.
    """
    return [mask(text, name) if text else text for text, name in zip(texts, names, strict=True)]


def mask(text: str, name: str | None = None) -> str:
    """One text, masked. `masking.mask_column` takes the same steps, whole columns at a time."""
    text = mask_phones(mask_own(text, name))
    if not text.isupper():
        text = mask_introduced(text)
    return mask_runs(text)


def mask_own(text: str, name: str | None) -> str:
    """A text without e-mail addresses and the row's own caller."""
    if "@" in text:
        text = EMAIL_FORM.sub(EMAIL, text)
    return mask_own_name(text, name) if name else text


def mask_runs(text: str) -> str:
    """A text in which marks of names that belong together are one."""
    return RUN.sub(NAME, INITIAL.sub("", text)) if NAME in text else text


def mask_phones(text: str) -> str:
    """A text without telephone numbers; ids, times, counts and seals stay."""
    text = mask_spoken(text)
    if not any(map(str.isdigit, text)):
        return text
    return mask_extensions(mask_short(mask_long(text)))


def mask_spoken(text: str) -> str:
    """A text without numbers said digit by digit."""
    return SPOKEN_PHONE.sub(PHONE, text)


def mask_long(text: str) -> str:
    """A text without numbers that carry their area."""
    return LONG_PHONE.sub(PHONE, text)


def mask_short(text: str) -> str:
    """A text without numbers of seven digits."""
    return mask_bare(mask_dashed(text))


def mask_dashed(text: str, start: int = 0) -> str:
    """A text without numbers of seven digits that a dash or a dot parts; none begins before `start`."""
    parts, end = [], 0
    for found in SHORT_PHONE.finditer(text, start):
        parts += [text[end : found.start()], mask_unless_counted(found, needs_phone_word=False)]
        end = found.end()
    return "".join([*parts, text[end:]]) if end else text


def mask_bare(text: str) -> str:
    """A text without numbers of seven digits in a row, or parted by a blank."""
    return BARE_PHONE.sub(lambda m: mask_unless_counted(m, needs_phone_word=True), text)


def mask_extensions(text: str) -> str:
    """A text without extensions that stand alone."""
    return EXTENSION_ALONE.sub(PHONE, text)


def mask_unless_counted(found: re.Match[str], needs_phone_word: bool) -> str:
    """The mark, or the digits themselves where the words around them say that they count or name something else."""
    before = found.string[max(0, found.start() - 48) : found.start()]
    if is_counted(before) or COUNT_AFTER.match(found.string, found.end()):
        return found.group(0)
    # 555-01xx is never a working number, so that digits of that form are a telephone number wherever they stand.
    if not needs_phone_word or found.group(1).replace(" ", "").startswith("55501"):
        return PHONE
    said = PHONE_SAID.search(before) or PHONE_AFTER.match(found.string, found.end())
    return PHONE if said else found.group(0)


def is_counted(before: str) -> bool:
    """Whether the words before digits say that they count or name something."""
    last = before[before.rfind(" ") + 1 :] or before.rstrip(" ").rpartition(" ")[2]
    if last.isascii() and last.isalpha() and last.lower() not in LEADS_TO_DIGITS:
        return False  # the last word decides for most, and is found faster
    return bool(COUNTED.search(before.lower()) if before.isascii() else COUNTED_ANY_CASE.search(before))


def own_parts(name: str) -> list[str]:
    """The parts of a caller's name that a text is searched for: three letters and more, roles left out."""
    parts = [p for p in re.findall(r"[^\W\d_]+(?:['\u2019-][^\W\d_]+)*", name) if p.lower() not in ROLES]
    parts += [half for p in parts for half in re.split(r"['\u2019-]", p) if half != p]
    return sorted({p.lower() for p in parts if len(p) >= 3 and p.lower() not in ROLES}, key=lambda p: (-len(p), p))


@lru_cache(maxsize=4096)
def needles(name: str) -> tuple[str, ...]:
    """Small texts of which one stands in every text that `mask_own_name` changes, case aside."""
    return (*own_parts(name), *(one.lower() for one in people(name) if signed_form(one)))


def people(names: str) -> list[str]:
    """The people of a row, `;` between: its caller, and whoever another of its columns names."""
    return [one for part in names.split(";") if (one := part.strip())]


@lru_cache(maxsize=4096)
def own_name_form(name: str) -> re.Pattern[str] | None:
    """What finds a caller's own name in a text."""
    parts = own_parts(name)
    if not parts:
        return None
    plain = [re.escape(p) for p in parts if p not in ORDINARY]
    every = "|".join(re.escape(p) for p in parts)
    forms = [rf"(?:{every})(?:[.,]?\s+(?:[a-z]\.?\s+)?(?:{every}))+(?!\w)", rf"{TITLES}\s+(?:{every})(?!\w)"]
    forms += [rf"(?:{one})(?!\w)" for one in plain]
    return re.compile(rf"(?<![\w@])(?:{'|'.join(forms)})", re.I)


@lru_cache(maxsize=4096)
def signed_form(name: str) -> re.Pattern[str] | None:
    """What finds a caller's field word for word: two names anywhere, one where it signs: "(Jo)", "Jo x0179"."""
    words = name.strip()
    if not 2 <= len(words) <= 60 or not ROLES.isdisjoint(words.lower().replace(".", "").split()):
        return None
    own = re.escape(words)
    if " " in words and len(words) >= 5:
        return re.compile(rf"(?<![\w@]){own}(?!\w)", re.I)
    return re.compile(
        rf"(?<=[(;,-]){own}(?=\))|(?<=[-;,.] ){own}(?=\W*(?:$|[x\d(+[]|ext))|(?<=caller ){own}(?!\w)", re.I
    )


def mask_own_name(text: str, name: str) -> str:
    """A text without the row's own caller, and the others of its people."""
    for form in (*map(signed_form, people(name)), own_name_form(name)):
        text = form.sub(NAME, text) if form else text
    return text


def mask_introduced(text: str) -> str:
    """A text without names that its words introduce: "ask for X", "Mrs. X", "X calling", "X [phone]", "X: …"."""
    after = mask_before_verb(mask_greeted(mask_after_lead(text)))
    return mask_speaker(mask_before_phone(mask_signature(after)))


def mask_after_lead(text: str) -> str:
    """A text without names after words that lead up to one."""
    return LEAD_IN.sub(lambda m: m.group(1) + masked_if_name(m.group(2)), text)


def mask_greeted(text: str) -> str:
    """A text without names after "Hi"; a word that is none begins what is told there: "Hi, Half the hall is dark"."""

    def masked(found: re.Match[str]) -> str:
        lead, words = found.groups()
        return lead + (words if is_plain_word(words) else masked_if_name(words))

    return GREETED.sub(masked, text)


def mask_before_verb(text: str) -> str:
    """A text without names of those who are "calling"."""
    return BEFORE_VERB.sub(lambda m: masked_if_name(m.group(1)), text)


def mask_signature(text: str) -> str:
    """A text without the name that signs it."""
    return SIGNATURE.sub(lambda m: m.group(1) + masked_if_name(m.group(2)), text)


def mask_before_phone(text: str) -> str:
    """A text without names that stand before a masked number or address."""
    if PHONE not in text and EMAIL not in text:
        return text
    return BEFORE_PHONE.sub(lambda m: masked_if_name(m.group(1)), text)


def mask_speaker(text: str) -> str:
    """A text without the name of whoever it says is speaking; a place or a trouble before a colon stays."""
    return SPEAKER.sub(lambda m: m.group(1) + (NAME if is_person(m.group(2).split()) else m.group(2)), text)


def is_person(parts: list[str]) -> bool:
    """Whether none of some capitalised words is an ordinary word, of the trade or of places, but for a first name."""
    words = [part.lower().rstrip(".") for part in parts]
    rest = words[1:] if words[0] in GIVEN else words
    return not any(word in NOT_NAMES or word in OF_PLACES or word in ordinary_words() for word in rest)


def masked_if_name(words: str) -> str:
    """The mark for words that can be a name; words of the trade and of ordinary speech stay as they are."""
    parts = words.replace(",", " ").split()
    kept = 0
    while kept < len(parts) and parts[kept].lower().rstrip(".") in NOT_NAMES:
        kept += 1
    if kept == len(parts):
        return words
    if kept:  # "Clerk Office Maria": the words before the name stay
        head = " ".join(words.split()[:kept])
        return f"{head} {NAME}" if not place_like(parts[kept:]) else words
    return words if place_like(parts) else NAME


def place_like(parts: list[str]) -> bool:
    """Whether capitalised words end in a word of places or of the trade: "Oak Street", "Tamber Hall"."""
    return len(parts) > 1 and parts[-1].lower().rstrip(".") in NOT_NAMES
