"""The search for rounds: against every set in every order on small cases; its loops against plain twins."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest

from washgrade.dig import route_loops, settle_loops
from washgrade.dig.doubt import Doubt
from washgrade.dig.route import RouteProblem, most_stops_in, plan_route, upper_bound
from washgrade.errors import InputError


def land(seed: int, count: int, range_share: float, hours: float, *, closed: bool = True) -> RouteProblem:
    """Places on a square of an hour's walk, ways a little longer one way than the other; start last."""
    rng = np.random.default_rng(seed)
    place = rng.uniform(0, 1, (count + 201, 2))
    apart = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    legs = 60.0 * apart[: count + 1, : count + 1] * rng.uniform(1.0, 1.3, (count + 1, count + 1))
    alike = np.exp(-apart / range_share)
    weight = rng.uniform(0.2, 1.0, 200)
    across = alike[: count + 1, count + 1 :]
    return RouteProblem(
        leg_minutes=legs,
        budget_minutes=60.0 * hours,
        start=count,
        end=count if closed else None,
        stop_minutes=np.full(count + 1, 12.0),
        doubt=Doubt(
            covariance=alike[None, : count + 1, : count + 1].copy(),
            wanted=((across * weight) @ across.T)[None],
            error_variance=np.full((1, count + 1), 0.15),
            total_variance=float(weight.sum()),
        ),
    )


def shortest_rounds(problem: RouteProblem) -> np.ndarray:
    """Least minutes of every set of stops, by dynamic programming over sets (Held & Karp 1962)."""
    count = len(problem.leg_minutes) - 1
    legs = problem.leg_minutes[:count, :count] + problem.stop_minutes[None, :count]
    least = np.full((1 << count, count), np.inf)
    for stop in range(count):
        least[1 << stop, stop] = problem.leg_minutes[count, stop] + problem.stop_minutes[stop]
    bits = 1 << np.arange(count)
    for chosen in range(1, 1 << count):
        onward = (least[chosen, :, None] + legs).min(axis=0)
        new = np.flatnonzero((chosen & bits) == 0)
        after = chosen | bits[new]
        least[after, new] = np.minimum(least[after, new], onward[new])
    home = problem.leg_minutes[:count, count] if problem.end is not None else np.zeros(count)
    minutes = (least + home).min(axis=1)
    minutes[0] = 0.0
    return minutes


def best_of_all(problem: RouteProblem, value) -> float:
    """The most that any set within the budget is worth; adding a stop never lowers the worth."""
    count = len(problem.leg_minutes) - 1
    fits = shortest_rounds(problem) <= problem.budget_minutes
    bits = 1 << np.arange(count)
    best = 0.0
    for chosen in np.flatnonzero(fits):
        outside = bits[(chosen & bits) == 0]
        if not fits[chosen | outside].any():
            best = max(best, value(np.flatnonzero(chosen & bits)))
    return best


def rank_then_nearest(problem: RouteProblem) -> float:
    """The plan of whoever takes the most telling places singly and walks to the nearest of them each time."""
    count = len(problem.leg_minutes) - 1
    single = np.array([problem.doubt.settled(np.array([stop])) for stop in range(count)])
    best = 0.0
    for many in range(1, count + 1):
        left = np.argsort(-single)[:many].tolist()
        at, minutes, visited = count, 0.0, []
        while left:
            nearest = min(left, key=lambda stop: problem.leg_minutes[at, stop])
            minutes += problem.leg_minutes[at, nearest] + 12.0
            left.remove(nearest)
            visited.append(nearest)
            at = nearest
        home = problem.leg_minutes[at, count] if problem.end is not None else 0.0
        if minutes + home <= problem.budget_minutes:
            best = problem.doubt.settled(np.array(visited))
    return best


CASES = [
    (seed, count, range_share, hours, closed)
    for seed, count in ((1, 12), (2, 12), (3, 13))
    for range_share in (0.1, 0.3, 1.0)
    for hours, closed in ((2.0, True), (3.0, True), (2.0, False))
]


@pytest.fixture(scope="module")
def small_cases():
    out = []
    for seed, count, range_share, hours, closed in CASES:
        problem = land(seed, count, range_share, hours, closed=closed)
        found = plan_route(problem, rng=np.random.default_rng(7), rounds=1500)
        out.append((problem, found, best_of_all(problem, problem.doubt.settled)))
    return out


def test_sets_of_stops_are_worth_what_the_best_of_all_sets_is(small_cases) -> None:
    for problem, found, best in small_cases:
        assert found.minutes <= problem.budget_minutes
        assert found.value_score == pytest.approx(problem.doubt.settled(found.stops), rel=1e-9)
        assert 0.995 * best <= found.value_score <= best * (1 + 1e-9)


def test_rank_then_nearest_neighbour_falls_well_behind(small_cases) -> None:
    share = [rank_then_nearest(problem) / best for problem, _, best in small_cases]
    assert np.mean(share) < 0.95
    assert np.min(share) < 0.8


def test_nothing_passes_the_bound(small_cases) -> None:
    for problem, found, best in small_cases:
        assert best <= upper_bound(problem) * (1 + 1e-9)
        assert len(found.stops) <= most_stops_in(problem)


def test_a_bound_on_one_stop_fewer_would_be_passed() -> None:
    problem = land(3, 12, 0.1, 3.0)
    found = plan_route(problem, rng=np.random.default_rng(1), rounds=200)
    assert found.value_score > problem.doubt.only(np.arange(12)).at_most(len(found.stops) - 2)


@pytest.mark.parametrize("closed", [True, False])
def test_prizes_that_add_up_are_collected_as_by_the_best_of_all_sets(closed: bool) -> None:
    for seed in range(4):
        rng = np.random.default_rng(100 + seed)
        prize = rng.integers(1, 100, 13).astype(float)
        prize[12] = 0.0
        spots = land(seed, 12, 0.3, 2.2, closed=closed)
        problem = RouteProblem(
            leg_minutes=spots.leg_minutes,
            budget_minutes=spots.budget_minutes,
            start=12,
            end=spots.end,
            stop_minutes=spots.stop_minutes,
            prize=prize,
        )
        best = best_of_all(problem, lambda stops, prize=prize: prize[stops].sum())
        found = plan_route(problem, rng=np.random.default_rng(1), rounds=400)
        assert found.value_score == best
        assert best <= upper_bound(problem)


def test_the_same_seed_gives_the_same_round_and_time_gives_more_turns() -> None:
    problem = land(5, 40, 0.3, 4.0)
    first, again = (plan_route(problem, rng=np.random.default_rng(3), rounds=60) for _ in range(2))
    assert first.stops.tolist() == again.stops.tolist()
    assert first.rounds == 60
    timed = plan_route(problem, rng=np.random.default_rng(3), within_s=0.05)
    assert timed.rounds >= 250
    assert timed.value_score >= 0.95 * first.value_score


def test_fixed_stops_groups_and_the_limit_of_stops_are_kept() -> None:
    free = land(6, 12, 0.3, 3.0)
    group = np.array([0] * 6 + [1] * 6 + [-1])
    lone = np.array([point == 11 for point in range(13)])

    def ask(**more):
        return RouteProblem(
            leg_minutes=free.leg_minutes,
            budget_minutes=free.budget_minutes,
            start=12,
            end=12,
            stop_minutes=free.stop_minutes,
            doubt=free.doubt,
            **more,
        )

    far = int(np.argmax(free.leg_minutes[12, :12]))
    found = plan_route(ask(fixed=(far,), most_stops=2), rng=np.random.default_rng(1), rounds=200)
    assert far in found.stops
    assert len(found.stops) == 2
    assert not plan_route(ask(most_stops=0), rng=np.random.default_rng(1), rounds=20).stops.size
    # Two stops only: with a prize on the groups they lie in both.
    both = plan_route(
        ask(group=group, group_score=1e3, most_stops=2), rng=np.random.default_rng(1), rounds=200
    )
    assert set(group[both.stops].tolist()) == {0, 1}
    assert both.value_score == pytest.approx(2e3 + free.doubt.settled(both.stops))
    only = plan_route(ask(may_stop=lone), rng=np.random.default_rng(1), rounds=50)
    assert only.stops.tolist() == [11]


def test_places_with_no_way_are_left_out() -> None:
    problem = land(8, 12, 0.3, 3.0)
    legs = problem.leg_minutes.copy()
    legs[:, 4] = np.inf
    legs[7, :] = np.inf
    cut = RouteProblem(
        leg_minutes=legs, budget_minutes=180.0, start=12, end=12, stop_minutes=problem.stop_minutes,
        doubt=problem.doubt,
    )  # fmt: skip
    found = plan_route(cut, rng=np.random.default_rng(1), rounds=300)
    assert found.stops.size
    assert not {4, 7} & set(found.stops.tolist())


def test_shortening_ends_where_no_reversal_and_no_move_helps() -> None:
    rng = np.random.default_rng(11)
    for _ in range(20):
        count = int(rng.integers(2, 9))
        legs = rng.uniform(1, 10, (count, count))
        route = np.arange(count)
        before = sum(legs[a, b] for a, b in itertools.pairwise(route))
        minutes = route_loops.shorten(legs, route, count, 1e-12)
        assert sorted(route.tolist()) == list(range(count))
        assert (route[0], route[-1]) == (0, count - 1)
        assert minutes <= before + 1e-9
        assert minutes == pytest.approx(route_loops.way_minutes.py_func(legs, route, count))
        # The plain twin: all reversals, and all moves of up to three stops, either way round.
        near = []
        for low, high in itertools.combinations(range(1, count), 2):
            near.append([*route[:low], *route[low:high][::-1], *route[high:]])
            if high - low <= 3:
                rest = [*route[:low], *route[high:]]
                for at in range(1, len(rest)):
                    for piece in (route[low:high], route[low:high][::-1]):
                        near.append([*rest[:at], *piece, *rest[at:]])
        for other in near:
            assert sum(legs[a, b] for a, b in itertools.pairwise(other)) >= minutes - 1e-9


def test_what_stops_settle_is_kept_by_columns_as_by_dense_algebra() -> None:
    rng = np.random.default_rng(12)
    doubt = land(9, 15, 0.4, 2.0).doubt
    parts, points, stops = 1, doubt.points, 6
    col_c, col_m, col_q = np.empty((parts, stops, points)), np.empty((parts, stops, points)), np.empty((1, 6))
    spread, want = np.empty((parts, points)), np.empty((parts, points))
    settle_loops.reset(doubt.covariance, doubt.wanted, spread, want)
    order = rng.permutation(points)[:stops]
    for taken, stop in enumerate(order):
        gains = want / (spread + doubt.error_variance)
        known = doubt.after(order[:taken])
        assert spread[0] == pytest.approx(np.diag(known.covariance[0]), abs=1e-12)
        assert want[0] == pytest.approx(np.diag(known.wanted[0]), abs=1e-12)
        assert gains[0, stop] == pytest.approx(
            doubt.settled(order[: taken + 1]) - doubt.settled(order[:taken]), rel=1e-9
        )
        settle_loops.add_stop(
            stop,
            taken,
            doubt.covariance,
            doubt.wanted,
            doubt.error_variance,
            col_c,
            col_m,
            col_q,
            spread,
            want,
        )
    assert doubt.after(order).total_variance == pytest.approx(doubt.total_variance - doubt.settled(order))


def test_worths_added_as_if_stops_shared_nothing_would_be_far_off() -> None:
    doubt = land(9, 15, 0.4, 2.0).doubt
    singly = sum(doubt.settled(np.array([stop])) for stop in range(8))
    assert singly > 1.5 * doubt.settled(np.arange(8))


LINE = np.abs(np.arange(3.0)[:, None] - np.arange(3.0))
AMONG_ALL = "They must be times of at least 0 between all points, as many rows as columns."
TOO_LONG = "It must not take longer."


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"leg_minutes": -LINE}, f"Invalid 'leg_minutes' of shape (3, 3). {AMONG_ALL}"),
        (
            {"budget_minutes": -1.0},
            "Invalid 'budget_minutes' of -1.0. It must be a finite number of at least 0.",
        ),
        (
            {"prize": np.ones(2)},
            "Invalid 'prize' of shape (2,). There must be one for each of the 3 points.",
        ),
        (
            {"prize": np.array([0, 1, np.nan])},
            "Invalid 'prize'. They must be finite numbers of at least 0.",
        ),
        ({"end": 5}, "Invalid point 5. It must lie from 0 to 2."),
        ({"fixed": (0,)}, "Invalid fixed stop 0. It must be a point where one may stop."),
        ({"fixed": (1, 1)}, "Invalid fixed stops. Each must be named once."),
        (
            {"fixed": (1, 2), "most_stops": 1, "end": None},
            "Invalid 'most_stops' of 1. It must be at least 2, the fixed stops.",
        ),
        (
            {"doubt": land(1, 3, 1.0, 1.0).doubt},
            "Invalid doubt of 4 points. It must be of the 3 points of the round.",
        ),
    ],
)
def test_a_problem_that_cannot_be_says_why(more: dict, sentence: str) -> None:
    given = {"leg_minutes": LINE, "budget_minutes": 5.0, "start": 0, "end": 0, **more}
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        RouteProblem(**given)


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (
            {"fixed": (2,)},
            f"The round of the fixed stops does not fit 'budget_minutes' of 3: it takes 4.0. {TOO_LONG}",
        ),
        (
            {"end": 2, "budget_minutes": 1.0},
            f"The way to the end does not fit 'budget_minutes' of 1: it takes 2.0. {TOO_LONG}",
        ),
    ],
)
def test_a_budget_too_small_for_what_must_be_says_so(more: dict, sentence: str) -> None:
    problem = RouteProblem(**{"leg_minutes": LINE, "budget_minutes": 3.0, "start": 0, "end": 0, **more})
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        plan_route(problem, rng=np.random.default_rng(1))
