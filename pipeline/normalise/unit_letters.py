"""Units named by a letter that stands by itself: "A fine, B upload failed", "zero report blank on B", "C jams too".

A letter counts only where a unit of the kind in trouble has it: at the end of its tag, as what the county calls it, or,
where none has letters, by the order of the roster (a guess, as "scanner 2" is). "A" is an article unless only a name
can stand there, and where all is in capitals. Common practice, no source.
"""

import re
from collections.abc import Sequence

from pipeline.normalise.unit_roster import Unit, id_of

UNORDERED = ("electronic-poll-book", "ballot-activation")  # numbered as they come out of their case
ALONE = re.compile(r"(?<![\w.'\u2019/-])([A-HJ-Z])(?!\w|['\u2019]|[-/]\w|\.\s?[A-Z][a-z])")  # no "A-L", no "B. Quan"
LOWER = re.compile(r"[a-z]")
BEGINS = re.compile(r"(?:^|[.;:!?,(\n&+/]|\b(?:and|but|now|so|while|then|or|nor|both|neither)\b)\s*$", re.I)
BESIDE = re.compile(
    r"\b(?:on|in|off|from|to|into|with|for|of|use|using|sent|restarted|rebooted|closed|unplugged|swapped|than)\s+$",
    re.I,
)
DOES = re.compile(  # what only a name can stand before: "B is", "A just says"
    r"\s+(?:is|was|has|had|isn'?t|wasn'?t|won'?t|will|can'?t|cannot|doesn'?t|does|didn'?t|did|keeps?|kept|says?|said|shows"
    r"|reads|just|still|also|never|took|takes|ate|eats|spits|kicks|rejects|refuses|hands|prints|sent|sends|failed|fails"
    r"|froze|stopped|beeps|went|goes|came|comes|needs|quit|died)\b",
    re.I,
)
IS_SO = re.compile(  # where "A" may be an article: "A jammed ballot"
    r"\s+(?:jam\w*|frozen|locked|dead|down|out|up|fine|ok|okay|good|works|working|tak(?:es|ing)|eating|kicking|stuck|blank"
    r"|dark|full|back|not|tape|upload\w*|refus\w+|reject\w+|print\w*|misfe\w+)\b",
    re.I,
)
ENDS = re.compile(r"\s*(?:$|[.;:!?,)\n&+/]|\b(?:and|but|or|nor|so|while|then|since)\b)", re.I)


def with_ids(here: Sequence[Unit], text: str, wanted: tuple[str, ...]) -> str:
    """A text in which letters that stand for units of the kind in trouble are written as their ids.

    Parameters
    ----------
    here : the units of the site
    wanted : the types of unit that the trouble is about
    """
    found = [m for m in ALONE.finditer(text) if m.group() != "A" or LOWER.search(text)]
    named = by_letter(here, wanted) if found else {}
    found = [m for m in found if m.group().lower() in named and is_name(text, m, is_sure=False)]
    has_other = any(m.group() != "A" for m in found)
    for m in reversed(found):
        if m.group() != "A" or has_other or is_name(text, m, is_sure=True):
            text = text[: m.start()] + id_of(named[m.group().lower()]) + text[m.end() :]
    return text


def is_name(text: str, m: re.Match[str], is_sure: bool) -> bool:
    """Whether a letter stands where a name may; where only a name can, if that is to be sure."""
    if BESIDE.search(text, 0, m.start()):
        return ENDS.match(text, m.end()) is not None
    forms = (DOES,) if is_sure else (DOES, IS_SO, ENDS)
    return BEGINS.search(text, 0, m.start()) is not None and any(form.match(text, m.end()) for form in forms)


def by_letter(here: Sequence[Unit], wanted: tuple[str, ...]) -> dict[str, Unit]:
    """The units of a kind by the letters that they are called by, each letter of one; else by the roster's order."""
    among = [u for u in here if u.type in wanted]
    called = [(letter, u) for u in among for letter in {*u.marks, *u.letters} if len(letter) == 1 and letter.isalpha()]
    letters = [letter for letter, _ in called]
    if called:
        return {letter: unit for letter, unit in called if letters.count(letter) == 1}
    ordered = [u for u in among if not u.is_spare and u.type not in UNORDERED]
    return {chr(ord("a") + n): unit for n, unit in enumerate(ordered)} if len(ordered) > 1 else {}


def place_of(among: Sequence[Unit], mark: str) -> str:
    """The letter of a place in a count, where units of a kind are called by letters from "a" on; else the number."""
    named = by_letter(among, tuple({u.type for u in among}))
    letters = [letter for letter, unit in named.items() if letter in {*unit.marks, *unit.letters}]
    in_order = [chr(ord("a") + n) for n in range(len(among))]
    return in_order[int(mark) - 1] if sorted(letters) == in_order and 0 < int(mark) <= len(among) else mark


def place_by_order(among: Sequence[Unit], letter: str) -> int:
    """The place in the roster's order that a letter counts, where no unit of the kind is called by one; 0 for none."""
    is_open = len(letter) == 1 and not any(u.letters for u in among)
    return ord(letter) - ord("a") + 1 if is_open else 0
