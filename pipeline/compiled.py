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
    try:
        made = numba.njit(loop, cache=True, nogil=True, error_model="numpy")
    except RuntimeError:  # numba finds no folder for its cache
        made = numba.njit(loop, nogil=True, error_model="numpy")
    return cast(Loop, made)
