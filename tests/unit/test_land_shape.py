"""Shapes of made channels whose answers are known: trapezoids, arcs, a step in slope, a Y."""

import math
import re

import numpy as np
import pytest

from washgrade.errors import GroundError, InputError
from washgrade.land.above import above_channel
from washgrade.land.channels import delineate, middle_nodes, path_nodes
from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.flow import flow_directions, upstream_cells
from washgrade.land.line import channel_line, main_donors
from washgrade.land.links import trace_washes
from washgrade.land.reachshape import reach_shape
from washgrade.land.sections import cross_sections, find_banks
from washgrade.land.shape import LEAST_SLOPE, ShapeRules, measure_shape
from washgrade.land.width import GIVEN, MEASURED, REGIONAL, UNKNOWN, WIDTH_CURVES, WidthCurve, choose_width

TILT = 0.01  # of the bed towards its middle, so that water gathers there


def network(heights, cell_m, channel_area_m2, max_reach_m=50.0):
    dem = Dem(elevation_m=heights.astype(np.float32), cell_m=cell_m, west_m=0, north_m=0, crs="EPSG:25830")
    conditioned_m = fill(dem.elevation_m)
    ways = flow_directions(conditioned_m)
    count = upstream_cells(ways)
    found = delineate(
        dem, conditioned_m, ways, count, channel_area_m2=channel_area_m2, max_reach_m=max_reach_m
    )
    return dem, found, ways


def profile(away_m, bed_m, bank_m=1.5, valley_m=60.0):
    """A bed between banks of 45 degrees, terraces, and walls of 45 degrees."""
    away_m = np.abs(away_m)
    bank = np.clip(away_m - bed_m / 2, 0, bank_m)
    terrace = TILT * np.clip(away_m - bed_m / 2 - bank_m, 0, None)
    wall = np.clip(away_m - valley_m / 2, 0, None)
    return TILT * np.minimum(away_m, bed_m / 2) + bank + terrace + wall


def grid(side_m, cell_m):
    """Distances east and north of the middle, at cell centres."""
    size = round(side_m / cell_m)
    centre = (np.arange(size) + 0.5) * cell_m - side_m / 2
    return np.meshgrid(centre, -centre)


def straight_valley(cell_m, degrees, bed_m, side_m=300.0, slope=0.02):
    east, north = grid(side_m, cell_m)
    turn = math.radians(degrees)
    along = east * math.cos(turn) + north * math.sin(turn)
    across = east * math.sin(turn) - north * math.cos(turn)
    return network(100 - slope * along + profile(across, bed_m), cell_m, 0.25 * side_m * 60)


def inside(dem, channels, margin_m):
    rows, cols = dem.shape
    row, col = np.divmod(channels.nodes.cell, cols)
    margin = margin_m / dem.cell_m
    return (np.minimum(row, col) > margin) & (row < rows - margin) & (col < cols - margin)


@pytest.mark.parametrize("degrees", [0, 17, 30, 45, 71, 90, 200])
@pytest.mark.parametrize(("cell_m", "bed_m"), [(0.5, 8.0), (1.0, 8.0), (2.0, 8.0), (5.0, 24.0)])
def test_trapezoid_width_and_confinement(cell_m, bed_m, degrees):
    dem, channels, _ = straight_valley(cell_m, degrees, bed_m)
    shape = measure_shape(dem, channels)
    clear = inside(dem, channels, 45.0)
    assert clear.sum() > 30
    assert (shape.width_from[clear] == MEASURED).all()
    # The bank is met where 0.3 m stand above the middle of the bed: 45 degrees from the bed's edge.
    expected_m = bed_m + 2 * (0.3 - TILT * bed_m / 2)
    # Between cells the foot of a bank is drawn inward: too narrow by a cell at most, never much too wide.
    off_cells = (shape.width_m[clear] - expected_m) / cell_m
    assert (off_cells > -1.1).all()
    assert (off_cells < 0.1).all()
    # The wall is met 2 m up: the terrace stands at 1.54 m and more by 60 m.
    terrace_m = TILT * bed_m / 2 + 1.5 + TILT * (30 - 1.5 - bed_m / 2)
    valley_m = 60 + 2 * (2.0 - terrace_m) / (1 + TILT)
    np.testing.assert_allclose(shape.valley_m[clear], valley_m, atol=max(1.0, 1.2 * cell_m))
    np.testing.assert_array_equal(shape.confinement[clear], (shape.valley_m / shape.width_m)[clear])
    assert not shape.is_open[clear].any()


@pytest.mark.parametrize("cell_m", [4.0, 10.0])
def test_a_bed_too_narrow_for_the_cells_falls_back(cell_m):
    dem, channels, _ = straight_valley(cell_m, 0, 8.0)
    shape = measure_shape(dem, channels)
    clear = inside(dem, channels, 45.0)
    assert (shape.width_from[clear] == REGIONAL).all()
    curve = WIDTH_CURVES["general"]
    np.testing.assert_array_equal(shape.width_m[clear], curve.width_m(channels.nodes.upstream_area_m2)[clear])


def test_a_v_has_no_bed():
    east, north = grid(300.0, 1.0)
    dem, channels, _ = network(100 - 0.02 * east + 0.05 * np.abs(north), 1.0, 5000)
    banks = find_banks(
        dem,
        channels,
        channel_line(channels, smooth_m=10),
        bank_height_m=0.3,
        valley_height_m=2,
        half_m=60,
    )
    clear = inside(dem, channels, 45.0)
    # Rows lie beside the line of the V, half a cell off it: 0.3 m above the bed is 6 m up one side and 7 m
    # across to the other.
    np.testing.assert_allclose(banks.width_m[clear], 13.0, rtol=1e-4)
    np.testing.assert_allclose(banks.full_share[clear], 7.0 / 13.0, rtol=1e-4)
    assert (measure_shape(dem, channels).width_from[clear] == REGIONAL).all()


@pytest.mark.parametrize(("bank_slope", "shows"), [(0.05, REGIONAL), (0.2, MEASURED)])
def test_a_gentle_rise_is_no_bank(bank_slope, shows):
    """A floor 16 m wide between slopes: a valley floor where they are gentle, a bed where they are not."""
    east, north = grid(300.0, 1.0)
    across = TILT * np.abs(north) + np.clip(np.abs(north) - 8, 0, None) * bank_slope
    dem, channels, _ = network(100 - 0.02 * east + across, 1.0, 5000)
    shape = measure_shape(dem, channels, rules=ShapeRules(least_full_share=0.5))
    assert (shape.width_from[inside(dem, channels, 45.0)] == shows).all()


def test_a_width_needs_half_of_the_nodes_around():
    heights = np.full((5, 12), 20.0)
    heights[2] = 10 - 0.1 * np.arange(12)
    _, channels, _ = network(heights, 1.0, 6)
    size = len(channels.nodes)
    shown_m = np.full(size, np.nan)
    shown_m[[3, 4, 7]] = [2.0, 8.0, 5.0]
    width_m, width_from = choose_width(channels, shown_m, smooth_m=1.0, curve=None)
    # Two of three nodes at 3 and 4; one of three is too few; at the ends two nodes are around.
    assert np.flatnonzero(width_from == MEASURED).tolist() == [3, 4]
    np.testing.assert_allclose(width_m[[3, 4]], 4.0)
    shown_m[[7, size - 1]] = [np.nan, 5.0]
    assert choose_width(channels, shown_m, smooth_m=1.0, curve=None)[1][-2:].tolist() == [UNKNOWN, MEASURED]


def test_widths_given_known_and_unknown():
    dem, channels, _ = straight_valley(4.0, 0, 8.0)
    given = np.full(len(channels.nodes), np.nan)
    given[3] = 2.5
    some = measure_shape(dem, channels, given_width_m=given)
    assert some.width_from[3] == GIVEN
    assert some.width_m[3] == 2.5
    assert (np.delete(some.width_from, 3) == REGIONAL).all()
    none = measure_shape(dem, channels, rules=ShapeRules(width_curve=None), given_width_m=given)
    assert (np.delete(none.width_from, 3) == UNKNOWN).all()
    assert np.isnan(np.delete(none.width_m, 3)).all()
    assert np.isnan(none.confinement[0])
    assert reach_shape(channels, none).width_m[channels.nodes.reach[3]] == 2.5


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("radius_m", [40.0, 60.0, 90.0])
def test_arc(radius_m, turn):
    """A quarter circle and more, water running with the clock (turn 1) or against it."""
    east, north = grid(2 * radius_m + 60, 1.0)
    angle = np.arctan2(north, east) * -turn
    away = np.hypot(east, north) - radius_m
    heights = 100 - 0.02 * radius_m * angle + profile(away, 6.0, valley_m=20.0)
    heights[angle > 2.6] = np.nan
    dem, channels, _ = network(heights, 1.0, 0.5 * radius_m * 20)
    shape = measure_shape(dem, channels, rules=ShapeRules(smooth_m=12))
    nodes = channels.nodes
    here_east = nodes.easting_m - dem.easting_m(np.array([0]))[0] + 0.5 - (radius_m + 30)
    here_north = nodes.northing_m + radius_m + 30
    at = np.arctan2(here_north, here_east) * -turn
    # The stem of the longest path, clear of the walls' own small channels and of the ends.
    is_stem = np.zeros(len(nodes), bool)
    is_stem[path_nodes(channels, int(np.argmax(nodes.distance_to_outlet_m)))] = True
    on_arc = is_stem & (np.abs(np.hypot(here_east, here_north) - radius_m) < 3) & (np.abs(at) < 1.8)
    assert on_arc.sum() > radius_m
    # Where the grid's path runs straight for 24 cells the curvature is 0, but never on the other side.
    assert (np.sign(shape.curvature_per_m[on_arc]) == turn).mean() > 0.9
    assert (np.sign(shape.curvature_per_m[on_arc]) != -turn).all()
    found = np.median(shape.curvature_per_m[on_arc])
    assert found * radius_m * turn == pytest.approx(1.0, abs=0.12)
    width_m = np.median(shape.width_m[on_arc])
    assert width_m == pytest.approx(6.54, abs=0.5)
    bent = on_arc & (shape.radius_over_width < 10)
    assert (shape.inner_side[bent] == turn).all()
    assert (shape.inner_side[~bent & (shape.radius_over_width > 10)] == 0).all()
    if radius_m == 40.0:
        assert bent[on_arc].mean() > 0.8
        by_reach = reach_shape(channels, shape)
        whole = np.bincount(nodes.reach, ~on_arc, len(channels.reaches)) == 0
        assert whole.sum() >= 2
        assert (by_reach.inner_side[whole] == turn).all()


@pytest.mark.parametrize("below", [0.005, 0.05, 0.1])
def test_knickpoint(below):
    """Slope 0.05 down to the middle, then another."""
    east, north = grid(400.0, 2.0)
    bed = np.where(east < 0, -0.05 * east, -below * east)
    dem, channels, _ = network(100 + bed + 0.5 * np.abs(north + 1), 2.0, 4000)
    shape = measure_shape(dem, channels, rules=ShapeRules(window_m=40))
    middle_m = dem.easting_m(np.array([0]))[0] + 199
    at_m = channels.nodes.easting_m - middle_m
    knick = np.abs(at_m) <= 1.0
    assert knick.sum() == 2
    # The step lies half a cell beside the nodes: 1 m of the window's 40 is on its other side.
    exact = [math.log((39 * below + 0.05) / 40 / 0.05), math.log(below / ((39 * 0.05 + below) / 40))]
    np.testing.assert_allclose(shape.slope_break[knick], exact, atol=2e-4)
    far = (np.abs(at_m) > 45) & (np.abs(at_m) < 130)
    np.testing.assert_allclose(shape.slope_break[far], 0.0, atol=2e-3)
    np.testing.assert_allclose(shape.slope[far & (at_m < 0)], 0.05, rtol=1e-3)
    np.testing.assert_allclose(shape.slope[far & (at_m > 0)], below, rtol=1e-2)
    assert np.isnan(shape.slope_break[channels.nodes.downstream < 0]).all()


def test_a_flat_bed_counts_as_the_least_slope():
    heights = np.full((5, 30), 20.0)
    heights[2] = np.concatenate([10 - 0.1 * np.arange(15), np.full(15, 8.6)])
    dem, channels, _ = network(heights, 1.0, 8)
    shape = measure_shape(dem, channels, rules=ShapeRules(window_m=5))
    knick = np.flatnonzero(channels.nodes.easting_m == 14.5)
    np.testing.assert_allclose(shape.slope_break[knick], math.log(LEAST_SLOPE / 0.1), rtol=1e-4)


def test_expansion():
    """A bed of 6 m opens to 18 m in the middle."""
    east, north = grid(400.0, 1.0)
    bed_m = np.where(east < 0, 6.0, 18.0)
    heights = 100 - 0.02 * east + TILT * np.abs(north) + np.clip(np.abs(north) - bed_m / 2, 0, 1.5) * 2
    dem, channels, _ = network(heights, 1.0, 4000)
    shape = measure_shape(dem, channels, rules=ShapeRules(window_m=60, smooth_m=10))
    at_m = channels.nodes.easting_m - 200
    here = np.abs(at_m) < 100
    assert (shape.width_from[here] == MEASURED).all()
    wide = (6 + 2 * (0.3 - 0.03) / 2.01, 18 + 2 * (0.3 - 0.09) / 2.01)
    peak = np.argmax(np.where(here, shape.expansion, -np.inf))
    assert abs(at_m[peak]) <= 3
    assert shape.expansion[peak] == pytest.approx(math.log(wide[1] / wide[0]), rel=0.06)
    np.testing.assert_allclose(shape.expansion[here & (np.abs(at_m) > 75)], 0.0, atol=0.02)


def test_a_curve_against_a_measured_width_is_no_widening():
    """Banks show along the upper half only; below, the width by area would look like a sudden narrowing."""
    east, north = grid(400.0, 1.0)
    bank = np.where(east < 0, np.clip(np.abs(north) - 5, 0, 1.5), 0.0)
    dem, channels, _ = network(100 - 0.02 * east + 0.1 * np.abs(north) + bank, 1.0, 4000)
    shape = measure_shape(dem, channels, rules=ShapeRules(bank_height_m=1.0))
    at_m = channels.nodes.easting_m - 200
    assert (shape.width_from[(at_m > -100) & (at_m < -30)] == MEASURED).all()
    assert (shape.width_from[(at_m > 30) & (at_m < 100)] == REGIONAL).all()
    here = np.abs(at_m) < 100
    assert shape.width_m[here].max() > 10 * shape.width_m[here].min()
    assert (np.abs(shape.expansion[here]) < 0.3).all()


def y_ground():
    """Two channels from the north meet in a third; the western one drains more ground."""
    heights = np.full((40, 41), 200.0)
    heights[20:, 20] = 80 - np.arange(20)
    for step in range(12):
        heights[19 - step, 19 - step] = 81.0 + step
    for step in range(8):
        heights[19 - step, 21 + step] = 81.0 + step
    return network(heights, 5.0, 3000)


def test_confluence():
    dem, channels, _ = y_ground()
    nodes = channels.nodes
    main = np.isin(nodes.cell, [row * 41 + 20 for row in range(20, 40)])
    joint = np.flatnonzero(nodes.cell == 20 * 41 + 20)[0]
    shape = measure_shape(dem, channels)
    np.testing.assert_allclose(shape.below_confluence_m[main], 5.0 * (np.arange(20)))
    donors = np.flatnonzero(nodes.downstream == joint)
    assert len(donors) >= 2
    areas = np.sort(nodes.upstream_area_m2[donors])
    ratio = shape.area_ratio[joint]
    assert ratio == areas[-2] / areas[-1]
    assert 0 < ratio < 1
    np.testing.assert_array_equal(shape.area_ratio[main], ratio)
    heads = ~np.isin(np.arange(len(nodes)), nodes.downstream)
    assert np.isinf(shape.below_confluence_m[heads]).all()
    assert not shape.area_ratio[heads].any()
    by_reach = reach_shape(channels, shape)
    assert by_reach.below_confluence_m[nodes.reach[joint]] == 0.0


def test_main_stem_is_that_of_the_reach_names():
    rng = np.random.default_rng(5)
    heights = np.add.outer(-0.3 * np.arange(120), np.zeros(150)) + rng.normal(0, 1, (120, 150)).cumsum(1)
    _, channels, _ = network(heights, 5.0, 1000)
    nodes = channels.nodes
    wash, _, _ = trace_washes(nodes.downstream, nodes.upstream_area_m2)
    main = main_donors(nodes.downstream, nodes.upstream_area_m2)
    has = np.flatnonzero(main >= 0)
    assert (wash[main[has]] == wash[has]).all()
    others = (nodes.downstream >= 0) & (main[nodes.downstream] != np.arange(len(nodes)))
    assert others.sum() > 10
    assert (wash[others] != wash[nodes.downstream[others]]).all()


def test_sections_left_is_negative():
    """Flow east: left is north. The north bank is high and the south bank low."""
    east, north = grid(100.0, 1.0)
    across = np.where(north > 0, 4 * north, -0.4 * north)
    dem, channels, _ = network(100 - 0.5 * east + across, 1.0, 500)
    found = cross_sections(
        dem, channels, channel_line(channels, smooth_m=10), middle_nodes(channels), half_m=8, step_m=2
    )
    assert found.offset_m.tolist() == [-8, -6, -4, -2, 0, 2, 4, 6, 8]
    assert found.elevation_m.shape == (len(channels.reaches), 9)
    inner = np.abs(channels.nodes.easting_m[found.node] - 50) < 20
    assert inner.any()
    assert (found.elevation_m[inner, 0] > found.elevation_m[inner, -1] + 20).all()


def test_sections_end_at_voids():
    heights = np.full((7, 12), 10.0)
    heights[3] = 5 - 0.1 * np.arange(12)
    heights[:2] = np.nan
    dem, channels, _ = network(heights, 1.0, 4)
    line = channel_line(channels, smooth_m=5)
    node = np.array([4])
    found = cross_sections(dem, channels, line, node, half_m=3)
    assert np.isnan(found.elevation_m[0]).tolist() == [True] * 4 + [False] * 9
    banks = find_banks(dem, channels, line, bank_height_m=9, valley_height_m=9.5, half_m=3)
    assert banks.is_open[4]
    assert banks.valley_m[4] == 4.0
    assert np.isnan(banks.width_m[4])


def test_a_lone_node_has_no_direction():
    heights = np.array([[9, 9, 9], [9, 1, 9], [9, 9, 9]], np.float32)
    heights[2, 1] = 0.5
    dem, channels, _ = network(heights, 1.0, 9)
    assert len(channels.nodes) == 1
    shape = measure_shape(dem, channels)
    by_reach = reach_shape(channels, shape)
    assert np.isnan([shape.slope[0], shape.slope_break[0], shape.valley_m[0], by_reach.expansion[0]]).all()
    assert shape.width_from.tolist() == [REGIONAL]
    assert shape.curvature_per_m.tolist() == [0.0]


def test_height_above_a_slot():
    dem, channels, ways = straight_valley(2.0, 0, 8.0)
    above = above_channel(dem, channels, ways)
    reached = above.node >= 0
    assert reached.mean() > 0.3
    foot = channels.nodes.elevation_m[above.node[reached]]
    np.testing.assert_array_equal(
        above.height_m[reached], (dem.elevation_m[reached] - foot).astype(np.float32)
    )
    assert np.isnan(above.height_m[~reached]).all()
    assert (above.distance_m[reached] >= 0).all()
    assert not above.height_m.ravel()[channels.nodes.cell].any()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"bank_height_m": 0}, "Invalid 'bank_height_m' of 0. It must be a finite number above 0."),
        ({"smooth_m": -1}, "Invalid 'smooth_m' of -1. It must be a finite number above 0."),
        ({"least_bed_cells": 0}, "Invalid 'least_bed_cells' of 0. It must be a whole number of at least 1."),
        (
            {"least_full_share": 1.5},
            "Invalid 'least_full_share' of 1.5. It must be a finite number of at least 0 and of at most 1.",
        ),
    ],
)
def test_rules_out_of_limits(change, sentence):
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        ShapeRules(**change)


def test_a_curve_needs_a_width():
    sentence = "Invalid 'width_at_km2_m' of 0. It must be a finite number above 0."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        WidthCurve(width_at_km2_m=0, log_slope=0.5)


def test_wrong_widths_nodes_and_directions():
    dem, channels, ways = y_ground()
    size = len(channels.nodes)
    sentence = (
        "Invalid 'given_width_m' of shape (2,). "
        f"It must be one width for all or one for each of {size} nodes."
    )
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        measure_shape(dem, channels, given_width_m=[1.0, 2.0])
    sentence = (
        "Invalid 'given_width_m' with widths that are infinite or not above 0. "
        "They must be finite numbers above 0, or NaN where unknown."
    )
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        measure_shape(dem, channels, given_width_m=0.0)
    line = channel_line(channels, smooth_m=25)
    sentence = f"Invalid 'nodes' of -1 to 3. They must be between 0 and {size - 1}."
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        cross_sections(dem, channels, line, np.array([3, -1]), half_m=5)
    sentence = "Invalid 'directions' of shape (2, 2). It must have the DEM's shape, (40, 41)."
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        above_channel(dem, channels, ways[:2, :2])
    circle = ways.copy()
    circle[0, :2] = [0, 4]
    sentence = (
        "Invalid 'directions' with a cell that drains off the map, into a void or in a circle. "
        "They must be those that 'flow_directions' returns."
    )
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        above_channel(dem, channels, circle)
