"""What holds for every walk: within the hours, on open ground, the better for more time."""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from washgrade.dig.walk import WalkProblem, WalkRule, plan_walk
from washgrade.errors import InputError
from washgrade.land.channels import Channels, delineate
from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.flow import flow_directions, upstream_cells
from washgrade.land.walkable import Walking, WalkingSurface, walking_surface
from washgrade.sand.sample import Samples
from washgrade.sand.weighed import Weighed, weigh

CELL_M = 10.0


@cache
def ground() -> tuple[Dem, Channels, Weighed]:
    """Hills of 1.2 km with a few hundred nodes, and the model of them before any sample."""
    side = 120
    rng = np.random.default_rng(5)
    wave = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    wave[0, 0] = 1.0
    hills = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((side, side))) * wave**-2.0, s=(side, side))
    heights = (hills / hills.std() * 20.0 + np.linspace(80.0, 0.0, side)[:, None]).astype(np.float32)
    dem = Dem(elevation_m=heights, cell_m=CELL_M, west_m=0.0, north_m=side * CELL_M, crs="EPSG:25830")
    filled = fill(heights)
    directions = flow_directions(filled)
    found = delineate(dem, filled, directions, upstream_cells(directions), channel_area_m2=20000.0)
    return dem, found, weigh(found, Samples.none())


def surface_with(closed_share: float, seed: int) -> WalkingSurface:
    """Closed blocks and a closed line with a gate, by chance."""
    dem, _, _ = ground()
    rng = np.random.default_rng(seed)
    closed = np.kron(rng.random((12, 12)) < closed_share, np.ones((10, 10), bool)).astype(bool)
    row = int(rng.integers(20, 100))
    closed[row : row + 2, : int(rng.integers(60, 118))] = True
    return walking_surface(dem, Walking(walking_cell_m=CELL_M), closed=closed)


def crossed(surface: WalkingSurface, line_m: np.ndarray) -> np.ndarray:
    """Every cell that a line touches, seen in steps of a twentieth of a cell."""
    steps = [
        here + (there - here) * np.linspace(0, 1, 60)[:, None] for here, there in itertools.pairwise(line_m)
    ]
    at = np.concatenate([line_m[:1], *steps])
    col = np.floor((at[:, 0] - surface.west_m) / surface.cell_m).astype(int)
    row = np.floor((surface.north_m - at[:, 1]) / surface.cell_m).astype(int)
    return np.unique(row * surface.shape[1] + col)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    seed=st.integers(0, 10**6),
    closed_share=st.floats(0, 0.3),
    hours=st.floats(0.3, 3.0),
    ends=st.sampled_from(["loop", "anywhere", "elsewhere"]),
    sample_kg=st.floats(0, 2.0),
    duplicates=st.integers(0, 2),
    tributaries=st.booleans(),
)
@example(seed=0, closed_share=0.0, hours=0.5, ends="loop", sample_kg=0.0, duplicates=2, tributaries=False)
def test_no_walk_exceeds_the_hours_or_leaves_open_ground(
    seed, closed_share, hours, ends, sample_kg, duplicates, tributaries
):
    _, channels, weighed = ground()
    surface = surface_with(closed_share, seed)
    rng = np.random.default_rng(seed)
    open_cells = np.flatnonzero(~surface.closed)
    start, end = rng.choice(open_cells, 2)
    allowed = rng.random(len(channels.nodes)) < 0.7
    more = {"ends_anywhere": ends == "anywhere"}
    if ends == "elsewhere":
        more |= {
            "end_easting_m": float(surface.easting_m(end)),
            "end_northing_m": float(surface.northing_m(end)),
        }
    problem = WalkProblem(
        weighed=weighed,
        nodes=channels.nodes,
        surface=surface,
        rule=WalkRule(hours=hours, sample_kg=sample_kg, duplicates=duplicates, most_candidates=40),
        cutoff_grade=0.05,
        start_easting_m=float(surface.easting_m(start)),
        start_northing_m=float(surface.northing_m(start)),
        allowed=allowed,
        tributary=channels.nodes.reach.astype(np.int64) // 8 if tributaries else None,
        **more,
    )
    try:
        walk = plan_walk(problem, rng=rng, rounds=60)
    except InputError as refused:
        # Only where the end lies too far, or nothing leads to it.
        if ends == "elsewhere" and "The way to the end does not fit" in str(refused):
            return
        raise
    assert walk.minutes <= 60.0 * hours
    assert walk.minutes == pytest.approx(walk.leg_minutes.sum() + walk.stop_minutes.sum())
    assert len(np.unique(walk.node)) == len(walk.node)
    assert allowed[walk.node].all()
    assert not (walk.cut_off | walk.too_far)[walk.node].any()
    assert 0.0 <= walk.settled <= walk.bound_share + 1e-9 <= 1.0 + 2e-9
    assert np.all(walk.settled_share > 0)
    assert np.all(np.diff(walk.load_kg) >= 0)
    assert walk.duplicate.sum() == min(duplicates, len(walk.node))
    for line_m in walk.lines_m:
        assert not surface.closed.ravel()[crossed(surface, line_m)].any()
    # Legs join: each begins where the last one ended, and passes within reach of its stop.
    for before, after in itertools.pairwise(walk.lines_m):
        assert before[-1].tolist() == after[0].tolist()
    nodes = channels.nodes
    for line_m, node in zip(walk.lines_m, walk.node, strict=False):
        away = np.hypot(*(line_m[-1] - [nodes.easting_m[node], nodes.northing_m[node]]))
        assert away <= 15.0 + CELL_M


def test_a_line_drawn_straight_through_closed_ground_would_be_caught():
    surface = surface_with(0.0, 3)
    shut = np.flatnonzero(surface.closed)[0]
    east, north = float(surface.easting_m(shut)), float(surface.northing_m(shut))
    assert surface.closed.ravel()[crossed(surface, np.array([[east, north + 25], [east, north - 25]]))].any()


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_more_hours_settle_hardly_less(seed):
    _, channels, weighed = ground()
    surface = surface_with(0.1, seed)
    rng = np.random.default_rng(seed)
    start = rng.choice(np.flatnonzero(~surface.closed))
    settled = []
    for hours in (1.0, 2.0, 4.0):
        problem = WalkProblem(
            weighed=weighed, nodes=channels.nodes, surface=surface,
            rule=WalkRule(hours=hours, most_candidates=40), cutoff_grade=0.05,
            start_easting_m=float(surface.easting_m(start)),
            start_northing_m=float(surface.northing_m(start)),
        )  # fmt: skip
        settled.append(plan_walk(problem, rng=np.random.default_rng(1), rounds=150).settled)
    # Candidates differ with what is within reach, so a little may be lost.
    assert settled[0] <= settled[1] * 1.02 + 1e-12
    assert settled[1] <= settled[2] * 1.02 + 1e-12
