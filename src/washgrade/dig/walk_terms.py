"""What a sampling walk is asked for and what it is told by: rule, problem and plan."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number, whole
from washgrade.dig.load_walk import LOOSE_SAND
from washgrade.errors import InputError
from washgrade.land.channels import Nodes
from washgrade.land.walkable import WalkingSurface
from washgrade.sand.weighed import Weighed

__all__ = ["SAMPLE_MINUTES", "Walk", "WalkProblem", "WalkRule"]

# Our choice, because a hole and a scoop take some minutes each and most of the rest is drying over a stove.
SAMPLE_MINUTES = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkRule:
    """How long a walk may be and what is done on it.

    Parameters
    ----------
    hours : float
        From start to end, stops included, above 0.
    sample_minutes : float, default 15
        At each stop: dig, dry, magnet, weigh, note; at least 0.
    most_stops : int, optional
        How many stops at most.
    daylight_hours : float, optional
        Hours from the start to dark, above 0.
    before_dark_minutes : float, default 30
        How long before dark the walk must be over, at least 0. Our choice, as a customary caution.
    duplicates : int, default 0
        Stops at which a second sample is taken, so that the scatter from scoop to scoop is learnt.
    pack_kg : float, default 6
        Carried all the way (spade, sieve, magnet, scale, water), at least 0: our choice.
    sample_kg : float, default 1
        Carried on from each sample, at least 0: our choice.
    body_kg : float, default 75
        Weight of the person, above 0; see `washgrade.dig.load_walk.effort_w`.
    terrain_factor : float, default 2.1
        Loose sand; see there.
    own_variance : float, default 0.02
        Variance of a sample's own error on the logit, above 0. Our choice, because grains and weighing err by
        some 10 to 15 %; the scatter from scoop to scoop is the model's.
    most_candidates : int, default 160
        Places looked at, at least 1. Our choice, because twice as many settled 0.7 % more on a ground of
        50,000 nodes (benchmarks/route.py), and walking times take the time.

    Raises
    ------
    InputError
        If a value is outside its limits.
    """

    hours: float
    sample_minutes: float = SAMPLE_MINUTES
    most_stops: int | None = None
    daylight_hours: float | None = None
    before_dark_minutes: float = 30.0
    duplicates: int = 0
    pack_kg: float = 6.0
    sample_kg: float = 1.0
    body_kg: float = 75.0
    terrain_factor: float = LOOSE_SAND
    own_variance: float = 0.02
    most_candidates: int = 160

    def __post_init__(self) -> None:
        number("hours", self.hours, above=0)
        number("sample_minutes", self.sample_minutes, at_least=0)
        if self.most_stops is not None:
            whole("most_stops", self.most_stops, at_least=0)
        if self.daylight_hours is not None:
            number("daylight_hours", self.daylight_hours, above=0)
        number("before_dark_minutes", self.before_dark_minutes, at_least=0)
        whole("duplicates", self.duplicates, at_least=0)
        number("pack_kg", self.pack_kg, at_least=0)
        number("sample_kg", self.sample_kg, at_least=0)
        number("body_kg", self.body_kg, above=0)
        number("terrain_factor", self.terrain_factor, at_least=1)
        number("own_variance", self.own_variance, above=0)
        whole("most_candidates", self.most_candidates, at_least=1)

    @property
    def budget_minutes(self) -> float:
        """Minutes there are, by the hours and the daylight."""
        minutes = 60.0 * self.hours
        if self.daylight_hours is not None:
            minutes = min(minutes, 60.0 * self.daylight_hours - self.before_dark_minutes)
        return max(minutes, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkProblem:
    """A ground to sample, what is known of it, and a walker's start.

    Parameters
    ----------
    weighed : Weighed
        The model with the samples there are; may be none.
    nodes : Nodes
        Nodes of the channels, those of ``weighed``.
    surface : WalkingSurface
        Where one may walk.
    rule : WalkRule
        Hours and habits.
    cutoff_grade : float
        Grade at which the choice of reaches is cut, between 0 and 1.
    start_easting_m, start_northing_m : float
        Where the walk begins, metres.
    end_easting_m, end_northing_m : float, optional
        Where it ends; at the start unless told.
    ends_anywhere : bool, default False
        True to end at the last stop.
    allowed : ndarray of bool, shape (nodes,), optional
        Nodes where one may sample; all unless told.
    fixed_nodes : tuple of int, optional
        Stops that must be made.
    done_nodes : tuple of int, optional
        Nodes sampled already whose results are not in ``weighed`` yet: they count as known and are no stops.
    tributary : ndarray of int64, shape (nodes,), optional
        Label of each node's tributary or -1; then there is a stop in as many as can be reached before all
        else (`washgrade.dig.stops.main_tributaries`).
    weight : ndarray of float64, shape (nodes,), optional
        What the doubt about each node counts; by `washgrade.dig.doubt.doubt_weight` unless told.

    Raises
    ------
    InputError
        If an array does not fit the nodes, a node does not exist, or only half of the end is told.
    """

    weighed: Weighed
    nodes: Nodes
    surface: WalkingSurface
    rule: WalkRule
    cutoff_grade: float
    start_easting_m: float
    start_northing_m: float
    end_easting_m: float | None = None
    end_northing_m: float | None = None
    ends_anywhere: bool = False
    allowed: NDArray[np.bool_] | None = None
    fixed_nodes: tuple[int, ...] = ()
    done_nodes: tuple[int, ...] = ()
    tributary: NDArray[np.integer[Any]] | None = None
    weight: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        count = len(self.nodes)
        number("cutoff_grade", self.cutoff_grade, above=0, below=1)
        if len(self.weighed.tree) != count:
            raise InputError(
                f"Invalid nodes: {count}, and {len(self.weighed.tree)} in the model. They must be the same."
            )
        for name in ("allowed", "tributary", "weight"):
            given = getattr(self, name)
            if given is not None and np.shape(given) != (count,):
                raise InputError(
                    f"Invalid '{name}' of shape {np.shape(given)}. There must be one for each of the {count} "
                    "nodes."
                )
        for node in (*self.fixed_nodes, *self.done_nodes):
            if not 0 <= node < count:
                raise InputError(f"Invalid node {node}. It must lie from 0 to {count - 1}.")
        both = set(self.fixed_nodes) & set(self.done_nodes)
        if both:
            raise InputError(f"Invalid fixed stop at node {min(both)}. It must not be one that is done.")
        if (self.end_easting_m is None) != (self.end_northing_m is None):
            raise InputError("Invalid end of the walk. It must have both an easting and a northing.")
        if self.ends_anywhere and self.end_easting_m is not None:
            raise InputError("Invalid end of the walk. It must not be told where the walk ends anywhere.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """A plan of a sampling walk.

    Parameters
    ----------
    node : ndarray of int64, shape (stops,)
        Stops in order.
    arrival_minutes : ndarray of float64, shape (stops,)
        From the start to the arrival at each.
    leg_minutes : ndarray of float64, shape (legs,)
        Walking time of each leg under its load; one leg more than stops, but where the walk ends anywhere.
    stop_minutes : ndarray of float64, shape (stops,)
        Time at each stop, longer for a duplicate.
    load_kg : ndarray of float64, shape (legs,)
        Carried on each leg.
    duplicate : ndarray of bool, shape (stops,)
        Where a second sample is taken.
    settled_share : ndarray of float64, shape (stops,)
        Share of the doubt that each stop settles beyond those before it.
    bound_share : float
        Share that no walk over these candidates could pass; far from tight.
    minutes : float
        What the walk takes.
    budget_minutes : float
        What it may take.
    lines_m : tuple of ndarray of float64, shapes (points, 2)
        Easting and northing of each leg's way, metres.
    candidate : ndarray of int64, shape (candidates,)
        Nodes that were looked at.
    cut_off : ndarray of bool, shape (nodes,)
        Nodes to which no walk leads, or back.
    too_far : ndarray of bool, shape (nodes,)
        Nodes that can be reached, but not sampled within the time.
    missed_tributary : ndarray of int64, shape (missed,)
        Labels of tributaries without a stop or sample.
    """

    node: NDArray[np.int64]
    arrival_minutes: NDArray[np.float64]
    leg_minutes: NDArray[np.float64]
    stop_minutes: NDArray[np.float64]
    load_kg: NDArray[np.float64]
    duplicate: NDArray[np.bool_]
    settled_share: NDArray[np.float64]
    bound_share: float
    minutes: float
    budget_minutes: float
    lines_m: tuple[NDArray[np.float64], ...]
    candidate: NDArray[np.int64]
    cut_off: NDArray[np.bool_]
    too_far: NDArray[np.bool_]
    missed_tributary: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))

    @property
    def settled(self) -> float:
        """Share of the doubt that the whole walk is expected to settle, 0 to 1."""
        return float(self.settled_share.sum())
