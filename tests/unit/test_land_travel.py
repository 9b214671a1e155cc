"""Walking cells, closed ground and walking times: closed forms and what is said of wrong input."""

import math
import re

import numpy as np
import pytest

from washgrade.errors import GroundError, InputError
from washgrade.land.dem import Dem
from washgrade.land.travel import ELONGATION_BOUND, walking_field, walking_times_s
from washgrade.land.walkable import (
    NOWHERE,
    Walking,
    WalkingSurface,
    cells_near,
    walking_speed_m_s,
    walking_surface,
)

SIXTEEN = [(down, right) for down in range(-2, 3) for right in range(-2, 3) if math.gcd(down, right) == 1]


def surface_of(height_m, cell_m=8.0, **walking):
    return WalkingSurface(
        height_m=np.asarray(height_m, np.float32),
        cell_m=cell_m,
        west_m=500.0,
        north_m=900.0,
        walking=Walking(**walking),
    )


def dem_of(heights, cell_m=1.0):
    return Dem(
        elevation_m=np.asarray(heights, np.float32),
        cell_m=cell_m,
        west_m=500.0,
        north_m=900.0,
        crs="EPSG:25830",
    )


def whole_sentence(sentence):
    return f"^{re.escape(sentence)}$"


def pace_s_m(slope):
    """Tobler (1993) off the path, seconds for a metre of the map, written out afresh."""
    return 3.6 / (0.6 * 6 * math.exp(-3.5 * abs(slope + 0.05)))


def plane(slope_east, slope_south, side):
    row, col = np.mgrid[:side, :side]
    return 8.0 * (slope_east * col + slope_south * row)


# Closed forms. Slopes are sixty-fourths on 8 m cells, so the heights are exact in float32.


@pytest.mark.parametrize(("down", "right"), SIXTEEN)
def test_level_lines_along_the_sixteen_directions_are_exact(down, right):
    surface = surface_of(np.zeros((41, 41)))
    target = (20 + 10 * down) * 41 + 20 + 10 * right
    took_s = walking_times_s(surface, np.array([20 * 41 + 20]), np.array([target]))
    assert took_s[0, 0] == pytest.approx(80 * math.hypot(down, right) * pace_s_m(0), rel=1e-12)


@pytest.mark.parametrize("slope", [-0.25, -0.125, -3 / 64, 1 / 64, 0.125, 0.25])
@pytest.mark.parametrize(("down", "right"), SIXTEEN)
def test_a_move_on_a_tilted_plane_has_the_slope_of_its_line(slope, down, right):
    # One move: the slope of a knight's move is that of the plane along it, in both halves.
    surface = surface_of(plane(slope, slope / 2, 5))
    took_s = walking_times_s(surface, np.array([12]), np.array([12 + 5 * down + right]))[0, 0]
    run_m = 8 * math.hypot(down, right)
    line_s = run_m * pace_s_m(8 * (slope * right + slope / 2 * down) / run_m)
    assert took_s <= line_s * (1 + 1e-12)
    if abs(down) + abs(right) < 3 or abs(slope) < 0.05:
        # Only the knight's moves, and only on steeper ground, are bettered by a bend.
        assert took_s == pytest.approx(line_s, rel=1e-12)


@pytest.mark.parametrize("slope", [1 / 64, 0.125, 0.25])
def test_straight_up_and_down_a_plane(slope):
    # Below 1 / 3.5 the pace for a metre of height falls with the slope, so straight up is the quickest way.
    surface = surface_of(plane(0, -slope, 33))
    foot, top = 32 * 33 + 16, 16
    up_s = walking_times_s(surface, np.array([foot]), np.array([top]))[0, 0]
    down_s = walking_times_s(surface, np.array([top]), np.array([foot]))[0, 0]
    assert up_s == pytest.approx(256 * pace_s_m(slope), rel=1e-12)
    assert down_s == pytest.approx(256 * pace_s_m(-slope), rel=1e-12)
    assert up_s > down_s


def test_up_a_steep_plane_the_walk_bends_to_and_fro():
    # At 9/16 the quickest of the 16 directions, per metre of height, is two cells across for one up: half the
    # moves to the left and half to the right end straight above the start.
    slope = 9 / 16
    surface = surface_of(plane(0, -slope, 33))
    found = walking_field(surface, 32 * 33 + 16)
    across = 32 * 8 * math.sqrt(5) * pace_s_m(slope / math.sqrt(5))
    assert found.time_s[0, 16] == pytest.approx(across, rel=1e-12)
    assert across < 0.9 * 256 * pace_s_m(slope)
    assert set(np.abs(np.diff(found.path_cells(16) % 33)).tolist()) == {2}


def test_the_worst_level_line_reaches_the_bound():
    # It halves the angle between a straight move and a knight's.
    line = math.atan(0.5) / 2
    surface = surface_of(np.zeros((60, 250)))
    times_s = walking_field(surface, 0).time_s
    row, col = np.mgrid[:60, :250]
    with np.errstate(invalid="ignore"):
        ratio = times_s / (8 * np.hypot(row, col) * pace_s_m(0))
    worst = np.unravel_index(np.nanargmax(ratio), ratio.shape)
    assert float(ratio[worst]) == pytest.approx(ELONGATION_BOUND, rel=1e-4)
    assert math.atan2(*worst) == pytest.approx(line, abs=0.01)
    assert pytest.approx(1.0275, abs=5e-5) == ELONGATION_BOUND


# Moves and closed cells.


def test_a_knights_move_steps_over_no_ridge():
    # A wall of 4 m, 8 m thick: 0.5 up and down is not too steep, but it is not overlooked either.
    height_m = np.zeros((1, 3))
    height_m[0, 1] = 4
    narrow = walking_times_s(surface_of(height_m), np.array([0]), np.array([2]))[0, 0]
    assert narrow == pytest.approx(8 * (pace_s_m(0.5) + pace_s_m(-0.5)), rel=1e-12)
    height_m = np.zeros((2, 3))
    height_m[:, 1] = 4
    half_m = 4 * math.sqrt(5)
    took_s = walking_times_s(surface_of(height_m), np.array([0]), np.array([5]))[0, 0]
    across_s = half_m * (pace_s_m(4 / half_m) + pace_s_m(-4 / half_m))
    # By way of the top of the wall: a diagonal step up and a straight one down, or the other way round.
    aslant = 0.5 / math.sqrt(2)
    bent_s = 8 * min(
        math.sqrt(2) * pace_s_m(aslant) + pace_s_m(-0.5), pace_s_m(0.5) + math.sqrt(2) * pace_s_m(-aslant)
    )
    assert took_s == pytest.approx(min(across_s, bent_s), rel=1e-12)
    assert took_s > 3 * 2 * half_m * pace_s_m(0)
    height_m[:, 1] = 8
    assert np.isinf(walking_times_s(surface_of(height_m), np.array([0]), np.array([5]))[0, 0])


@pytest.mark.parametrize("wall", [[2, 7, 12, 17, 22], [4, 8, 12, 16, 20], [3, 8, 7, 12, 16, 21]])
def test_no_move_crosses_a_wall_of_closed_cells_even_one_joined_at_corners(wall):
    height_m = np.zeros((5, 5))
    height_m.flat[wall] = np.nan
    surface = surface_of(height_m)
    assert np.isinf(walking_times_s(surface, np.array([0]), np.array([24]))[0, 0])
    height_m.flat[wall[0]] = 0
    assert np.isfinite(walking_times_s(surface_of(height_m), np.array([0]), np.array([24]))[0, 0])


def test_a_diagonal_step_past_the_corner_of_a_closed_cell_is_closed():
    height_m = np.zeros((2, 2))
    height_m[0, 1] = np.nan
    took_s = walking_times_s(surface_of(height_m), np.array([0]), np.array([3]))[0, 0]
    assert took_s == pytest.approx(16 * pace_s_m(0), rel=1e-12)


def test_closed_ends_and_nowhere_are_out_of_reach():
    height_m = np.zeros((1, 4))
    height_m[0, 2] = np.nan
    surface = surface_of(height_m)
    times_s = walking_times_s(surface, np.array([0, 2, NOWHERE]), np.array([0, 1, 2, 3, NOWHERE]))
    flat_s = 8 * pace_s_m(0)
    np.testing.assert_allclose(times_s, [[0, flat_s, *[np.inf] * 3], [np.inf] * 5, [np.inf] * 5])
    np.testing.assert_array_equal(
        walking_times_s(surface, np.arange(4), np.array([2])), np.full((4, 1), np.inf)
    )
    found = walking_field(surface, NOWHERE)
    assert np.isinf(found.time_s).all()
    assert found.path_cells(0).tolist() == []
    assert walking_field(surface, 0).path_cells(NOWHERE).tolist() == []
    assert walking_field(surface, 0).path_cells(0).tolist() == [0]


def test_no_sources_or_targets():
    surface = surface_of(np.zeros((2, 2)))
    none = np.empty(0, np.int64)
    assert walking_times_s(surface, none, np.array([1, 2])).shape == (0, 2)
    assert walking_times_s(surface, np.array([1, 2]), none).shape == (2, 0)


# Coarsening.


@pytest.mark.parametrize(
    ("cell_m", "wanted_m", "coarse_m"),
    [
        (1, 5, 5),
        (2, 5, 6),
        (3, 5, 6),
        (5, 5, 5),
        (30, 5, 30),
        (0.9999, 5, 4.9995),
        (4.99, 5, 4.99),
        (4.7, 5, 9.4),
    ],
)
def test_fewest_whole_cells(cell_m, wanted_m, coarse_m):
    surface = walking_surface(dem_of(np.zeros((12, 12)), cell_m), Walking(walking_cell_m=wanted_m))
    assert surface.cell_m == pytest.approx(coarse_m, rel=1e-12)


def test_mean_height_and_any_closed_part():
    heights = np.arange(11 * 17, dtype=np.float64).reshape(11, 17) / 64
    heights[6, 3] = np.nan
    closed = np.zeros((11, 17), bool)
    closed[0, 14] = True
    closed[10, 16] = True
    surface = walking_surface(dem_of(heights), closed=closed)
    assert surface.shape == (2, 3)
    expected = [[heights[5 * r : 5 * r + 5, 5 * c : 5 * c + 5].mean() for c in range(3)] for r in range(2)]
    expected[0][2] = np.nan
    np.testing.assert_allclose(surface.height_m, expected, rtol=1e-6)
    assert surface.closed.tolist() == [[False, False, True], [True, False, False]]
    assert (surface.west_m, surface.north_m) == (500.0, 900.0)
    assert surface.easting_m(np.array([4])).tolist() == [507.5]
    assert surface.northing_m(np.array([4])).tolist() == [892.5]


def test_ground_too_steep_is_closed_across_the_slope_too():
    # A bench between two gentle halves: 5 m of rise in 5 m.
    heights = np.repeat(np.where(np.arange(40) < 20, 0.0, 10.0)[:, None], 40, axis=1)
    surface = walking_surface(dem_of(heights, 5.0))
    assert np.flatnonzero(surface.closed.all(axis=1)).tolist() == [19, 20]
    assert surface.closed.sum() == 80
    gentle = walking_surface(dem_of(heights, 5.0), Walking(too_steep_slope=1.5))
    assert not gentle.closed.any()
    # The step itself rises 2 in 1 and stays shut, aslant too, where the way rises but 1.41 or 0.89 in 1.
    assert np.isinf(walking_times_s(gentle, np.array([0]), np.array([1599]))[0, 0])
    open_s = walking_times_s(
        walking_surface(dem_of(heights, 5.0), Walking(too_steep_slope=2.0)), np.array([0]), np.array([1599])
    )
    assert np.isfinite(open_s[0, 0])


def test_inputs_are_left_alone():
    heights = np.ones((10, 10), np.float32)
    closed = np.eye(10, dtype=bool)
    dem = dem_of(heights, 5.0)
    surface = walking_surface(dem, closed=closed)
    walking_times_s(surface, np.array([1]), np.array([2]))
    assert (dem.elevation_m == 1).all()
    assert (closed == np.eye(10, dtype=bool)).all()
    assert np.isnan(surface.height_m).sum() == 10


def test_cells_near_places():
    height_m = np.zeros((4, 4))
    height_m[1, 1] = np.nan
    surface = surface_of(height_m, cell_m=10.0)
    # In an open cell; in the closed one, left of its middle; just outside; far away.
    east = np.array([525.0, 513.0, 498.0, 700.0])
    north = np.array([885.0, 885.0, 895.0, 885.0])
    assert cells_near(surface, east, north).tolist() == [6, 4, 0, NOWHERE]
    assert cells_near(surface, east, north, within_m=7.5).tolist() == [6, -1, 0, -1]
    assert cells_near(surface, east, north, within_m=0).tolist() == [6, -1, -1, -1]


# What is said of wrong input.


@pytest.mark.parametrize(
    ("setting", "value", "rule"),
    [
        ("fastest_m_s", 0.0, "above 0"),
        ("fastest_slope", 0.6, "of at least -0.5 and of at most 0.5"),
        ("fading_per_unit_slope", 5.5, "above 0 and of at most 5"),
        ("off_path_factor", 1.2, "above 0 and of at most 1"),
        ("too_steep_slope", math.nan, "above 0 and of at most 2"),
        ("walking_cell_m", -5.0, "above 0"),
    ],
)
def test_settings(setting, value, rule):
    message = f"Invalid '{setting}' of {value!r}. It must be a finite number {rule}."
    with pytest.raises(InputError, match=whole_sentence(message)):
        Walking(**{setting: value})


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (
            lambda: surface_of(np.zeros(3)),
            "Invalid 'height_m' of 1 dimensions. It must have rows and columns.",
        ),
        (
            lambda: surface_of([[0, np.inf]]),
            "Invalid 'height_m' with infinite heights. It must hold finite heights, or NaN for closed.",
        ),
        (lambda: surface_of([[np.nan]]), "No walking cell is open. There must be at least one to walk on."),
        (
            lambda: walking_surface(dem_of(np.zeros((4, 9)))),
            "The DEM of 4 by 9 cells is smaller than a walking cell of 5 by 5. It must hold at least one.",
        ),
        (
            lambda: walking_surface(dem_of(np.zeros((5, 5))), closed=np.zeros((5, 6), bool)),
            "Invalid 'closed' of shape (5, 6) and type bool. It must be bool of the DEM's shape (5, 5).",
        ),
        (
            lambda: walking_surface(dem_of(np.zeros((5, 5))), closed=np.zeros((5, 5), np.uint8)),
            "Invalid 'closed' of shape (5, 5) and type uint8. It must be bool of the DEM's shape (5, 5).",
        ),
        (
            lambda: walking_times_s(surface_of([[0, 0]]), np.array([0, 2]), np.array([0])),
            "Invalid 'sources' with walking cell 2. It must be 0 to 1, or -1 for nowhere.",
        ),
        (
            lambda: walking_times_s(surface_of([[0, 0]]), np.array([0]), np.array([-2])),
            "Invalid 'targets' with walking cell -2. It must be 0 to 1, or -1 for nowhere.",
        ),
        (
            lambda: walking_times_s(surface_of([[0, 0]]), np.array([0.5]), np.array([0])),
            "Invalid 'sources' of shape (1,) and type float64. They must be whole numbers in one list.",
        ),
        (
            lambda: walking_field(surface_of([[0, 0]]), 9),
            "Invalid 'source' with walking cell 9. It must be 0 to 1, or -1 for nowhere.",
        ),
        (
            lambda: walking_field(surface_of([[0, 0]]), 0.5),
            "Invalid 'source' of 0.5. It must be a whole number.",
        ),
        (
            lambda: walking_field(surface_of([[0, 0]]), 0, until=9),
            "Invalid 'until' with walking cell 9. It must be 0 to 1, or -1 for nowhere.",
        ),
        (
            lambda: walking_field(surface_of([[0, 0]]), 0, within_s=-1.0),
            "Invalid 'within_s' of -1.0. It must be at least 0.",
        ),
        (
            lambda: walking_field(surface_of([[0, 0]]), 0).path_cells(2),
            "Invalid 'cell' with walking cell 2. It must be 0 to 1, or -1 for nowhere.",
        ),
        (
            lambda: walking_times_s(surface_of([[0, 0]]), np.array([0]), np.array([0]), threads=0),
            "Invalid 'threads' of 0. It must be a whole number of at least 1.",
        ),
        (
            lambda: cells_near(surface_of([[0, 0]]), np.array([1.0]), np.array([1.0, 2.0])),
            "Invalid places of shapes (1,) and (2,). They must be finite eastings and northings in two lists "
            "of one length.",
        ),
        (
            lambda: cells_near(surface_of([[0, 0]]), np.zeros(1), np.zeros(1), within_m=-1),
            "Invalid 'within_m' of -1. It must be a finite number of at least 0.",
        ),
    ],
)
def test_wrong_input_gets_its_sentence(act, message):
    with pytest.raises(InputError, match=whole_sentence(message)):
        act()


def test_too_many_cells_for_the_search():
    # A view of one number, so that the check needs no memory.
    surface = object.__new__(WalkingSurface)
    object.__setattr__(surface, "height_m", np.broadcast_to(np.float32(0), (50_000, 50_000)))
    with pytest.raises(
        GroundError,
        match=whole_sentence(
            "The walking surface has 2500400016 cells with its edge. It must have at most 2147483647; a "
            "larger 'walking_cell_m' gives fewer."
        ),
    ):
        walking_field(surface, 0)


def test_speed_of_unknown_and_of_too_steep_slopes():
    speed_m_s = walking_speed_m_s(np.array([np.nan, 0.61, -0.61, 0.59]))
    assert np.isnan(speed_m_s[0])
    assert speed_m_s[1:].tolist() == pytest.approx([0, 0, 1 / pace_s_m(0.59)], rel=1e-12)
