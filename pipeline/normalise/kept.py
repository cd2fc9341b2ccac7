"""What is made of a roster, kept while the roster stays the same: a call then need not wait for all the county's words.

Everything kept is a function of the content of its frames, or of its key, alone: it says the same as one made anew.
"""

import threading
from collections.abc import Callable, Hashable
from functools import wraps
from typing import ParamSpec, TypeVar

import polars as pl

MOST = 10_000  # answers remembered by key before they are all forgotten [count]: our choice
Made = TypeVar("Made")
Key = TypeVar("Key", bound=Hashable)
Frames = ParamSpec("Frames")


def kept(most: int) -> Callable[[Callable[Frames, Made]], Callable[Frames, Made]]:
    """Makes a thing of frames once as long as these are the same, row for row; nobody may change what it gives.

    Parameters
    ----------
    most : how many things are kept, those asked for last [count]
    """

    def decorate(make: Callable[Frames, Made]) -> Callable[Frames, Made]:
        memory: list[tuple[tuple[pl.DataFrame, ...], Made]] = []
        lock = threading.Lock()

        @wraps(make)
        def remembering(*args: Frames.args, **named: Frames.kwargs) -> Made:
            frames: tuple[pl.DataFrame, ...] = args  # type: ignore[assignment]
            with lock:
                known = next((entry for entry in memory if are_same(entry[0], frames)), None)
            made = (frames, make(*args, **named)) if known is None else known
            with lock:
                memory[:] = [made, *(entry for entry in memory if entry is not made)][:most]
            return made[1]

        return remembering

    return decorate


def are_same(some: tuple[pl.DataFrame, ...], others: tuple[pl.DataFrame, ...]) -> bool:
    """Whether frames have the same columns, types and rows, in the same order."""
    pairs = list(zip(some, others, strict=True))
    return all(a is b or a.schema == b.schema for a, b in pairs) and all(a is b or a.equals(b) for a, b in pairs)


def remembered(memory: dict[Key, Made], key: Key, make: Callable[[], Made]) -> Made:
    """What stands under a key, made where nothing does; a full memory is emptied first."""
    found = memory.get(key)
    if found is None:
        if len(memory) >= MOST:
            memory.clear()
        found = memory[key] = make()
    return found
