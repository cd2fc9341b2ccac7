"""What of a text is told in passing: history, what is settled, what goes well, what the call is not about.

Callers who tell a story name troubles that they do not call about: "the jam of this morning is cleared, but now the box
is full". Such clauses stay readable, for the thing they name may be what "it" means later, but count for little.
"""

import re
from collections.abc import Sequence

ASIDE = 0.25  # share of its weight that a clause told in passing keeps: our choice
ENDS = re.compile(r"[.;!?\n|]")
TURNS = re.compile(r"\b(?:but|however)\b")
NOW = re.compile(
    r"\b(?:now|today|tonight|still|currently|at the moment|this (?:time|morning|afternoon|evening)|since|as of"
    r"|(?:calling|phoning|here) (?:about|because|for)|trouble is|problem is|thing is|what happens)\b"
)
PAST = re.compile(
    r"\b(?:yesterday|(?:the )?other (?:day|week|time)|used to|back then|in (?:my|those|the old) days?|remember"
    r"|last (?:time|night|week|month|year|election|primary|spring|summer|fall|autumn|winter|november|june)"
    r"|(?:days?|weeks?|months?|years?|elections?) (?:ago|before|back)"
    r"|(?:in|since|at|for|from) (?:the )?(?:last )?(?:primar(?:y|ies)|runoff|midterms?|spring|summer|fall|autumn|winter"
    r"|january|february|march|april|may|june|july|august|september|october|training)"
    r"|earlier|at first|had (?:been|a|an|the|that|this|some)\b.{0,40}\b(?:already|before))\b"
)
SETTLED = re.compile(
    r"(?<!not )(?<!cant be )(?<!isnt )(?<!hasnt been )(?<!wont be )(?<!be )(?<!to be )(?<!never )\b"
    r"(?:sorted|resolved|solved|fixed|handled|cleared|taken care of|dealt with"
    r"|(?:is|are|was|were|thats|its|all) over(?! \w)|back to normal|all set"
    r"|(?:working|fine|ok|okay|good|running|up) (?:again|now)"
    r"|(?:power|lights?|electricity|current|juice)\b.{0,20}\b(?:came|is|are|was) (?:right )?back)\b"
)
UNTIL = re.compile(r"\b(?:before|until|till|til|when|if|once|unless|cant|wont|hasnt|doesnt)\b")  # not settled then
WELL = re.compile(
    r"(?<!not )(?<!isnt )(?<!hardly )(?<!never )\b(?:good as gold|lovely|like a charm|all (?:fine|good|well"
    r"|signed|here)|no (?:trouble|problems?|complaints?|worries)|nothing (?:wrong|broken)"
    r"|(?:went|going|goes|gone|running|runs|ran|works?|worked|working|counted|counts|is|are|was|were|been|all|just)"
    r" (?:\w+ )?(?:fine|well|great|smooth(?:ly)?|nice(?:ly)?|perfect(?:ly)?"
    r"|okay|ok|alright|good|ready)"
    r"|other (?:one|machine|unit|\w*book|scanner|tablet)s? (?:\w+ ){0,5}(?:ok|okay|fine|good|well|alright))\b"
    r"(?! (?:to|until|till|enough))"
)
DISMISSED = re.compile(
    r"\b(?:not|isnt) (?:calling|phoning|complaining|here|worried) (?:about|because|for)\b"
    r"|\b(?:isnt|not) (?:that|it|this)\s*$|\bnothing (?:like|to do with) (?:that|this|it)\b"
    r"|\b(?:isnt|not) (?:what|why) (?:im|i am|we|were) (?:calling|phoning)\b"
    r"|\b(?:it|this) isnt (?:the|my|our) \w+|\bneither\b.{0,30}\bis (?:the|a) (?:trouble|problem|issue)\b"
)
# "Caller Ann Reed, chief judge, states that": who calls says nothing of what is wrong.
INTRODUCED = re.compile(
    r"^\W*(?:caller|clr)\b[^.;:!?]{0,70}?\b(?:states?|stated|sts|says?|said|reports?|reported|called about"
    r"|calling about|calling back (?:on|about))\b(?: that\b)?",
    re.I,
)
REACHES_BACK = re.compile(r"\b(?:it|that|thats|this|those|them|its|theyre)\b|^\W*(?:so )?(?:all )?\w+\W*$")


def without_caller(text: str) -> str:
    """A text without who calls, where an agent has written that first."""
    return INTRODUCED.sub("", text)


def shares(parts: Sequence[tuple[str, str]]) -> list[float]:
    """How much each clause counts: 1, or `ASIDE` where it is told in passing; all 1 where all of a text is.

    Parameters
    ----------
    parts : what stands before each clause (a comma, "but", nothing), and the clause, tidied
    """
    out: list[float] = []
    is_past, begun = False, 0  # whether the story is of another day, and the clause where it took its last turn
    for i, (before, clause) in enumerate(parts):
        is_now = bool(NOW.search(clause))
        if ENDS.search(before) or TURNS.search(before) or is_now:
            is_past = False
            begun = begun if is_now and not ENDS.search(before) and not TURNS.search(before) else i
        settled = bool(SETTLED.search(clause)) and not UNTIL.search(clause)
        dismissed = bool(DISMISSED.search(clause))
        is_past = is_past or (not is_now and bool(PAST.search(clause)))
        if (settled or dismissed) and REACHES_BACK.search(clause):
            out[begun:] = [ASIDE] * (len(out) - begun)
        out.append(ASIDE if is_past or settled or dismissed or WELL.search(clause) else 1.0)
    return out if any(share == 1.0 for share in out) else [1.0] * len(out)
