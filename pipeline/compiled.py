"""Loops over numbers, compiled by numba at their first call and kept on disk for the next process.

The compiled code is kept beside the module, else in the user's cache folder; where neither can be written to, as on a
read-only installation without a home, it is compiled anew by each process (some seconds).
"""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Loop = TypeVar("Loop", bound=Callable[..., Any])


def compiled(loop: Loop) -> Loop:
    """The function compiled without the interpreter's lock, so that threads run side by side.

    No reordering of sums and no contraction: the numbers are those of the arithmetic as it is written.
    """
    return made(loop, is_inner=False)


def inner(loop: Loop) -> Loop:
    """The same for a function that compiled ones alone call.

    It has no way in from Python: where many tables are handed on, that takes a fifth of the time of compiling.
    """
    return made(loop, is_inner=True)


def made(loop: Loop, is_inner: bool) -> Loop:
    """The function compiled, and kept on disk where there is a folder for it."""
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    if is_inner:
        options |= {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
    try:
        found = numba.njit(loop, cache=True, **options)
    except RuntimeError:  # numba finds no folder for its cache
        found = numba.njit(loop, **options)
    return cast(Loop, found)
