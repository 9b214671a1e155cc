"""Drawn lines and tracks carved into the ground: what water does then, and what is refused."""

import re

import numpy as np
import pytest

from washgrade.errors import GroundError
from washgrade.land.burn import burn, smooth_track
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.flow import downstream_cells

SIDE = 80


def ground(heights):
    return Dem(
        elevation_m=np.asarray(heights, np.float32), cell_m=2, west_m=1000, north_m=2000, crs="EPSG:25830"
    )


def valley():
    """A valley that falls to the south along column 40; (easting, northing) of a cell is at its centre."""
    row, col = np.mgrid[0:SIDE, 0:SIDE]
    return 0.15 * np.abs(col - 40) + 0.1 * (SIDE - row)


def place(row, col):
    return 1000 + (col + 0.5) * 2, 2000 - (row + 0.5) * 2


def follows(drained):
    """Every cell of every line drains to the next one."""
    to = downstream_cells(drained.directions)
    burned = drained.burned
    for line in range(len(burned.start) - 1):
        cells = burned.cell[burned.start[line] : burned.start[line + 1]]
        np.testing.assert_array_equal(to[cells[:-1]], cells[1:])
        assert (np.diff(drained.conditioned_m.ravel()[cells]) < 0).all()
    return True


def test_water_follows_a_line_away_from_the_valley_of_the_dem():
    dem = ground(valley())
    line = [place(10, 40), place(30, 47), place(50, 47), place(79, 40)]
    drained = condition_and_route(dem, lines_m=[line], smooth_m=0.0)
    assert follows(drained)
    # At the lower end of the stretch beside the valley, the line carries what the valley did.
    at_line = drained.upstream_cells[45, 47]
    assert at_line > 1000
    np.testing.assert_array_equal(dem.elevation_m, valley().astype(np.float32))
    # The twin without a line runs in the valley.
    twin = condition_and_route(dem)
    assert twin.upstream_cells[45, 40] > 1000 > twin.upstream_cells[45, 47]


def test_a_line_drawn_upstream_is_turned_and_said_so():
    line = [place(79, 40), place(10, 40)]
    drained = condition_and_route(ground(valley()), lines_m=[line], smooth_m=0.0)
    assert drained.burned.reversed_lines == (0,)
    assert drained.burned.sentences() == (
        "Channel line 1 was drawn upstream: it is taken from its higher end to the lower.",
        f"1 channel line carved into the ground along {len(drained.burned.cell)} cells, up to "
        f"{drained.burned.carved_m.max():.1f} m deep ({drained.burned.volume_m3:,.1f} m³), for the water's "
        "way only.",
    )
    assert f" {drained.burned.carved_m.max() / 0.3048:.1f} ft deep (" in drained.burned.sentences("us")[1]
    assert follows(drained)


def test_a_tributary_joins_the_main_line():
    main = [place(5, 40), place(79, 40)]
    side = [place(10, 60), place(40, 40)]
    drained = condition_and_route(ground(valley()), lines_m=[side, main], smooth_m=0.0)
    assert follows(drained)
    burned = drained.burned
    joint = burned.cell[burned.start[1] - 1]
    assert joint in burned.cell[burned.start[1] :]


def test_a_jittered_track_is_smoothed_and_snapped_to_the_valley():
    rng = np.random.default_rng(5)
    heights = valley() + 1.0 * (np.mgrid[0:SIDE, 0:SIDE][1] != 40)
    row = np.linspace(3, 76, 120)
    track = np.array([place(r, 40 + c) for r, c in zip(row, rng.normal(0, 2.0, 120), strict=True)])
    # Somebody walked to and fro.
    track = np.concatenate([track[:60], track[50:60][::-1], track[50:]])
    snapped = burn(ground(heights), [track], snap_m=8.0)
    assert (np.abs(snapped.cell % SIDE - 40) <= 1).all()
    assert len(snapped.cell) == len(np.unique(snapped.cell))
    loose = burn(ground(heights), [track])
    assert (loose.cell % SIDE != 40).mean() > 2 * (snapped.cell % SIDE != 40).mean()
    assert loose.volume_m3 > snapped.volume_m3
    assert follows(condition_and_route(ground(heights), lines_m=[track], snap_m=8.0))


def test_smoothing_keeps_ends_and_lowers_jitter():
    rng = np.random.default_rng(1)
    along = np.arange(0.0, 400.0, 4.0)
    track = np.column_stack([along, rng.normal(0, 2.0, len(along))])
    smooth = smooth_track(track, step_m=2.0, smooth_m=15.0)
    np.testing.assert_allclose(smooth[[0, -1]], track[[0, -1]], atol=1e-6)
    assert smooth[20:-20, 1].std() < 0.5 * track[:, 1].std()
    straight = smooth_track([(0, 0), (0, 100)], step_m=2.0, smooth_m=15.0)
    np.testing.assert_allclose(straight[:, 1], np.linspace(0, 100, 51), atol=1e-6)


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        (
            [place(10, 40), place(85, 40)],
            "Channel line 1 leaves the ground at easting 1081, northing 1840. It must lie on the DEM, off "
            "its voids. Cut the line there, or give a DEM that covers it.",
        ),
        (
            [place(10, 40), place(12, 40)],
            "Channel line 1 is 3 cells long. It must have at least 5 cells of 2 m to show a direction. Draw "
            "it longer or leave it out.",
        ),
        (
            [place(10, 40), place(10, 40)],
            "A channel line has fewer than two points apart. Draw it from its head to its end.",
        ),
        (
            [place(10, 40), place(30, 79), place(79, 40)],
            "Channel line 1 climbs 3.7 m above a lower place upstream, at easting 1157, northing 1939. It "
            "may climb 3.0 m at most. Does it leave its valley there? Move the line, or cut it in two.",
        ),
    ],
)
def test_lines_that_cannot_be_a_wash_are_refused(line, sentence):
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        burn(ground(valley()), [line], smooth_m=0.0, max_climb_m=3.0)
