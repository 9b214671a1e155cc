"""Chances counted over joint draws, on draws small enough to count by hand."""

from __future__ import annotations

import re

import numpy as np
import pytest

from washgrade.errors import InputError
from washgrade.sand.chances import chance_beats, expected_regret, rank_chances

# Four ways things may be, three reaches.
DRAWS = np.array([[3.0, 2.0, 1.0], [3.0, 1.0, 2.0], [1.0, 2.0, 4.0], [2.0, 2.0, 0.0]])


def test_chance_that_one_beats_another() -> None:
    # Better in two, worse in one, a tie in one.
    assert chance_beats(DRAWS, 0, 1) == 0.625
    assert chance_beats(DRAWS, 1, 0) == 0.375
    assert chance_beats(DRAWS, 0, 2) == 0.75


def test_what_is_shared_does_not_count() -> None:
    # Joint draws know what shuffled ones do not: the first is always a little better.
    rng = np.random.default_rng(1)
    common = rng.normal(size=2000)
    draws = np.column_stack([common + 0.1, common])
    assert chance_beats(draws, 0, 1) == 1.0
    assert chance_beats(np.column_stack([draws[:, 0], rng.permutation(common)]), 0, 1) < 0.6


def test_chances_of_ranks() -> None:
    found = rank_chances(DRAWS, 3)
    assert found.tolist() == [[0.75, 0.0, 0.25], [0.0, 0.75, 0.25], [0.25, 0.25, 0.5]]
    assert rank_chances(DRAWS, 1).tolist() == [found[0].tolist()]
    assert rank_chances(DRAWS, 9).shape == (3, 3)


def test_the_best_few_are_found_as_a_full_sort_finds_them() -> None:
    draws = np.random.default_rng(3).integers(0, 6, (200, 12)).astype(float)
    order = np.argsort(-draws, axis=1, kind="stable")
    plain = np.array([[np.mean(order[:, rank] == reach) for reach in range(12)] for rank in range(4)])
    assert rank_chances(draws, 4) == pytest.approx(plain)


def test_regret_is_what_is_missed() -> None:
    # Best of each: 3, 3, 4, 2; the first brings 3, 3, 1, 2.
    assert expected_regret(DRAWS, np.array([0, 1, 2]), 1) == 0.75
    # Best two: 5, 5, 6, 4; the first and the third bring 4, 5, 5, 2.
    assert expected_regret(DRAWS, np.array([0, 2, 1]), 2) == 1.0
    assert expected_regret(DRAWS, np.array([2, 1, 0]), 3) == 0.0
    # No order does better than the one by expectation for a single choice.
    best = np.argsort(-DRAWS.mean(axis=0))
    assert expected_regret(DRAWS, best, 1) == min(
        expected_regret(DRAWS, np.roll(best, k), 1) for k in range(3)
    )


def test_what_cannot_be_is_refused() -> None:
    sentence = "Invalid draws of shape (3,). They must have rows (draws) and columns (reaches)."
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        rank_chances(np.zeros(3), 1)
    with pytest.raises(InputError, match=r"^Invalid reach 3\. It must lie from 0 to 2\.$"):
        chance_beats(DRAWS, 0, 3)
    sentence = "Invalid order. Its first 2 entries must be different reaches from 0 to 2."
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        expected_regret(DRAWS, np.array([1, 1, 2]), 2)
