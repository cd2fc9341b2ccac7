"""Lists of words written as running text."""


def words_of(text: str) -> tuple[str, ...]:
    """The words of a list, in order."""
    return tuple(text.split())


ONES = words_of(
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen"
    " eighteen nineteen"
)
TENS = words_of("twenty thirty forty fifty sixty seventy eighty ninety")
COUNT_WORDS = {w: n for n, w in enumerate(ONES)} | {w: 10 * n for n, w in enumerate(TENS, 2)}
