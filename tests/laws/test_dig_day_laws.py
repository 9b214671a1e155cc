"""What holds for every digging day."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.dig.day import DayProblem, Standing, plan_day


@st.composite
def days(draw):
    """Reaches about a vehicle, some of them closed, some beyond a way, some nearly empty."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    reaches, ways = draw(st.integers(1, 8)), draw(st.integers(1, 2))
    spot = rng.uniform(0, draw(st.floats(1, 40)), (reaches, 2))
    out = np.hypot(*spot.T) + 0.2
    alone = np.array([(2 * out + 1.0) * (1.0 + way) for way in range(ways)])
    alone[:, rng.random(reaches) < 0.2] = np.inf
    capacity = rng.uniform(1, 9, (ways, reaches))
    apart = np.hypot(*(spot[:, None] - spot[None, :]).transpose(2, 0, 1))

    def pair_minutes(at):
        both = (out[at][:, None] + apart[np.ix_(at, at)] + out[at][None, :] + 1.0) * np.arange(1, ways + 1)[
            :, None, None
        ]
        return np.maximum(both, np.maximum(alone[:, at][:, :, None], alone[:, at][:, None, :]))

    return DayProblem(
        budget_minutes=draw(st.floats(1.0, 200.0)),
        standing=Standing(
            fresh_load_kg=rng.lognormal(0, 1, (12, reaches)),
            loads_held=rng.uniform(0, draw(st.floats(1, 60)), reaches),
            depletion=rng.uniform(0, 1, reaches) * (rng.random(reaches) < 0.3),
            within_sd=draw(st.floats(0, 0.6)),
        ),
        round_minutes=alone,
        capacity_loads=capacity,
        dig_minutes=draw(st.floats(0.0, 3.0)),
        steady_kg=draw(st.sampled_from([0.0, 0.05])),
        pair_minutes=pair_minutes if draw(st.booleans()) else None,
    )


@given(days(), st.booleans())
@settings(deadline=None, max_examples=80)
def test_no_day_is_too_long_goes_where_it_must_not_or_takes_what_is_not_there(problem, sure):
    day = plan_day(replace(problem, sure=sure))
    assert day.minutes <= problem.budget_minutes + 1e-9
    assert day.minutes == pytest.approx(day.carry_minutes.sum())
    assert np.isfinite(problem.round_minutes[:, day.reach].min(axis=0)).all()
    left = problem.standing.loads_left.mean(axis=0)
    assert (day.loads >= 1).all()
    assert (day.loads <= left[day.reach] + 1e-6).all()
    assert len(set(day.reach.tolist())) == len(day.reach)
    assert day.carry_loads.sum() == pytest.approx(day.loads.sum())
    for reaches, loads, way in zip(day.carry_reach, day.carry_loads, day.carry_kind, strict=True):
        used = reaches[reaches >= 0]
        assert np.isfinite(problem.round_minutes[way, used]).all()
        assert loads.sum() <= problem.capacity_loads[way, used].min() + 1e-6
    assert day.expected_kg <= day.bound_kg * (1 + 1e-9) + 1e-9


@given(days(), st.floats(0.0, 60.0))
@settings(deadline=None, max_examples=60)
def test_more_time_never_brings_less(problem, more_minutes):
    short = plan_day(problem)
    long = plan_day(replace(problem, budget_minutes=problem.budget_minutes + more_minutes))
    assert long.expected_kg >= short.expected_kg * (1 - 1e-9)


@given(days())
@settings(deadline=None, max_examples=40)
def test_a_sure_day_is_never_less_sure(problem):
    assert plan_day(replace(problem, sure=True)).p10_kg >= plan_day(problem).p10_kg * (1 - 1e-12)


@given(days(), st.floats(0.05, 1.0))
@settings(deadline=None, max_examples=40)
def test_a_target_is_met_where_it_can_be(problem, share):
    most = plan_day(problem)
    if most.expected_kg <= 0:
        return
    day = plan_day(replace(problem, target_kg=share * most.expected_kg))
    assert day.expected_kg >= share * most.expected_kg * (1 - 1e-12)
    assert day.minutes <= problem.budget_minutes + 1e-9


@given(days())
@settings(deadline=None, max_examples=40)
def test_a_second_way_to_carry_and_shared_carries_never_bring_less(problem):
    one_way = replace(
        problem,
        round_minutes=problem.round_minutes[:1],
        capacity_loads=problem.capacity_loads[:1],
        pair_minutes=None,
    )
    assert plan_day(problem).expected_kg >= plan_day(one_way).expected_kg * (1 - 1e-9)
