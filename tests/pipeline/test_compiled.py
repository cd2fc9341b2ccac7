"""Compiled loops give the numbers of plain ones, also where their code cannot be kept."""

import numba
import numpy as np
import pytest

from pipeline.compiled import compiled
from pipeline.estimates.lines import windows


def test_a_loop_is_compiled_also_where_its_code_cannot_be_kept():
    space: dict = {}
    exec(compile("def twice(x):\n    return 2 * x\n", "<nowhere>", "exec"), space)
    with pytest.raises(RuntimeError):  # numba finds no place for its cache
        numba.njit(space["twice"], cache=True)
    assert compiled(space["twice"])(4.5) == 9.0


def test_compiled_numbers_are_those_of_the_plain_loop_bit_for_bit():
    rng = np.random.default_rng(7)
    total, share, edges = rng.uniform(0, 90, 50), rng.choice([0.0, 0.5, 1.0], 50), rng.uniform(0, 9, 51)
    ours, plain = windows.misfits(total, share, edges, 0.15), windows.misfits.py_func(total, share, edges, 0.15)
    assert all(np.array_equal(a, b) for a, b in zip(ours, plain, strict=True))
