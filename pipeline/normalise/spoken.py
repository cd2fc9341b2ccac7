"""Numbers read out word by word: "eighty two oh five" is 8205, "station two two" is station 22."""

import re

from pipeline.normalise.word_lists import COUNT_WORDS

ONES = {w: str(n) for w, n in COUNT_WORDS.items() if n < 10} | {"oh": "0"}
TEENS = {w: str(n) for w, n in COUNT_WORDS.items() if 10 <= n < 20}
TENS = {w: str(n) for w, n in COUNT_WORDS.items() if n >= 20}
WORD = "|".join((*ONES, *TEENS, *TENS))
RUN = re.compile(rf"\b(?:{WORD})(?:[\s-]+(?:{WORD}))+\b(?!\s+(?:hundred|thousand))", re.I)

HUNDRED = re.compile(rf"\b(?:({WORD}|a)[\s-]+)?hundred[\s-]+(?:and[\s-]+)?((?:{WORD})(?:[\s-]+(?:{WORD}))?)\b", re.I)
NINER = re.compile(r"\bniner\b", re.I)  # as read out on the radio
TWICE = re.compile(rf"\b(double|triple)[\s-]+({'|'.join(ONES)})\b", re.I)  # "double oh seven"
# Numbers as dictation writes them, in a number that is read out digit by digit.
HEARD_AS = {"to": "two", "too": "two", "for": "four", "fore": "four", "won": "one", "ate": "eight", "o": "oh"}
HEARD = rf"(?:{'|'.join(ONES)}|{'|'.join(HEARD_AS)})"
HEARD_RUN = re.compile(rf"\b{HEARD}(?:[\s-]+{HEARD}){{2,}}\b", re.I)
FEWEST_HEARD = 4  # such words of which three or more are numbers: our choice


def heard_in_digits(text: str) -> str:
    """A text in which what dictation made of the digits of a read-out number is put right: "one for oh eight"."""

    def put_right(found: re.Match[str]) -> str:
        words = re.split(r"[\s-]+", found.group().lower())
        enough = len(words) >= FEWEST_HEARD and sum(w in ONES for w in words) >= FEWEST_HEARD - 1
        return " ".join(HEARD_AS.get(w, w) for w in words) if enough else found.group()

    return HEARD_RUN.sub(put_right, text)


def of_hundreds(hundreds: str | None, rest: str) -> str:
    """The number that "four hundred and five" says."""
    first = digits([hundreds.lower()]) if hundreds and hundreds.lower() != "a" else "1"
    return str(100 * int(first) + int(digits(re.split(r"[\s-]+", rest.lower()))))


def in_digits(text: str) -> str:
    """A text with two or more number words in a row as the digits that they read out; a single one stays."""
    lower = text.lower()
    if "niner" in lower:
        text = NINER.sub("nine", text)
    if "double" in lower or "triple" in lower:
        text = TWICE.sub(lambda m: " ".join([m.group(2)] * (2 if m.group(1).lower() == "double" else 3)), text)
    text = HUNDRED.sub(lambda m: of_hundreds(m.group(1), m.group(2)), text) if "hundred" in lower else text
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
