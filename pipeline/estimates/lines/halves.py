"""States in half precision (IEEE 754): what a replay goes on with at a checkpoint, and what is kept of it.

Whole numbers up to EXACT lose nothing, logs and misfits half a part in a thousand. Rounding is part of the replay, so
that one which begins at a checkpoint gives the very numbers of one that came through it. Worked out on the bits of
single precision, as numpy's own conversion takes ten times as long.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.estimates.lines.filter import Array, Floats, Ints

Halves = NDArray[np.uint16]  # the bits of numbers in half precision

EXACT = 2048  # whole numbers up to this are themselves in half precision
DIGITS = np.int32(23 - 10)  # binary digits that half precision has fewer
BIAS = np.int32((127 - 15) << 10)  # its exponents are counted from another number
SIZE, SIGN = np.int32(0x7FFFFFFF), np.int32(0x8000)
HALF_A_STEP, KEPT = np.int32(1 << 12), np.int32(-(1 << 13))
MOST, LEAST = np.array([EXACT, np.finfo(np.float16).tiny], np.float32).view(np.int32)


@compiled
def round_off(z: Array, logw: Floats) -> None:
    """Round states to half precision and weights to single, in place; numbers above EXACT stay as they are."""
    bits = z.view(np.int32)
    for row in range(z.shape[0]):
        for s in range(z.shape[1]):
            own = bits[row, s]
            for i in range(len(own)):
                size, rounded = own[i] & SIZE, (own[i] + HALF_A_STEP) & KEPT
                own[i] = own[i] if size > MOST else (rounded if size >= LEAST else np.int32(0))
    for part in range(logw.shape[0]):
        for s in range(logw.shape[1]):
            for i in range(logw.shape[2]):
                logw[part, s, i] = np.float32(logw[part, s, i])


def packed(z: Array, rows: Ints, s: int) -> Array | Halves:
    """One site's rounded states: in half precision where all of them fit."""
    bits, fits = halved(z, rows, s)
    return bits if fits else z[rows, s]


def put_back(z: Array, rows: Ints, s: int, kept: Array | Halves) -> None:
    """Put one site's states back, in place."""
    if kept.dtype == np.float32:
        z[rows, s] = kept
    else:
        widen(z, rows, s, kept.view(np.uint16))


@compiled
def halved(z: Array, rows: Ints, s: int) -> tuple[Halves, bool]:
    """One site's rounded states in half precision; and whether they fit."""
    bits, found, fits = z.view(np.int32), np.empty((len(rows), z.shape[2]), np.uint16), True
    for k in range(len(rows)):
        own = bits[rows[k], s]
        for i in range(len(own)):
            size = own[i] & SIZE
            fits &= size <= MOST
            half = (size >> DIGITS) - BIAS if size else size
            found[k, i] = np.uint16(half | ((own[i] >> 16) & SIGN))
    return found, fits


@compiled
def widen(z: Array, rows: Ints, s: int, kept: Halves) -> None:
    """Put one site's states back from half precision, in place."""
    bits = z.view(np.int32)
    for k in range(len(rows)):
        own = bits[rows[k], s]
        for i in range(len(own)):
            half = np.int32(kept[k, i])
            size = half & (SIGN - 1)
            own[i] = ((size + BIAS) << DIGITS if size else size) | ((half & SIGN) << 16)
