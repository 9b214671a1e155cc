"""Getting the compiled loops of the plans ready: on a new machine that takes a while, once."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from washgrade.dig.day import DayProblem, plan_day
from washgrade.dig.doubt import Doubt, stretches
from washgrade.dig.legs import WalkLegs, legs_between
from washgrade.dig.returns import Standing
from washgrade.dig.route import RouteProblem, plan_route
from washgrade.dig.stops import main_tributaries, nodes_apart
from washgrade.land.walkable import WalkingSurface
from washgrade.sand.tree import Tree

__all__ = ["warm_up_day", "warm_up_walk"]


# Cached, so that it costs nothing to ask again.
@cache
def warm_up_day() -> None:
    """Run every compiled loop of the digging day once on three reaches.

    Examples
    --------
    >>> warm_up_day()
    """
    _walking_times()
    kg = np.array([[2.0, 1.0, 1.5], [1.0, 2.0, 1.0]])
    standing = Standing(
        fresh_load_kg=kg, loads_held=np.full((2, 3), 9.0), depletion=np.array([[0.1, 0, 0], [0, 0, 0]])
    )

    def pair_minutes(some: NDArray[np.int64]) -> NDArray[np.float64]:
        return np.full((2, len(some), len(some)), 9.5)

    plan_day(
        DayProblem(
            budget_minutes=60.0,
            standing=standing,
            round_minutes=np.array([[8.0, 9.0, 9.0], [9.0, 9.0, np.inf]]),
            capacity_loads=np.full((2, 3), 3.0),
            dig_minutes=1.0,
            pair_minutes=pair_minutes,
            sure=True,
        )
    )


@cache
def warm_up_walk() -> None:
    """Run the compiled loops of the sampling walk once: walking times, candidates, the round.

    Examples
    --------
    >>> warm_up_walk()
    """
    _walking_times()
    line = Tree(
        downstream=np.array([2, 2, 3, -1], np.int32), length_m=np.full(4, 9.0), weight=np.arange(1.0, 5.0)
    )
    nodes_apart(line, np.arange(4.0), np.ones(4, np.bool_), 2)
    main_tributaries(line)
    stretches(line, 1)
    place = np.arange(4.0)
    alike = np.exp(-np.abs(place[:, None] - place))[None]
    problem = RouteProblem(
        leg_minutes=np.abs(place[:, None] - place),
        budget_minutes=5.0,
        start=3,
        end=3,
        doubt=Doubt(
            covariance=alike, wanted=alike @ alike, error_variance=np.ones((1, 4)), total_variance=4.0
        ),
    )
    plan_route(problem, rng=np.random.default_rng(0), rounds=20)


def _walking_times() -> None:
    """Search a few level walking cells."""
    surface = WalkingSurface(height_m=np.zeros((4, 4), np.float32), cell_m=5, west_m=0, north_m=20)
    legs_between(WalkLegs(surface=surface, start=0, end=0), np.array([3, 9]))
