"""Times told in words, brought to digits: "half past twelve" is 12:30, "quarter to two" 1:45, "noon" 12:00 pm."""

import re

from pipeline.normalise.word_lists import COUNT_WORDS

HOURS = {word: n for word, n in COUNT_WORDS.items() if 1 <= n <= 12}
MINUTES = {"five": 5, "ten": 10, "quarter": 15, "twenty": 20, "twenty five": 25, "half": 30}
HOUR = rf"(?P<hour>{'|'.join(HOURS)}|1[0-2]|[1-9])(?![\w:%-]|\s*(?:min|h(?:ou)?rs?\b|people|percent|pct|units?|left))"
PAST_OR_TO = re.compile(
    r"\b(?:a\s+)?(?P<minutes>half|quarter|twenty[\s-]five|twenty|ten|five)(?:\s+min(?:ute)?s?)?"
    rf"\s+(?P<side>past|after|to|till|before|of)\s+{HOUR}",
    re.I,
)
NOON = re.compile(
    r"\b(?:12\s+)?(?P<which>noon|midday|midnight)\b(?!\s+(?:road|rd|street|st|lane|ln|school|hall)\b)", re.I
)
WHOLE_HOUR = re.compile(
    r"\b(?P<lead>by|until|till?|etr|eta|expect(?:s|ed)?|(?:util\w*|co\w*|crew|they)\s+(?:now\s+)?sa(?:ys?|id))\s+"
    r"(?P<hour>1[0-2]|[1-9])(?P<clock>\s*o'?\s?clock)?(?=\s*(?:$|\.(?!\d)|[,;)!]))",
    re.I,
)
OCLOCK = re.compile(rf"\b{HOUR}\s*o'?\s?clock\b", re.I)


def in_digits(text: str) -> str:
    """A text with its told times in digits; what is no time ("five to ten people") stays."""
    text = NOON.sub(lambda m: "12:00 am" if m.group("which").lower() == "midnight" else "12:00 pm", text)
    text = PAST_OR_TO.sub(told_minutes, text)
    text = OCLOCK.sub(lambda m: f"{hour_of(m)}:00", text)
    return WHOLE_HOUR.sub(lambda m: f"{m.group('lead')} {m.group('hour')}:00", text)


def hour_of(found: re.Match[str]) -> int:
    """The hour of a match, told in a word or in digits."""
    told = found.group("hour").lower()
    return HOURS.get(told) or int(told)


def told_minutes(found: re.Match[str]) -> str:
    """ "Ten past one" as 1:10, "quarter to two" as 1:45."""
    minutes = MINUTES[re.sub(r"[\s-]+", " ", found.group("minutes").lower())]
    hour, side = hour_of(found), found.group("side").lower()
    if side in ("past", "after"):
        return f"{hour}:{minutes:02d}"
    if minutes == 30:  # nobody says "half to": "half of two" is a share
        return found.group(0)
    return f"{(hour - 2) % 12 + 1}:{60 - minutes:02d}"
