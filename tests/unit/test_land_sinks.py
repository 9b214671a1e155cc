"""Cells in which water sinks into the ground: fill and flow let it end there."""

import re

import numpy as np
import pytest

from washgrade.errors import GroundError
from washgrade.land.fill import fill
from washgrade.land.flow import OUTLET, flow_directions, upstream_cells


def bowl():
    row, col = np.mgrid[0:9, 0:9]
    return np.hypot(row - 4.0, col - 4.0).astype(np.float32)


@pytest.mark.parametrize("in_order", [False, True])
def test_a_bowl_with_a_sink_is_not_filled_and_drains_to_it(in_order):
    heights = 10 - np.abs(bowl() - 3)
    sink = 4 * 9 + 4
    assert not np.array_equal(fill(heights), heights)
    filled = fill(heights, in_order=in_order, outlets=np.array([sink]))
    np.testing.assert_array_equal(filled, heights)
    directions = flow_directions(filled, outlets=np.array([sink]))
    count = upstream_cells(directions)
    assert directions.ravel()[sink] == OUTLET
    assert count.ravel()[sink] > 20
    assert count[directions == OUTLET].sum() == 81


def test_water_ends_in_a_sink_on_a_slope():
    slope = np.repeat(np.arange(9.0, 0.0, -1.0)[:, None], 5, axis=1).astype(np.float32)
    sink = 4 * 5 + 2
    directions = flow_directions(slope, outlets=np.array([sink]))
    count = upstream_cells(directions)
    assert (count[4, 2], count[5, 2], count[8, 2]) == (5, 1, 4)
    assert count[directions == OUTLET].sum() == 45


@pytest.mark.parametrize("step", [fill, flow_directions])
@pytest.mark.parametrize(
    ("cell", "sentence"),
    [
        (81, "Invalid outlet of cell 81. It must be a flat index between 0 and 80."),
        (-1, "Invalid outlet of cell -1. It must be a flat index between 0 and 80."),
        (3, "Invalid outlet of cell 3, which is void. It must have a height."),
    ],
)
def test_a_sink_must_be_a_cell_with_a_height(step, cell, sentence):
    heights = bowl()
    heights[0, 3] = np.nan
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        step(heights, outlets=np.array([4, cell]))
