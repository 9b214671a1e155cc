"""What holds for every channel's shape; each compiled loop has its slow plain twin here."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import map_coordinates

from washgrade.land.above import above_channel
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.flow import OUTLET, VOID, downstream_cells, flow_directions, upstream_cells
from washgrade.land.line import below_confluences, channel_line, look_along, main_donors
from washgrade.land.reachshape import reach_shape
from washgrade.land.sections import cross_sections, find_banks
from washgrade.land.shape import ShapeRules, measure_shape
from washgrade.land.width import GIVEN, MEASURED

RULES = ShapeRules(smooth_m=11, window_m=16, half_section_m=14, bank_height_m=0.5, least_bed_cells=2)


@st.composite
def lands(draw, *, voids=True):
    """Tilted ground in whole 1/64 m, rough or with a bed between banks; its channels and directions."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    rows, cols = draw(st.integers(5, 22)), draw(st.integers(5, 22))
    heights = rng.normal(0, draw(st.sampled_from([0.2, 1.0, 3.0])), (rows, cols))
    away = np.abs(np.arange(cols) - cols / 2 + draw(st.floats(-2, 2)) * np.sin(np.arange(rows) / 4)[:, None])
    if draw(st.booleans()):
        heights = 0.01 * heights + 0.02 * away + 1.5 * np.clip(away - 2.5, 0, 1)
    else:
        heights += 0.4 * away
    heights -= 0.3 * np.arange(rows)[:, None]
    heights = np.round((heights + 50) * 64) / 64
    if voids and draw(st.booleans()):
        heights[rng.random((rows, cols)) < 0.04] = np.nan
    dem = Dem(elevation_m=heights.astype(np.float32), cell_m=2.0, west_m=0, north_m=0, crs="EPSG:25830")
    conditioned_m = fill(dem.elevation_m)
    ways = flow_directions(conditioned_m)
    cells = draw(st.sampled_from([2, 5, 12]))
    count = upstream_cells(ways)
    cells = min(cells, int(count.max()))
    found = delineate(dem, conditioned_m, ways, count, channel_area_m2=cells * 4.0, max_reach_m=20)
    return dem, found, ways


def paths(channels, node, reach_m):
    """Nodes with their signed distances: up the larger branch, itself, down."""
    nodes = channels.nodes
    found = [(0.0, node)]
    here, along_m = node, 0.0
    while nodes.downstream[here] >= 0:
        along_m += nodes.length_m[here]
        here = int(nodes.downstream[here])
        if along_m > reach_m * (1 + 1e-9):
            break
        found.append((along_m, here))
    here, along_m = node, 0.0
    while True:
        donors = np.flatnonzero(nodes.downstream == here)
        if not donors.size:
            break
        here = int(donors[np.argmax(nodes.upstream_area_m2[donors])])
        along_m += nodes.length_m[here]
        if along_m > reach_m * (1 + 1e-9):
            break
        found.insert(0, (-along_m, here))
    return found


@given(lands())
@settings(max_examples=60, deadline=None)
def test_above_is_a_plain_walk(land):
    dem, channels, ways = land
    found = above_channel(dem, channels, ways)
    node_of = {int(cell): place for place, cell in enumerate(channels.nodes.cell)}
    below = downstream_cells(ways)
    for start in range(ways.size):
        cell, away_m = start, 0.0
        while cell not in node_of and ways.ravel()[cell] < OUTLET:
            away_m += 2.0 * (math.sqrt(2) if ways.ravel()[cell] & 1 else 1.0)
            cell = int(below[cell])
        node = node_of.get(cell, -1) if ways.ravel()[start] != VOID else -1
        assert found.node.ravel()[start] == node
        if node < 0:
            assert np.isnan(found.height_m.ravel()[start])
            assert np.isnan(found.distance_m.ravel()[start])
        else:
            expected = dem.elevation_m.ravel()[start] - channels.nodes.elevation_m[node]
            assert found.height_m.ravel()[start] == expected
            assert found.distance_m.ravel()[start] == pytest.approx(away_m, rel=1e-5)


@given(lands(), st.sampled_from([3.0, 7.0, 15.0]))
@settings(max_examples=60, deadline=None)
def test_line_is_a_fit_of_parabolas(land, smooth_m):
    _, channels, _ = land
    nodes = channels.nodes
    line = channel_line(channels, smooth_m=smooth_m)
    for node in range(len(nodes)):
        near = paths(channels, node, smooth_m)
        if len(near) == 1:
            continue
        along, place = np.array([t for t, _ in near]) / smooth_m, [k for _, k in near]
        degree = 2 if len(near) >= 5 else 1
        east = np.polyfit(along, nodes.easting_m[place] - nodes.easting_m[node], degree)[::-1]
        north = np.polyfit(along, nodes.northing_m[place] - nodes.northing_m[node], degree)[::-1]
        speed = math.hypot(east[1], north[1])
        # A path that turns back on itself may have no direction to speak of.
        if speed < 1e-3:
            continue
        assert line.eastward[node] == pytest.approx(east[1] / speed, abs=1e-6)
        assert line.northward[node] == pytest.approx(north[1] / speed, abs=1e-6)
        bend = 2 * (north[1] * east[2] - east[1] * north[2]) / speed**3 if degree == 2 else 0.0
        assert line.curvature_per_m[node] == pytest.approx(bend, rel=1e-5, abs=1e-8)


@given(lands(voids=False))
@settings(max_examples=40, deadline=None)
def test_sections_are_scipys_bilinear(land):
    dem, channels, _ = land
    line = channel_line(channels, smooth_m=7)
    chosen = np.flatnonzero(~np.isnan(line.eastward))
    found = cross_sections(dem, channels, line, chosen, half_m=9, step_m=0.7)
    assert found.offset_m.min() == -found.offset_m.max()
    row, col = np.divmod(channels.nodes.cell[chosen], dem.shape[1])
    rows = row[:, None] + found.offset_m / 2.0 * line.eastward[chosen][:, None]
    cols = col[:, None] + found.offset_m / 2.0 * line.northward[chosen][:, None]
    expected = map_coordinates(dem.elevation_m.astype(float), [rows, cols], order=1, cval=np.nan)
    clear = ~np.isnan(expected)
    np.testing.assert_allclose(found.elevation_m[clear], expected[clear], atol=1e-5)
    edge_row, edge_col = dem.shape[0] - 1, dem.shape[1] - 1
    outside = (rows < -1e-6) | (rows > edge_row + 1e-6) | (cols < -1e-6) | (cols > edge_col + 1e-6)
    assert np.isnan(found.elevation_m[outside]).all()
    np.testing.assert_allclose(
        found.elevation_m[:, len(found.offset_m) // 2], dem.elevation_m[row, col], rtol=0, atol=0
    )


def first_rise(offset_m, rise_m, height_m):
    for k in range(1, len(offset_m)):
        if np.isnan(rise_m[k]):
            return None, offset_m[k - 1]
        if rise_m[k] >= height_m:
            part = (height_m - rise_m[k - 1]) / (rise_m[k] - rise_m[k - 1])
            slope = (rise_m[k] - rise_m[k - 1]) / (offset_m[k] - offset_m[k - 1])
            return offset_m[k - 1] + part * (offset_m[k] - offset_m[k - 1]), slope
    return None, offset_m[-1]


@given(lands())
@settings(max_examples=40, deadline=None)
def test_banks_are_read_off_the_sections(land):
    dem, channels, _ = land
    line = channel_line(channels, smooth_m=7)
    banks = find_banks(dem, channels, line, bank_height_m=0.5, valley_height_m=2, half_m=9)
    every = np.arange(len(channels.nodes))
    cut = cross_sections(dem, channels, line, every, half_m=9)
    middle = len(cut.offset_m) // 2
    for node in every:
        if np.isnan(line.eastward[node]):
            assert np.isnan(banks.width_m[node])
            continue
        rise_m = cut.elevation_m[node] - cut.elevation_m[node, middle]
        right = (cut.offset_m[middle:], rise_m[middle:])
        left = (-cut.offset_m[middle::-1], rise_m[middle::-1])
        feet = [first_rise(*side, 0.5)[0] for side in (left, right)]
        half = [first_rise(*side, 0.25)[0] for side in (left, right)]
        for found, expected in zip((banks.left_m[node], banks.right_m[node]), feet, strict=True):
            assert np.isnan(found) if expected is None else found == pytest.approx(expected, rel=1e-9)
        if None not in feet:
            assert banks.width_m[node] == pytest.approx(sum(feet), rel=1e-9)
            assert banks.full_share[node] == pytest.approx(sum(half) / sum(feet), rel=1e-9)
            assert 0 < banks.full_share[node] <= 1
            steep = min(first_rise(*side, 0.5)[1] for side in (left, right))
            assert banks.bank_slope[node] == pytest.approx(steep, rel=1e-9)
            assert banks.valley_m[node] >= banks.width_m[node] * (1 - 1e-9)
        valley = [first_rise(*side, 2.0) for side in (left, right)]
        assert banks.is_open[node] == any(at is None for at, _ in valley)
        expected = sum(end if at is None else at for at, end in valley)
        assert banks.valley_m[node] == pytest.approx(expected, rel=1e-9)


@given(lands(), st.sampled_from([1.0, 6.0, 30.0]))
@settings(max_examples=40, deadline=None)
def test_looking_along_is_a_plain_walk(land, window_m):
    _, channels, _ = land
    nodes = channels.nodes
    value = np.log(nodes.upstream_area_m2)
    value[::3] = np.nan
    main = main_donors(nodes.downstream, nodes.upstream_area_m2)
    total, known, seen, far = look_along(nodes.downstream, main, nodes.length_m, value, window_m)
    for node in range(len(nodes)):
        near = paths(channels, node, window_m)
        sides = [[k for t, k in near if t < 0][::-1], [k for t, k in near if t > 0]]
        for side in range(2):
            if not sides[side] and (main[node], nodes.downstream[node])[side] >= 0:
                sides[side] = [(main[node], nodes.downstream[node])[side]]
            assert seen[side, node] == len(sides[side])
            assert far[side, node] == (sides[side] or [node])[-1]
            chosen = value[sides[side]] if sides[side] else np.array([])
            assert known[side, node] == np.isfinite(chosen).sum()
            assert total[side, node] == pytest.approx(np.nansum(chosen), rel=1e-12)


@given(lands())
@settings(max_examples=40, deadline=None)
def test_confluences_are_a_plain_walk(land):
    _, channels, _ = land
    nodes = channels.nodes
    main = main_donors(nodes.downstream, nodes.upstream_area_m2)
    found_m, found_ratio = below_confluences(nodes.downstream, main, nodes.length_m, nodes.upstream_area_m2)
    for node in range(len(nodes)):
        here, away_m, ratio = node, 0.0, 0.0
        while True:
            donors = np.flatnonzero(nodes.downstream == here)
            if len(donors) != 1:
                break
            here = int(donors[0])
            away_m += nodes.length_m[here]
        if len(donors):
            areas = np.sort(nodes.upstream_area_m2[donors])
            ratio = areas[-2] / areas[-1]
        else:
            away_m = math.inf
        assert found_m[node] == pytest.approx(away_m, rel=1e-12)
        assert found_ratio[node] == ratio
        assert 0 <= ratio <= 1


def fields(record):
    return {name: getattr(record, name) for name in record.__dataclass_fields__}


def assert_like(found, expected, **factors):
    for name, value in fields(expected).items():
        np.testing.assert_allclose(
            fields(found)[name], value * factors.get(name, 1), rtol=1e-7, atol=1e-9, err_msg=name
        )


@given(lands(), st.sampled_from([-64.0, 32.0, 512.0]))
@settings(max_examples=40, deadline=None)
def test_raising_all_ground_changes_nothing(land, lift_m):
    dem, channels, ways = land
    lifted = replace(dem, elevation_m=dem.elevation_m + np.float32(lift_m))
    nodes = replace(channels.nodes, elevation_m=channels.nodes.elevation_m + lift_m)
    above = replace(channels, nodes=nodes)
    assert_like(measure_shape(lifted, above, rules=RULES), measure_shape(dem, channels, rules=RULES))
    assert_like(above_channel(lifted, above, ways), above_channel(dem, channels, ways))


@given(lands())
@settings(max_examples=40, deadline=None)
def test_a_mirror_changes_sides_and_nothing_else(land):
    dem, channels, _ = land
    cols = dem.shape[1]
    row, col = np.divmod(channels.nodes.cell, cols)
    mirrored = replace(dem, elevation_m=np.ascontiguousarray(dem.elevation_m[:, ::-1]))
    nodes = replace(
        channels.nodes,
        cell=row * cols + (cols - 1 - col),
        easting_m=mirrored.easting_m(cols - 1 - col),
    )
    other = replace(channels, nodes=nodes)
    before, after = measure_shape(dem, channels, rules=RULES), measure_shape(mirrored, other, rules=RULES)
    assert_like(after, before, curvature_per_m=-1, inner_side=-1)
    banks = [
        find_banks(ground, net, channel_line(net, smooth_m=11), bank_height_m=1, valley_height_m=2, half_m=9)
        for ground, net in ((dem, channels), (mirrored, other))
    ]
    np.testing.assert_allclose(banks[0].left_m, banks[1].right_m, rtol=1e-9)
    np.testing.assert_allclose(banks[0].right_m, banks[1].left_m, rtol=1e-9)
    # Of two bends as sharp either may speak for the reach, so only the sharpness is compared.
    first, second = reach_shape(channels, before), reach_shape(other, after)
    np.testing.assert_allclose(second.radius_over_width, first.radius_over_width, rtol=1e-7)
    np.testing.assert_allclose(second.width_m, first.width_m, rtol=1e-9)


@given(lands(), st.sampled_from([0.25, 2.0, 8.0]))
@settings(max_examples=40, deadline=None)
def test_a_ground_of_another_size_has_the_same_shape(land, size):
    dem, channels, _ = land
    larger = replace(dem, elevation_m=dem.elevation_m * np.float32(size), cell_m=dem.cell_m * size)
    nodes = channels.nodes
    grown = replace(
        channels,
        nodes=replace(
            nodes,
            length_m=nodes.length_m * size,
            easting_m=nodes.easting_m * size,
            northing_m=nodes.northing_m * size,
            elevation_m=nodes.elevation_m * size,
            distance_to_outlet_m=nodes.distance_to_outlet_m * size,
            upstream_area_m2=nodes.upstream_area_m2 * size**2,
        ),
    )
    before = measure_shape(dem, channels, rules=replace(RULES, width_curve=None), given_width_m=3.0)
    after = measure_shape(
        larger,
        grown,
        rules=replace(
            RULES,
            width_curve=None,
            smooth_m=RULES.smooth_m * size,
            window_m=RULES.window_m * size,
            half_section_m=RULES.half_section_m * size,
            bank_height_m=RULES.bank_height_m * size,
            valley_height_m=RULES.valley_height_m * size,
        ),
        given_width_m=3.0 * size,
    )
    assert_like(
        after,
        before,
        width_m=size,
        valley_m=size,
        below_confluence_m=size,
        curvature_per_m=1 / size,
        stream_power_w_m2_per_m3_s=1 / size,
    )


@given(lands())
@settings(max_examples=40, deadline=None)
def test_reaches_sum_up_their_nodes(land):
    dem, channels, _ = land
    shape = measure_shape(dem, channels, rules=RULES)
    found = reach_shape(channels, shape)
    given = reach_shape(channels, shape, given_width_m=7.5)
    for reach in range(len(channels.reaches)):
        own = channels.nodes.reach == reach
        assert found.width_m[reach] == pytest.approx(np.median(shape.width_m[own]), rel=1e-12)
        measured = (shape.width_from[own] == MEASURED).mean() >= 0.5
        assert (found.width_from[reach] == MEASURED) == measured
        assert given.width_m[reach] == (found.width_m[reach] if measured else 7.5)
        assert given.width_from[reach] == (MEASURED if measured else GIVEN)
        assert found.radius_over_width[reach] == shape.radius_over_width[own].min()
        assert found.inner_side[reach] in shape.inner_side[own]
        for name in ("slope_break", "expansion"):
            value = getattr(shape, name)[own]
            known = value[~np.isnan(value)]
            if known.size:
                assert getattr(found, name)[reach] == pytest.approx(known.mean(), abs=1e-12)
            else:
                assert np.isnan(getattr(found, name)[reach])
        valley = shape.confinement[own]
        known = valley[~np.isnan(valley)]
        if known.size:
            assert found.confinement[reach] == pytest.approx(np.median(known), rel=1e-12)
    assert (shape.confinement[~np.isnan(shape.confinement)] >= 1).all()
    assert (shape.slope[~np.isnan(shape.slope)] >= 0).all()
