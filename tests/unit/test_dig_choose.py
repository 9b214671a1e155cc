"""Where to go this morning: digging or looking, and what is said of wrong input."""

from __future__ import annotations

import re

import numpy as np
import pytest

from washgrade.dig.choose import learning_gain_kg, next_step
from washgrade.dig.holding import HoldingRule, after_dig, after_sample, begin_holding
from washgrade.errors import InputError


def says(sentence):
    return pytest.raises(InputError, match=f"^{re.escape(sentence)}$")


def days():
    rng = np.random.default_rng(3)
    return np.exp(rng.normal(0, [0.05, 0.05, 0.9, 0.05], (800, 4))) * [10.0, 9.0, 6.0, 5.0]


def test_looks_go_where_they_may_change_the_choice():
    step = next_step(days(), look_cost_kg=0.3, error_log_sd=0.3)
    assert (step.reach, step.look_first) == (2, True)
    assert step.gain_kg > 0


def test_a_dear_look_is_not_taken():
    step = next_step(days(), look_cost_kg=8.0, error_log_sd=0.3)
    assert (step.reach, step.look_first, step.gain_kg) == (0, False, 0.0)


def test_a_useless_look_is_not_taken():
    assert not next_step(days(), look_cost_kg=0.3, error_log_sd=30.0).look_first


def test_closed_and_looked_reaches_are_passed_over():
    looked = np.array([False, False, True, False])
    assert not next_step(days(), look_cost_kg=0.3, error_log_sd=0.3, looked=looked).look_first
    closed = np.array([False, True, False, True])
    step = next_step(days(), look_cost_kg=0.3, error_log_sd=0.3, open_reach=closed)
    assert (step.reach, step.look_first) == (1, False)
    alone = next_step(days(), look_cost_kg=0.0, error_log_sd=0.3, open_reach=looked)
    assert (alone.reach, alone.look_first) == (2, False)


def test_wrong_input_is_named():
    with says("Invalid 'open_reach'. At least one reach must be open."):
        next_step(days(), look_cost_kg=0.3, error_log_sd=0.3, open_reach=np.zeros(4, bool))
    with says("Invalid 'places' of 2. There must be more reaches, and there are 2."):
        learning_gain_kg([1.0, 2.0], [0.1, 0.1], error_log_sd=0.3, places=2)
    with says(
        "Invalid 'mean_kg' and 'log_sd' of shapes (1,) and (2,). "
        "They must hold one number for each of at least 2 reaches."
    ):
        learning_gain_kg([1.0], [0.1, 0.1], error_log_sd=0.3, places=1)
    with says("Invalid 'load_kg' of shape (3, 2). It must be draws, at least 10, by reaches."):
        begin_holding(np.ones((3, 2)), [9.0, 9.0], rng=np.random.default_rng(0))
    with says("Invalid 'recovery' of 1.5. It must be a finite number above 0 and of at most 1."):
        HoldingRule(recovery=1.5)
    holding = begin_holding(np.ones((20, 2)), [9.0, 9.0], rng=np.random.default_rng(0))
    with says("Invalid 'reach' of 2. It must be between 0 and 1."):
        after_dig(holding, reach=2, loads=1)
    with says("Invalid 'reach' of -1. It must be between 0 and 1."):
        after_sample(holding, reach=-1, load_kg=1.0, log_sd=0.3)


def test_a_day_beyond_what_is_held_takes_it_all():
    # Loads held times kilograms a load times what is brought home: the Lorenz curve ends at 1.
    rule = HoldingRule(recovery_log_sd=0.0)
    holding = begin_holding(np.full((20, 1), 0.5), [40.0], rng=np.random.default_rng(0), rule=rule)
    np.testing.assert_allclose(holding.day_kg(60), 40 * 0.5 * 0.9)
    assert (holding.day_kg(20) > 0.5 * holding.day_kg(60)).all()
