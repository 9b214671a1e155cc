"""DEM, breach, flow and the chain of steps: what they say when something is wrong, and what they report."""

import re

import numpy as np
import pytest

from washgrade.errors import GroundError, InputError
from washgrade.land.breach import breach
from washgrade.land.dem import Dem, hillshade, horn_gradient
from washgrade.land.drainage import condition_and_route, default_breach_m
from washgrade.land.fill import fill
from washgrade.land.flow import OUTLET, VOID, flow_directions, upstream_cells
from washgrade.land.threshold import constant_drop


def whole(sentence):
    return "^" + re.escape(sentence) + "$"


def dem(heights, cell_m=5.0):
    return Dem(
        elevation_m=np.asarray(heights, np.float32), cell_m=cell_m, west_m=0, north_m=0, crs="EPSG:25830"
    )


@pytest.mark.parametrize(
    ("heights", "sentence"),
    [
        (np.zeros(3, np.float32), "Invalid 'elevation_m' of 1 dimensions. It must have rows and columns."),
        (
            np.full((2, 2), np.nan, np.float32),
            "The DEM holds no height at all. It must have at least one cell that is not void.",
        ),
        (
            np.array([[1, np.inf]], np.float32),
            "The DEM holds infinite heights. It must hold finite heights, or NaN for voids.",
        ),
    ],
)
def test_a_dem_must_be_a_grid_of_heights(heights, sentence):
    with pytest.raises(GroundError, match=whole(sentence)):
        dem(heights)


@pytest.mark.parametrize(
    "step", [fill, flow_directions, lambda heights: breach(heights, cell_m=5, max_length_m=50)]
)
@pytest.mark.parametrize(
    ("heights", "sentence"),
    [
        (np.zeros(3, np.float32), "Invalid 'elevation_m' of 1 dimensions. It must have rows and columns."),
        (
            np.zeros((0, 4), np.float32),
            "Invalid 'elevation_m' of 0 cells. It must have between 1 and 2147483647 cells.",
        ),
        (
            np.array([[1, -np.inf]], np.float32),
            "Invalid 'elevation_m' with infinite heights. It must hold finite heights, or NaN for voids.",
        ),
    ],
)
def test_each_step_asks_for_a_grid_of_heights(step, heights, sentence):
    with pytest.raises(GroundError, match=whole(sentence)):
        step(heights)


def test_horn_asks_for_a_cell_size():
    with pytest.raises(InputError, match=whole("Invalid 'cell_m' of 0. It must be a finite number above 0.")):
        horn_gradient(np.zeros((2, 2), np.float32), 0)


@pytest.mark.parametrize(
    ("setting", "sentence"),
    [
        (
            {"altitude_deg": 91},
            "Invalid 'altitude_deg' of 91. It must be a finite number of at least 0 and of at most 90.",
        ),
        ({"azimuth_deg": np.nan}, "Invalid 'azimuth_deg' of nan. It must be a finite number."),
        ({"exaggeration": 0}, "Invalid 'exaggeration' of 0. It must be a finite number above 0."),
    ],
)
def test_relief_needs_a_light(setting, sentence):
    with pytest.raises(InputError, match=whole(sentence)):
        hillshade(dem([[1, 2]]), **setting)


def test_relief_is_bright_towards_the_light_dark_away_and_void_on_voids():
    row, col = np.mgrid[0:20, 0:20]
    cone = -np.hypot(row - 9.5, col - 9.5)
    cone[0, 0] = np.nan
    shade = hillshade(dem(cone * 5))
    assert shade.dtype == np.float32
    assert np.isnan(shade[0, 0])
    assert np.isfinite(shade.ravel()[1:]).all()
    assert np.nanmin(shade) >= 0
    assert np.nanmax(shade) <= 1
    assert shade[4, 4] > 0.99 > 0.01 > shade[15, 15]
    # Steeper ground makes for more contrast.
    strong = hillshade(dem(cone), exaggeration=5.0)
    np.testing.assert_allclose(strong, shade, atol=1e-6)


def test_breach_needs_a_cell_size_and_a_length():
    ground = np.zeros((3, 3), np.float32)
    with pytest.raises(
        InputError, match=whole("Invalid 'cell_m' of -1. It must be a finite number above 0.")
    ):
        breach(ground, cell_m=-1, max_length_m=5)
    with pytest.raises(
        InputError, match=whole("Invalid 'max_length_m' of -1. It must be a finite number of at least 0.")
    ):
        breach(ground, cell_m=1, max_length_m=-1)


def test_a_single_pit_is_raised_where_that_is_cheaper():
    # Raising takes 1 m; cutting to the edge takes 8 + 8.
    ground = np.full((5, 5), 9.0, np.float32)
    ground[2, 2], ground[2, 3], ground[2, 4] = 1.0, 2.0, 1.5
    opened = breach(ground, cell_m=1, max_length_m=10)
    assert opened.raised.tolist() == [12]
    assert opened.raised_volume_m3 == 1.0
    assert len(opened.cuts) == 0
    assert opened.elevation_m[2].tolist() == [9.0, 9.0, 2.0, 2.0, 1.5]


def test_a_pit_is_raised_in_part_where_that_saves_as_much_on_each_cell_to_dig():
    # Raising the pit by 0.5 m saves 0.5 m on both cells to the edge.
    ground = np.full((7, 7), 9.0, np.float32)
    ground[3, 2], ground[3, 3] = 1.0, 1.5
    opened = breach(ground, cell_m=1, max_length_m=10)
    assert opened.raised.tolist() == [3 * 7 + 2]
    assert opened.raised_volume_m3 == 0.5
    assert opened.cuts.volume_m3.tolist() == [15.0]
    assert opened.pits_left == 0


def test_a_level_floor_is_one_pit_and_one_level_cut():
    ground = np.full((11, 11), 5.0, np.float32)
    ground[4:7, 4:7] = 1.0
    ground[5, 9:] = 0.0
    opened = breach(ground, cell_m=2, max_length_m=30)
    assert (opened.pits_found, opened.pits_left) == (1, 0)
    # Two cells of 5 m between the floor at 1 m and the way out at 0 m; 4 m2 a cell.
    assert opened.cuts.way.tolist() == [5 * 11 + col for col in (6, 7, 8, 9)]
    assert opened.elevation_m[5, 4:].tolist() == [1, 1, 1, 1, 1, 0, 0]
    assert opened.cuts.volume_m3.tolist() == [32.0]
    assert opened.cuts.length_m.tolist() == [6.0]


def test_flow_over_a_pit_is_refused():
    bowl = np.full((5, 5), 9.0, np.float32)
    bowl[1:4, 1:4] = 1.0
    sentence = "Invalid 'conditioned_m' with 9 cells that cannot drain. It must have no pits: fill it first."
    with pytest.raises(GroundError, match=whole(sentence)):
        flow_directions(bowl)


@pytest.mark.parametrize("ways", [[[0, 0]], [[0, VOID]], [[9, OUTLET]]])
def test_ways_must_lead_somewhere(ways):
    sentence = (
        "Invalid 'directions' with a cell that drains off the map or into a void. "
        "They must be those that 'flow_directions' returns."
    )
    with pytest.raises(GroundError, match=whole(sentence)):
        upstream_cells(np.array(ways, np.uint8))


def test_ways_must_not_run_in_a_circle():
    sentence = (
        "Invalid 'directions' with 2 cells that drain in a circle. "
        "They must be those that 'flow_directions' returns."
    )
    with pytest.raises(GroundError, match=whole(sentence)):
        upstream_cells(np.array([[0, 4, OUTLET]], np.uint8))


def test_drop_test_needs_arrays_of_one_shape():
    sentence = (
        "Invalid arrays of shapes (2, 2), (2, 3) and (2, 2). "
        "Heights, directions and counts must have one shape."
    )
    with pytest.raises(GroundError, match=whole(sentence)):
        constant_drop(
            np.zeros((2, 2), np.float32), np.zeros((2, 3), np.uint8), np.ones((2, 2), np.int32), cell_m=5
        )


@pytest.mark.parametrize(("cell_m", "longest_m"), [(1.0, 50.0), (10.0, 50.0), (90.0, 450.0)])
def test_longest_cut_unless_told(cell_m, longest_m):
    assert default_breach_m(cell_m) == longest_m
    assert condition_and_route(dem([[1, 2]], cell_m)).max_breach_m == longest_m


def test_longest_cut_may_not_be_negative():
    sentence = "Invalid 'max_breach_m' of -5. It must be a finite number of at least 0."
    with pytest.raises(InputError, match=whole(sentence)):
        condition_and_route(dem([[1, 2]]), max_breach_m=-5)


def test_progress_names_the_steps_in_order():
    told = []
    condition_and_route(dem([[1, 2]]), progress=lambda step, share: told.append((step, share)))
    assert [step for step, _ in told] == [
        "getting the compiled loops ready",
        "breaching pits",
        "filling the rest",
        "finding the ways of flow and what drains where",
        "listing what was mended",
        "drainage is done",
    ]
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert (shares[0], shares[-1]) == (0.0, 1.0)


def test_books_of_the_whole_chain():
    rng = np.random.default_rng(8)
    heights = (200 + rng.random((80, 80)) - 0.1 * np.arange(80)[:, None]).astype(np.float32)
    heights[20:40, 20:40] -= 30.0
    heights[5, 5:9] = np.nan
    ground = dem(heights, cell_m=2.0)
    drained = condition_and_route(ground, max_breach_m=10.0)
    known = ~np.isnan(heights)
    moved_m3 = 4.0 * (drained.conditioned_m[known].astype(float) - heights[known].astype(float)).sum()
    assert moved_m3 == pytest.approx(drained.filled_volume_m3 - drained.cut_volume_m3, rel=1e-6)
    assert drained.deepest_fill_m == pytest.approx(
        float((drained.conditioned_m - heights)[known].max()), rel=1e-6
    )
    assert drained.deepest_fill_m > 25.0
    assert drained.pits_filled >= 1
    # Cuts drowned by the filling are not reported; all that show are.
    lower = np.flatnonzero((drained.conditioned_m < heights).ravel())
    assert len(lower) > 0
    assert np.isin(lower, drained.cuts.cell).all()
    for cut in range(len(drained.cuts)):
        cells = drained.cuts.cell[drained.cuts.start[cut] : drained.cuts.start[cut + 1]]
        assert np.isin(cells, lower).any()
    everything = breach(heights, cell_m=2.0, max_length_m=10.0).cuts
    assert 0 < len(drained.cuts) < len(everything)


def test_one_cell_and_one_row():
    alone = condition_and_route(dem([[7.0]]))
    assert (alone.directions.tolist(), alone.upstream_cells.tolist()) == ([[OUTLET]], [[1]])
    row = condition_and_route(dem([[3.0, np.nan, 1.0, 2.0, 5.0]]))
    assert row.directions.tolist() == [[OUTLET, VOID, OUTLET, 4, 4]]
    assert row.upstream_cells.tolist() == [[1, 0, 3, 2, 1]]
