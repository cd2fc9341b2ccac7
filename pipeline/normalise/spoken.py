"""Numbers read out word by word: "eighty two oh five" is 8205, "station two two" is station 22."""

import re

from pipeline.normalise.word_lists import COUNT_WORDS

ONES = {w: str(n) for w, n in COUNT_WORDS.items() if n < 10} | {"oh": "0"}
TEENS = {w: str(n) for w, n in COUNT_WORDS.items() if 10 <= n < 20}
TENS = {w: str(n) for w, n in COUNT_WORDS.items() if n >= 20}
WORD = "|".join((*ONES, *TEENS, *TENS))
RUN = re.compile(rf"\b(?:{WORD})(?:[\s-]+(?:{WORD}))+\b(?!\s+(?:hundred|thousand))", re.I)

HUNDRED = re.compile(rf"\b(?:({WORD}|a)[\s-]+)?hundred[\s-]+(?:and[\s-]+)?((?:{WORD})(?:[\s-]+(?:{WORD}))?)\b", re.I)


def of_hundreds(hundreds: str | None, rest: str) -> str:
    """The number that "four hundred and five" says."""
    first = digits([hundreds.lower()]) if hundreds and hundreds.lower() != "a" else "1"
    return str(100 * int(first) + int(digits(re.split(r"[\s-]+", rest.lower()))))


def in_digits(text: str) -> str:
    """A text with two or more number words in a row as the digits that they read out; a single one stays."""
    text = HUNDRED.sub(lambda m: of_hundreds(m.group(1), m.group(2)), text) if "hundred" in text.lower() else text
    return RUN.sub(lambda m: digits(re.split(r"[\s-]+", m.group(0).lower())), text)


def digits(words: list[str]) -> str:
    """The digits that number words read out, one after the other: a ten and a one after it are one number."""
    out, ten = "", False  # whether the word before was a ten, whose 0 a one replaces
    for word in words:
        if word in TENS:
            out += TENS[word]
        elif word in ONES and ten and word not in ("zero", "oh"):
            out = out[:-1] + ONES[word]
        else:
            out += ONES.get(word) or TEENS[word]
        ten = word in TENS
    return out
