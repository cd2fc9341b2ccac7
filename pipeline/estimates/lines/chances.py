"""Chances of every particle: numbers of a site's seed, what they are for, the minute and the particle alone.

SplitMix64 (Steele, Lea & Flood 2014, "Fast splittable pseudorandom number generators") is a function of a counter: a
replay may begin anywhere, and a minute's chances cost less than the seeding of a generator with more state.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from pipeline.compiled import compiled

Array = NDArray[np.float32]
Ints = NDArray[np.int64]
Chances = NDArray[np.uint16]
Keys = NDArray[np.uint64]

# A particle's chances of one minute, before those of each scanner: for who comes; is served at check-in; leaves (and
# how large a group is); is half through a booth; is read; which station changes (and who turns to the emergency
# compartment); who is through a booth; the arrival rate's burst; whether a group comes (and what observations move)
(COMES, CHECKS, LEAVES, HALFWAY, READS, CHANGES, MARKS, BURSTS, EVENTS) = range(9)
COMMON = EVENTS + 1
TURN = 9973  # added to a chance where one serves twice: a prime, so that it falls elsewhere
WHOLE = 65536  # chances are 16-bit whole numbers: u stands for u / 65536
LEVELS = 1024  # of chance, in tables of quantiles: the top ten bits
SHIFT = 6  # the bits below
NORMALS = ndtri((np.arange(LEVELS) + 0.5) / LEVELS).astype(np.float32)  # quantiles of the normal distribution

GAMMA = np.uint64(0x9E3779B97F4A7C15)
FIRST, SECOND = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
ONE, THIRTY, TWENTY_SEVEN, THIRTY_ONE = np.uint64(1), np.uint64(30), np.uint64(27), np.uint64(31)
ROW = np.uint64(1 << 32)  # words between the first of one row and of the next
IN_A_WORD = 4


@compiled
def word(key: np.uint64, number: np.uint64) -> np.uint64:
    """The word of this number, from nought on, of the generator that begins with `key`."""
    z = key + (number + ONE) * GAMMA
    z = (z ^ (z >> THIRTY)) * FIRST
    z = (z ^ (z >> TWENTY_SEVEN)) * SECOND
    return z ^ (z >> THIRTY_ONE)


@compiled
def fill(words: Keys, keys: Keys, purpose: int, minute: int, rows: Ints) -> None:
    """Draw the words of one minute, in place: the first `rows` of each site.

    Parameters
    ----------
    words : sites x rows x words
    keys, rows : of each site: its seed, and how many rows it needs
    purpose : keeps chances for one thing apart from those for another
    """
    for s in range(words.shape[0]):
        key = word(word(keys[s], np.uint64(purpose)), np.uint64(minute))
        for row in range(rows[s]):
            first, own = np.uint64(row) * ROW, words[s, row]
            for k in range(len(own)):
                own[k] = word(key, first + np.uint64(k))


def room(sites: int, rows: int, particles: int) -> Keys:
    """Words for so many chances, four to a word."""
    return np.zeros((sites, rows, -(-particles // IN_A_WORD)), np.uint64)


def cut(words: Keys, particles: int) -> Chances:
    """The chances in words, the lowest bits first, on any machine: ... x particles."""
    return np.asarray(words.astype("<u8", copy=False).view("<u2")[..., :particles])


def drawn(seeds: list[int], purpose: int, minute: int, rows: int, particles: int) -> Chances:
    """Chances of one minute for one purpose: sites x rows x particles."""
    words = room(len(seeds), rows, particles)
    fill(words, np.array(seeds, np.uint64), purpose, minute, np.full(len(seeds), rows))
    return cut(words, particles)


def normals(chances: Chances) -> Array:
    """Standard normal numbers, one a chance, at the middle of one of LEVELS equal steps of chance."""
    return np.asarray(NORMALS[chances >> SHIFT])


def event_rng(seed: int, minute: int, purpose: int) -> np.random.Generator:
    """Randomness for one rare event of one site, which may need any distribution."""
    return np.random.Generator(np.random.PCG64([seed, 77, minute % 2**32, purpose]))


@dataclass(frozen=True)
class Draw:
    """The chances of one minute: sites x rows x particles."""

    rows: Chances

    def of(self, row: int) -> Chances:
        """One chance a particle: sites x particles."""
        return self.rows[:, row]

    def repeated(self, times: int) -> "Draw":
        """The same chances for so many copies of the sites."""
        return Draw(np.tile(self.rows, (times, 1, 1)))


class Draws:
    """Chances of the sites minute after minute: the COMMON ones, and one for each of a site's scanners."""

    def __init__(self, seeds: list[int], particles: int, scanners: Ints, purpose: int) -> None:
        self.keys, self.rows, self.purpose = np.array(seeds, np.uint64), COMMON + scanners, purpose
        self.particles = particles
        self.words = room(len(seeds), COMMON + int(scanners.max(initial=0)), particles)

    def at(self, minute: int) -> Draw:
        """The chances of one minute; they hold until the next is drawn."""
        fill(self.words, self.keys, self.purpose, minute, self.rows)
        return Draw(cut(self.words, self.particles))
