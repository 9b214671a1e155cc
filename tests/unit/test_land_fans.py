"""Fans on ground that was made: a canyon that opens onto a cone, onto a plain, and a nose without a canyon.

A cone below a canyon's mouth is the textbook shape of a fan (Bull 1977; Blair & McPherson 1994). How domed a
section is follows from the cone's equation: at a distance R below the tip, ground at w to the side lies
s (sqrt(R^2 + w^2) - R) lower. Ours is a little flatter across (w times 0.9), or else every way down from its
tip would be as steep as the next and water would leave by any side.
"""

import re

import numpy as np
import pytest

from washgrade.errors import GroundError, InputError
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.fans import IN_VALLEY, ON_FAN, ON_PLAIN, FanRules, _below_valley, find_fans

CELL_M = 10.0
MOUTH_ROW = 120
TIP_M = 200.0
FLATTER = 0.9


def made(below, *, slope=0.05, noise_m=0.05, rows=300, cols=161, method="least deviation"):
    """A canyon down to row 120, and below its mouth a cone, a tilted plane or a nose."""
    row, col = np.mgrid[0:rows, 0:cols]
    down_m, across_m = (row - MOUTH_ROW) * CELL_M, (col - cols // 2) * CELL_M
    # The tip lies some way up the canyon, so that the mouth is a piece of the cone and not its tip.
    cone = -slope * (np.hypot(TIP_M + np.maximum(down_m, 0), FLATTER * across_m) - TIP_M)
    plane = -slope * down_m
    ground = cone if below == "cone" else plane - (across_m / 80) ** 2 * (below == "nose")
    canyon = -slope * down_m + 0.5 * np.abs(across_m)
    heights = np.where((row < MOUTH_ROW) & (below != "nose"), canyon, ground)
    # Above the mouth the mountain's front stands over the fan; at its very edge the water goes straight on.
    heights = heights + 500 + noise_m * np.random.default_rng(1).random((rows, cols))
    dem = Dem(elevation_m=heights.astype(np.float32), cell_m=CELL_M, west_m=0, north_m=0, crs="EPSG:25830")
    drained = condition_and_route(dem, method=method)
    channels = delineate(
        dem,
        drained.conditioned_m,
        drained.directions,
        drained.upstream_cells,
        channel_area_m2=4e5 if below != "nose" else 1e4,
    )
    return dem, channels


def rows_of(channels):
    return -channels.nodes.northing_m / CELL_M - 0.5


def test_a_cone_below_a_canyon_is_a_fan_and_the_canyon_is_none():
    dem, channels = made("cone")
    found = find_fans(dem, channels)
    row = rows_of(channels)
    stem = channels.nodes.upstream_area_m2 >= 1.0e6
    assert (found.ground[(row < MOUTH_ROW - 20)] == IN_VALLEY).all()
    # From 250 m below the tip (a section is 150 m to each side) to 200 m above the map's end.
    on_cone = (row > MOUTH_ROW + 25) & (row < 280) & stem
    assert on_cone.sum() > 100
    assert (found.ground[on_cone] == ON_FAN).mean() > 0.95
    reach_row = np.bincount(channels.nodes.reach, row) / np.bincount(channels.nodes.reach)
    assert not found.reach_on_fan[reach_row < MOUTH_ROW - 10].any()
    count = int(found.reach_on_fan.sum())
    assert count > 10
    assert found.sentence == (
        f"{count} of {len(channels.reaches)} reaches run over fans, where a bed may shift between storms: "
        "the lines shown are those that the DEM has."
    )
    assert found.note == (
        "On a fan: the bed may shift between storms. The line shown is the one the DEM has; look for the bed "
        "that carried the last flood."
    )
    np.testing.assert_array_equal(found.reach_on_fan, found.fan_share >= 0.5)


def test_a_plain_below_a_canyon_is_open_but_no_fan():
    dem, channels = made("plane")
    found = find_fans(dem, channels)
    row = rows_of(channels)
    stem = channels.nodes.upstream_area_m2 >= 1.0e6
    below = (row > MOUTH_ROW + 25) & (row < 280) & stem
    assert below.sum() > 100
    assert (found.ground[below] == ON_PLAIN).all()
    assert not found.reach_on_fan.any()
    assert found.sentence == "No reach runs over a fan."


def test_the_nose_of_a_hill_is_domed_but_no_fan():
    dem, channels = made("nose")
    found = find_fans(dem, channels)
    assert np.nanmax(found.bulge_m) > 0.2
    assert not (found.ground == ON_FAN).any()


def test_a_gentle_cone_is_no_fan_unless_told():
    dem, channels = made("cone", slope=0.008, noise_m=0.005)
    assert not (find_fans(dem, channels).ground == ON_FAN).any()
    told = find_fans(dem, channels, rules=FanRules(least_slope=0.004, least_bulge_m=0.02))
    assert (told.ground == ON_FAN).any()


def test_how_domed_a_cone_is_follows_from_its_equation():
    # By steepest descent the stem runs straight down the cone's axis.
    dem, channels = made("cone", noise_m=0.0, method="steepest")
    found = find_fans(dem, channels, rules=FanRules(window_m=30.0))
    nodes = channels.nodes
    row = rows_of(channels)
    straight = np.abs(nodes.easting_m - 80.5 * CELL_M) < 1e-6
    place = int(np.flatnonzero(straight & (row == MOUTH_ROW + 100))[0])
    away_m = np.arange(4, 16) * CELL_M
    expected = []
    # The mean over the node and three to each side, as the window asks.
    for step in range(-3, 4):
        below_m = TIP_M + (100 + step) * CELL_M
        level_m = -0.05 * (np.hypot(below_m, FLATTER * away_m) - below_m)
        fall = np.polyfit(away_m**2, level_m, 1)[0]
        expected.append(-fall * (away_m[-1] ** 2 - away_m[0] ** 2))
    assert found.bulge_m[place] == pytest.approx(np.mean(expected), rel=2e-3)
    # A twin that forgets that the section begins a quarter of the way out differs.
    whole_m = 0.05 * (np.hypot(1200.0, FLATTER * 150.0) - 1200.0)
    assert found.bulge_m[place] != pytest.approx(whole_m, rel=2e-2)


def test_several_ends_and_a_void_are_no_error():
    dem, _ = made("cone")
    heights = dem.elevation_m.copy()
    heights[200:230, 60:100] = np.nan
    holed = Dem(elevation_m=heights, cell_m=CELL_M, west_m=0, north_m=0, crs="EPSG:25830")
    drained = condition_and_route(holed)
    channels = delineate(
        holed, drained.conditioned_m, drained.directions, drained.upstream_cells, channel_area_m2=4e5
    )
    found = find_fans(holed, channels)
    assert (channels.nodes.downstream < 0).sum() > 1
    ends_in_void = (channels.nodes.downstream < 0) & (np.abs(rows_of(channels) - 199) < 2)
    assert ends_in_void.any()
    assert (found.ground == ON_FAN).any()


def test_channels_must_belong_to_the_dem():
    dem, channels = made("cone")
    small = Dem(elevation_m=dem.elevation_m[:10], cell_m=CELL_M, west_m=0, north_m=0, crs="EPSG:25830")
    sentence = (
        f"Invalid 'channels' with cell {int(channels.nodes.cell.max())}. "
        "It must belong to the DEM, whose cells go up to 1609."
    )
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        find_fans(small, channels)


@pytest.mark.parametrize("name", ["half_section_m", "valley_height_m", "window_m"])
def test_rules_must_be_above_zero(name):
    sentence = f"Invalid '{name}' of 0. It must be a finite number above 0."
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        FanRules(**{name: 0})


@pytest.mark.parametrize("name", ["least_bulge_m", "least_slope", "valley_above_m"])
def test_limits_must_not_be_negative(name):
    sentence = f"Invalid '{name}' of -1. It must be a finite number of at least 0."
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        FanRules(**{name: -1})


def test_below_a_valley_equals_a_plain_walk():
    rng = np.random.default_rng(3)
    size = 200
    downstream = np.array([min(k + int(rng.integers(1, 4)), size) for k in range(size)], np.int32)
    downstream[downstream >= size] = -1
    length_m = np.where(downstream < 0, 0.0, rng.uniform(5, 15, size))
    walled = rng.random(size) < 0.8
    found = _below_valley(downstream, length_m, walled, 60.0)

    def longest_m(node):
        """Longest way down to a node along which every node stands between sides, this one among them."""
        if not walled[node]:
            return 0.0
        above = np.flatnonzero(downstream == node)
        return max([longest_m(k) + length_m[k] for k in above if walled[k]], default=0.0)

    held = np.array([walled[node] and longest_m(node) >= 60.0 for node in range(size)])
    assert held.any()
    assert not held.all()
    expected = held.copy()
    for node in range(size):
        if downstream[node] >= 0:
            expected[downstream[node]] |= expected[node]
    np.testing.assert_array_equal(found, expected)
