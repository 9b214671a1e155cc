"""The sampling walk and its parts: doubt against dense algebra, thinning, spread on new ground, new plans."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from washgrade.dig.doubt import Doubt, doubt_of, doubt_weight, stretches
from washgrade.dig.legs import WalkLegs, legs_between, open_cells
from washgrade.dig.stops import main_tributaries, nodes_apart
from washgrade.dig.walk import WalkProblem, WalkRule, plan_walk
from washgrade.errors import InputError
from washgrade.land.channels import Channels, delineate
from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.flow import flow_directions, upstream_cells
from washgrade.land.travel import walking_times_s
from washgrade.land.walkable import Walking, WalkingSurface, walking_surface
from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.nextsample import gain_on_average
from washgrade.sand.sample import Samples
from washgrade.sand.tree import Tree
from washgrade.sand.weighed import Weighed, weigh

CELL_M = 10.0


@cache
def ground(seed: int = 8) -> tuple[Channels, WalkingSurface]:
    side = 150
    rng = np.random.default_rng(seed)
    wave = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    wave[0, 0] = 1.0
    hills = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((side, side))) * wave**-2.0, s=(side, side))
    heights = (hills / hills.std() * 20.0 + np.linspace(80.0, 0.0, side)[:, None]).astype(np.float32)
    dem = Dem(elevation_m=heights, cell_m=CELL_M, west_m=0.0, north_m=side * CELL_M, crs="EPSG:25830")
    filled = fill(heights)
    directions = flow_directions(filled)
    found = delineate(dem, filled, directions, upstream_cells(directions), channel_area_m2=15000.0)
    return found, walking_surface(dem, Walking(walking_cell_m=CELL_M))


@cache
def new_ground() -> Weighed:
    return weigh(ground()[0], Samples.none())


@cache
def sampled_ground() -> tuple[Weighed, tuple[int, ...]]:
    nodes = ground()[0].nodes
    at = np.linspace(5, len(nodes) - 5, 6).astype(int)
    unknown = np.full(len(at), np.nan)
    samples = Samples(
        sample_id=np.array([f"s{k}" for k in range(len(at))]),
        easting_m=nodes.easting_m[at],
        northing_m=nodes.northing_m[at],
        accuracy_m=unknown,
        depth_top_m=unknown,
        depth_bottom_m=unknown,
        dry_mass_kg=np.full(len(at), 0.5),
        grade=np.array([0.02, 0.12, 0.05, 0.2, 0.03, 0.08]),
        trace=np.zeros(len(at), bool),
        day=np.full(len(at), np.datetime64("2025-10-04")),
        place=np.full(len(at), ""),
    )
    return weigh(ground()[0], samples), tuple(at.tolist())


def problem(*, hours: float = 3.0, weighed: Weighed | None = None, rule: dict | None = None, **more: object):
    channels, surface = ground()
    nodes = channels.nodes
    return WalkProblem(
        weighed=weighed or new_ground(),
        nodes=nodes,
        surface=surface,
        rule=WalkRule(hours=hours, most_candidates=60, **(rule or {})),
        cutoff_grade=0.05,
        **{"start_easting_m": 750.0, "start_northing_m": 750.0, **more},
    )


def planned(**more: object):
    return plan_walk(problem(**more), rng=np.random.default_rng(2), rounds=300)


def test_doubt_is_that_of_dense_algebra() -> None:
    weighed = new_ground()
    tree, averaged = weighed.tree, weighed.averaged
    rng = np.random.default_rng(1)
    weight = rng.uniform(0, 1, len(tree))
    points = rng.choice(len(tree), 7, replace=False)
    found = doubt_of(weighed, points, weight=weight, own_variance=0.03, parts=2, most_targets=10**6)
    apart = distances(tree)
    for row, part in enumerate((0, len(averaged.points) - 1)):
        process = averaged.process(part)
        dense = tail_up_exponential(
            apart, variance=process.up_variance, range_m=process.up_range_m, mixing_share=process.mixing_share
        )
        dense = dense + tail_down_exponential(
            apart, variance=process.down_variance, range_m=process.down_range_m
        )
        dense = dense + weighed.regressors @ averaged.covariance[part] @ weighed.regressors.T
        assert found.covariance[row] == pytest.approx(dense[np.ix_(points, points)], rel=1e-6, abs=1e-8)
        wanted = dense[points] @ (weight[:, None] * dense[:, points])
        assert found.wanted[row] == pytest.approx(wanted, rel=1e-6, abs=1e-8)
        # A twin that leaves out what all places share by the trend is far off.
        short = dense - weighed.regressors @ averaged.covariance[part] @ weighed.regressors.T
        assert found.covariance[row] != pytest.approx(short[np.ix_(points, points)], rel=1e-2)


def test_one_sample_settles_what_the_gain_of_one_more_says() -> None:
    for weighed in (new_ground(), sampled_ground()[0]):
        weight = doubt_weight(weighed, cutoff_grade=0.05)
        gain = gain_on_average(weighed, weight=weight, own_variance=0.03, parts=6)
        points = np.setdiff1d(np.arange(3, len(weighed.tree), 41), weighed.read.node)
        doubt = doubt_of(
            weighed, points, weight=weight, own_variance=0.03, parts=6, most_targets=len(weighed.tree)
        )
        one = [doubt.settled(np.array([point])) for point in range(len(points))]
        assert one == pytest.approx(gain[points], rel=1e-5)


def test_stretches_stand_for_their_nodes() -> None:
    weighed = sampled_ground()[0]
    tree = weighed.tree
    group, middle = stretches(tree, 150)
    assert group[middle].tolist() == list(range(len(middle)))
    assert set(group.tolist()) == set(range(len(middle)))
    weight = doubt_weight(weighed, cutoff_grade=0.05)
    points = np.arange(10, len(tree), 120)
    exact, rough = (
        doubt_of(weighed, points, weight=weight, own_variance=0.03, most_targets=most)
        for most in (len(tree), len(tree) // 4)
    )
    every = np.arange(len(points))
    assert rough.settled(every) == pytest.approx(exact.settled(every), rel=0.05)
    assert rough.total_variance == pytest.approx(exact.total_variance, rel=0.05)


def test_nodes_kept_lie_apart_and_cover_the_rest() -> None:
    tree = new_ground().tree
    gain = np.random.default_rng(1).random(len(tree))
    eligible = np.arange(len(tree)) % 3 != 0
    kept = nodes_apart(tree, gain, eligible, 30)
    assert 20 <= len(kept) <= 30
    assert eligible[kept].all()
    assert np.all(np.diff(gain[kept]) <= 0)
    along_m = slow_distances(tree)
    between = along_m[np.ix_(kept, kept)] + np.where(np.eye(len(kept), dtype=bool), np.inf, 0.0)
    spacing_m = between.min()
    # Every eligible node lies near one that is kept and tells at least as much.
    assert np.all(along_m[np.ix_(np.flatnonzero(eligible), kept)].min(axis=1) <= 1.1 * spacing_m + CELL_M)


def slow_distances(tree: Tree) -> np.ndarray:
    """Distance along the channels between all nodes, inf on other trees."""
    count = len(tree)
    along_m = np.full((count, count), np.inf)
    np.fill_diagonal(along_m, 0.0)
    for i in range(count - 1, -1, -1):
        j = tree.downstream[i]
        if j >= 0:
            later = np.arange(count) > i
            along_m[i, later] = along_m[j, later] + tree.length_m[i]
            along_m[later, i] = along_m[i, later]
    return along_m


def test_main_tributaries_hold_their_small_branches() -> None:
    tree = new_ground().tree
    label = main_tributaries(tree, least_share=0.1)
    joins = np.flatnonzero((tree.downstream >= 0) & (label != label[tree.downstream]))
    roots = np.arange(len(tree))
    for i in range(len(tree) - 1, -1, -1):
        if tree.downstream[i] >= 0:
            roots[i] = roots[tree.downstream[i]]
    assert len(joins)
    assert np.all(tree.weight[joins] >= 0.1 * tree.weight[roots[joins]])


def test_times_by_way_of_others_are_never_too_short_and_seldom_too_long() -> None:
    channels, surface = ground()
    cells = np.unique(open_cells(surface, channels.nodes.easting_m, channels.nodes.northing_m)[::25])
    cells = cells[cells >= 0]
    ways = WalkLegs(surface=surface, start=int(cells[0]), end=int(cells[-1]))
    cells = cells[np.isfinite(ways.out_minutes(cells) + ways.back_minutes(cells))]
    legs = legs_between(ways, cells, near=8)
    exact = walking_times_s(surface, cells, cells) / 60.0
    many = len(cells)
    assert np.all(legs[:many, :many] >= exact * (1 - 1e-9) - 1e-9)
    assert np.median(legs[:many, :many] / np.maximum(exact, 1e-6)) < 1.1
    assert legs[many, :many] == pytest.approx(exact[0], abs=1e-5)
    assert legs[:many, many + 1] == pytest.approx(exact[:, -1], abs=1e-5)


def test_times_are_searched_wherever_a_walk_within_the_limit_may_lead() -> None:
    channels, surface = ground()
    cells = np.unique(open_cells(surface, channels.nodes.easting_m, channels.nodes.northing_m)[::25])
    cells = cells[cells >= 0]
    start, end = int(cells[len(cells) // 2]), int(cells[0])
    for last in (start, end, None):
        ways = WalkLegs(surface=surface, start=start, end=last)
        there = cells[np.isfinite(ways.out_minutes(cells) + ways.back_minutes(cells))]
        many = len(there)
        whole = legs_between(ways, there, near=many)[:many, :many]
        out, back = ways.out_minutes(there), ways.back_minutes(there)
        takes = out[:, None] + whole + back
        limit = float(np.median(takes))
        found = legs_between(ways, there, near=many, within_minutes=limit)[:many, :many]
        on_a_walk = takes <= limit
        assert found[on_a_walk] == pytest.approx(whole[on_a_walk], rel=1e-12)
        # What surely is on none is not looked at, so that one goes by way of others.
        assert np.all(found >= whole * (1 - 1e-12))
        assert np.any(found > whole * 1.01)
        # A limit on the ways back changes none that is shorter.
        short = WalkLegs(surface=surface, start=start, end=last, within_minutes=limit)
        assert short.out_minutes(there).tolist() == out.tolist()
        assert short.back_minutes(there).tolist() == np.where(back <= limit, back, np.inf).tolist()


def lone_m(stops: np.ndarray, seed: int = 8) -> float:
    """Mean distance from a stop to the nearest other one."""
    nodes = ground(seed)[0].nodes
    east, north = nodes.easting_m[stops], nodes.northing_m[stops]
    apart = np.hypot(east[:, None] - east, north[:, None] - north)
    return float((apart + np.diag(np.full(len(stops), np.inf))).min(axis=1).mean())


@pytest.mark.parametrize(("hours", "over_chance"), [(12.0, 1.05), (4.0, 0.8)])
def test_new_ground_is_spread_over_and_not_clustered(hours: float, over_chance: float) -> None:
    walk = planned(hours=hours, rule={"most_stops": 9})
    nodes = ground()[0].nodes
    assert len(walk.node) == 9
    reachable = np.flatnonzero(~(walk.cut_off | walk.too_far))
    rng = np.random.default_rng(1)
    # Sets by chance need not fit the hours, so a short walk cannot well be spread more. One ground tells
    # little of the spread: see the test below for many.
    by_chance = [lone_m(rng.choice(reachable, 9, replace=False)) for _ in range(200)]
    assert lone_m(walk.node) > over_chance * np.mean(by_chance)
    away_m = np.hypot(nodes.easting_m[reachable] - 750, nodes.northing_m[reachable] - 750)
    assert lone_m(walk.node) > 3 * lone_m(reachable[np.argsort(away_m)][:9])
    # Whoever takes the places that tell most singly stands in a cluster.
    weight = doubt_weight(new_ground(), cutoff_grade=0.05)
    gain = gain_on_average(new_ground(), weight=weight, own_variance=0.02)
    assert lone_m(walk.node) > 3 * lone_m(reachable[np.argsort(-gain[reachable])][:9])
    # No set by chance settles as much, however far apart its places lie.
    chance = [rng.choice(reachable, 9, replace=False) for _ in range(40)]
    settled = [doubt_of(new_ground(), one, weight=weight, own_variance=0.02) for one in [walk.node, *chance]]
    shares = [one.settled(np.arange(9)) / one.total_variance for one in settled]
    assert shares[0] > max(shares[1:])


def farthest_first(start: int, among: np.ndarray, many: int, seed: int) -> np.ndarray:
    """As far apart as they can lie: each next place is the farthest from all before."""
    nodes = ground(seed)[0].nodes
    place = np.column_stack([nodes.easting_m, nodes.northing_m])
    taken, away_m = [start], np.hypot(*(place[among] - place[start]).T)
    while len(taken) < many:
        taken.append(int(among[np.argmax(away_m)]))
        away_m = np.minimum(away_m, np.hypot(*(place[among] - place[taken[-1]]).T))
    return np.array(taken)


def test_a_walk_on_new_ground_is_spread_no_more_than_serves() -> None:
    """Held over sixteen grounds, because one alone may be anything.

    Walks of 12 h. Distance to the nearest other stop over that of sets by chance: 1.00 to 1.48, mean 1.20; it
    moves by up to 0.2 on a ground, and the mean by 0.02, when rounding alone turns a search between places
    nearly as good. Being far apart in the plane is not the end: sets as far apart as can be lie at 2.0 to
    2.5, mostly in heads that tell of little ground, and settle 0.85 of what the walk does (0.81 to 0.92).
    """
    spread, settled = [], []
    for seed in range(16):
        channels, surface = ground(seed)
        nodes, weighed = channels.nodes, weigh(channels, Samples.none())
        walk = plan_walk(
            WalkProblem(
                weighed=weighed,
                nodes=nodes,
                surface=surface,
                rule=WalkRule(hours=12.0, most_candidates=60, most_stops=9),
                cutoff_grade=0.05,
                start_easting_m=750.0,
                start_northing_m=750.0,
            ),
            rng=np.random.default_rng(2),
            rounds=300,
        )
        among = np.flatnonzero(~(walk.cut_off | walk.too_far))
        rng = np.random.default_rng(1)
        by_chance = [lone_m(rng.choice(among, 9, replace=False), seed) for _ in range(200)]
        spread.append(lone_m(walk.node, seed) / np.mean(by_chance))
        far = farthest_first(int(among[0]), among, 9, seed)
        assert lone_m(far, seed) > 1.8 * np.mean(by_chance)
        weight = doubt_weight(weighed, cutoff_grade=0.05)
        one, other = (
            doubt_of(weighed, places, weight=weight, own_variance=0.02).settled(np.arange(9))
            for places in (walk.node, far)
        )
        settled.append(other / one)
    assert np.mean(spread) > 1.1
    assert min(spread) > 0.9
    assert np.mean(settled) < 0.9
    assert max(settled) < 1.0


def test_with_samples_the_walk_goes_where_they_say_nothing() -> None:
    weighed, at = sampled_ground()
    walk = planned(weighed=weighed)
    assert not set(at) & set(walk.node.tolist())
    assert 0 < walk.settled < walk.bound_share <= 1


def test_a_plan_made_anew_on_the_way_leaves_out_what_is_done() -> None:
    first = planned(hours=3.0)
    here = first.node[1]
    nodes = ground()[0].nodes
    rest = planned(
        hours=3.0 - (first.arrival_minutes[1] + 15.0) / 60.0,
        start_easting_m=float(nodes.easting_m[here]),
        start_northing_m=float(nodes.northing_m[here]),
        end_easting_m=750.0,
        end_northing_m=750.0,
        done_nodes=tuple(first.node[:2].tolist()),
    )
    assert len(rest.node)
    assert not set(first.node[:2].tolist()) & set(rest.node.tolist())
    east, north = nodes.easting_m, nodes.northing_m
    away = [
        np.hypot(east[rest.node] - east[done], north[rest.node] - north[done]).min()
        for done in first.node[:2]
    ]
    assert min(away) > 50.0


def test_fixed_stops_duplicates_daylight_and_the_limit_of_stops() -> None:
    free = planned()
    nodes = ground()[0].nodes
    reachable = np.flatnonzero(~(free.cut_off | free.too_far))
    away_m = np.hypot(nodes.easting_m[reachable] - 750, nodes.northing_m[reachable] - 750)
    near = int(reachable[np.argmin(away_m)])
    assert near not in free.node
    walk = planned(fixed_nodes=(near,), rule={"most_stops": 4, "duplicates": 1})
    assert near in walk.node
    assert len(walk.node) == 4
    assert walk.duplicate.sum() == 1
    assert walk.stop_minutes[walk.duplicate].tolist() == [30.0]
    at = int(np.flatnonzero(walk.duplicate)[0])
    assert np.diff(walk.load_kg).tolist() == [2.0 if stop == at else 1.0 for stop in range(4)]
    dusk = planned(rule={"daylight_hours": 2.0})
    assert dusk.budget_minutes == 90.0
    assert dusk.minutes <= 90.0
    assert len(dusk.node) < len(free.node)


def test_every_main_tributary_within_reach_gets_a_stop() -> None:
    label = main_tributaries(new_ground().tree, least_share=0.05)
    plain = planned(hours=5.0)
    walk = planned(hours=5.0, tributary=label)
    assert set(walk.missed_tributary.tolist()) == set(label.tolist()) - set(label[walk.node].tolist())
    assert len(np.unique(label[walk.node])) > len(np.unique(label[plain.node]))
    assert walk.settled <= plain.settled * 1.01


def test_load_costs_time() -> None:
    light = planned(rule={"pack_kg": 0.0, "sample_kg": 0.0})
    heavy = planned(rule={"pack_kg": 12.0, "sample_kg": 1.5})
    assert heavy.settled < light.settled
    assert np.all(np.diff(heavy.load_kg) == 1.5)


def test_no_time_gives_no_stop_and_far_places_are_told() -> None:
    walk = planned(hours=0.2)
    assert not walk.node.size
    assert walk.minutes == 0.0
    assert walk.settled == 0.0
    assert walk.too_far.sum() + walk.cut_off.sum() == len(walk.too_far)


def test_the_same_seed_gives_the_same_walk() -> None:
    assert planned().node.tolist() == planned().node.tolist()


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"fixed_nodes": (99999,)}, "Invalid node 99999. It must lie from 0 to {last}."),
        (
            {"fixed_nodes": (3,), "done_nodes": (3,)},
            "Invalid fixed stop at node 3. It must not be one that is done.",
        ),
        ({"end_easting_m": 5.0}, "Invalid end of the walk. It must have both an easting and a northing."),
        (
            {"end_easting_m": 5.0, "end_northing_m": 5.0, "ends_anywhere": True},
            "Invalid end of the walk. It must not be told where the walk ends anywhere.",
        ),
        (
            {"allowed": np.ones(3, bool)},
            "Invalid 'allowed' of shape (3,). There must be one for each of the {count} nodes.",
        ),
    ],
)  # fmt: skip
def test_a_problem_that_cannot_be_says_why(more: dict, sentence: str) -> None:
    count = len(ground()[0].nodes)
    with pytest.raises(InputError, match=f"^{re.escape(sentence.format(count=count, last=count - 1))}$"):
        problem(**more)


def test_a_start_off_the_land_and_a_fixed_stop_out_of_reach_are_refused() -> None:
    sentence = (
        "Invalid start of the walk at -900 E, 750 N. It must lie on or beside ground that is open to walkers."
    )
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        planned(start_easting_m=-900.0)
    far = int(np.flatnonzero(planned(hours=0.5).too_far)[0])
    sentence = f"Invalid fixed stop at node {far}: it lies too far for the time. It must be within reach."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        planned(hours=0.5, fixed_nodes=(far,))


def test_a_doubt_that_cannot_be_says_why() -> None:
    good = Doubt(
        covariance=np.ones((1, 1, 1)),
        wanted=np.ones((1, 1, 1)),
        error_variance=np.ones((1, 1)),
        total_variance=1.0,
    )
    sentence = "Invalid 'error_variance'. It must be above 0 at every point."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        replace(good, error_variance=np.zeros((1, 1)))
    sentence = f"Invalid points. They must be different nodes from 0 to {len(new_ground().tree) - 1}."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        doubt_of(new_ground(), np.array([1, 1]), weight=np.ones(len(new_ground().tree)), own_variance=0.1)
