"""Flow by least deviation on ground whose paths follow from plain geometry.

Orlandini, Moretti, Franchini, Aldighieri, Testa (2003), Path-based methods for the determination of
nondispersive drainage directions in grid-based digital elevation models, Water Resources Research 39(6),
1144: the method (D8-LTD, factor 1). On a plane a path must run down the fall line; the answers here are
closed forms, no library. Tolerance of 1 degree over 200 cells: a path on cells may end one cell aside of the
line, which is 0.3 degrees, and begins anywhere in its rhythm. The twin is steepest descent, which is 18
degrees off on a plane 18 degrees off south.
"""

import math

import numpy as np
import pytest

from washgrade.land.flow import downstream_cells, flow_directions, upstream_cells

SIDE = 201
ROW, COL = np.mgrid[0:SIDE, 0:SIDE]


def plane(bearing_deg):
    """Ground that falls 0.1 a cell towards a bearing, clockwise from north; wide enough for 200 cells."""
    row, col = np.mgrid[0:601, 0:601]
    angle = math.radians(bearing_deg)
    return (500 - 0.1 * (math.sin(angle) * col - math.cos(angle) * row)).astype(np.float32)


def path_bearing_deg(heights, method, steps=200):
    """Bearing from the middle cell to the one that its water reaches after some steps."""
    to = downstream_cells(flow_directions(heights, method=method))
    rows, cols = heights.shape
    cell = rows // 2 * cols + cols // 2
    start = cell
    for _ in range(steps):
        cell = to[cell]
    down, right = cell // cols - start // cols, cell % cols - start % cols
    return math.degrees(math.atan2(right, -down)) % 360.0


@pytest.mark.parametrize("bearing_deg", [0, 7, 18, 22.5, 30, 45, 100, 162, 180, 198, 211, 225, 301, 359])
def test_paths_follow_the_fall_line_of_a_plane(bearing_deg):
    found = path_bearing_deg(plane(bearing_deg), "least deviation")
    assert (found - bearing_deg + 180) % 360 - 180 == pytest.approx(0.0, abs=1.0)


def test_a_twin_by_steepest_descent_is_18_degrees_off():
    found = path_bearing_deg(plane(198), "steepest")
    assert found == 180.0
    assert found - 198 != pytest.approx(0.0, abs=1.0)


def test_banks_pour_into_the_bed_where_their_fall_lines_meet_it():
    # Banks fall 0.15 across and 0.05 along: a fall line runs 1 along for 3 across, so that a cell at distance
    # d from the bed enters it d / 3 below its own row.
    valley = (0.15 * np.abs(COL - 100) + 0.05 * (200 - ROW)).astype(np.float32)
    straight = upstream_cells(flow_directions(valley, method="least deviation"))
    across = np.abs(COL[0] - 100)
    for row in (50, 100, 150):
        expected = np.maximum(0.0, row + 1 - across / 3).sum()
        assert straight[row, 100] == pytest.approx(expected, rel=0.01)
        assert upstream_cells(flow_directions(valley))[row, 100] == SIDE * (row + 1)
        assert SIDE * (row + 1) != pytest.approx(expected, rel=0.01)
    # On the last row all run to the bed along the map's edge.
    assert straight[200, 100] == SIDE * SIDE


def test_paths_leave_a_cone_near_its_rays():
    # Rays part, so an offset of a cell where they are counted from, 60 cells from the top, has grown to more
    # than two at 140; the path may be as much off by its own rhythm.
    row, col = np.mgrid[-150:151, -150:151]
    heights = (500 - np.hypot(row, col)).astype(np.float32)
    cell = np.flatnonzero((np.hypot(row, col) >= 60) & (np.hypot(row, col) < 61))
    ray = np.hypot(row, col).ravel()[cell]

    def furthest_off(method):
        to = downstream_cells(flow_directions(heights, method=method))
        here = cell
        for _ in range(60):
            here = to[here]
        cross = row.ravel()[here] * col.ravel()[cell] - col.ravel()[here] * row.ravel()[cell]
        return np.abs(cross / ray).max()

    assert furthest_off("least deviation") < 140 / 60 + 1
    assert furthest_off("steepest") > 4 * (140 / 60 + 1)
