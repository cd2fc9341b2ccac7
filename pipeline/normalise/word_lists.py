"""Lists of words written as running text."""


def words_of(text: str) -> tuple[str, ...]:
    """The words of a list, in order."""
    return tuple(text.split())
