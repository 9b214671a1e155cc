"""Names that stay with their places when the ground is built anew."""

import re
from dataclasses import replace

import numpy as np
import pytest

from washgrade.errors import GroundError, InputError
from washgrade.land.channels import delineate, letters_of
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.inherit import inherit_ids
from washgrade.land.places import Places, id_order, no_places

CELL_M = 5.0


def rough(seed=0, rows=90, cols=70):
    """A slope with noise that was smoothed: branched channels, some of them long."""
    rng = np.random.default_rng(seed)
    heights = rng.normal(0, 1, (rows, cols))
    for _ in range(3):
        heights = (heights + np.roll(heights, 1, 0) + np.roll(heights, 1, 1) + np.roll(heights, -1, 1)) / 4
    return (400 + 3 * heights - 0.3 * np.arange(rows)[:, None]).astype(np.float32)


def network(
    heights, *, cell_m=CELL_M, west_m=500_000.0, north_m=4_100_000.0, area_m2=2000.0, max_reach_m=50.0
):
    dem = Dem(elevation_m=heights, cell_m=cell_m, west_m=west_m, north_m=north_m, crs="EPSG:25830")
    drained = condition_and_route(dem)
    return delineate(
        dem,
        drained.conditioned_m,
        drained.directions,
        drained.upstream_cells,
        channel_area_m2=area_m2,
        max_reach_m=max_reach_m,
    )


def valley(rows, max_reach_m, *, top=60):
    """One straight bed down the middle of 21 columns; ``rows`` of them, counted down from ``top``."""
    row, col = np.mgrid[0:rows, 0:21]
    heights = np.abs(col - 10) + 0.1 * (top - row)
    return network(
        heights.astype(np.float32), area_m2=21 * 25, max_reach_m=max_reach_m, north_m=1000.0, west_m=0.0
    )


def test_a_first_ground_keeps_its_own_names():
    channels = network(rough())
    first = inherit_ids(channels, no_places(), cell_m=CELL_M)
    np.testing.assert_array_equal(first.reach_id, channels.reaches.reach_id)
    assert not first.is_kept.any()
    assert (first.retired, first.sentence) == ((), "")
    assert first.places.is_home.all()


def test_the_same_ground_keeps_every_name_and_adds_no_place():
    channels = network(rough())
    first = inherit_ids(channels, no_places(), cell_m=CELL_M)
    again = inherit_ids(channels, first.places, cell_m=CELL_M)
    np.testing.assert_array_equal(again.reach_id, first.reach_id)
    assert again.is_kept.all()
    assert len(again.places) == len(first.places)
    size = len(channels.reaches)
    assert again.sentence == f"{size} of {size} reaches keep the id their place had."


def test_halved_reaches_split_their_names_and_whole_ones_take_them_back():
    # 59 steps of 5 m: six reaches of about 49 m, then twelve of 25 m.
    whole, halves = valley(60, 50), valley(60, 25)
    first = inherit_ids(whole, no_places(), cell_m=CELL_M)
    then = inherit_ids(halves, first.places, cell_m=CELL_M)
    # Of equal halves the lower keeps the name; of the last 45 m the upper part is the longer.
    assert then.reach_id.tolist() == [
        *(name for k in (6, 5, 4, 3, 2) for name in (f"A{k}b", f"A{k}")),
        "A1",
        "A1b",
    ]
    assert (then.is_kept ^ then.is_split).all()
    back = inherit_ids(whole, then.places, cell_m=CELL_M)
    assert back.reach_id.tolist() == ["A6", "A5", "A4", "A3", "A2", "A1"]
    assert back.retired == ("A1b", "A2b", "A3b", "A4b", "A5b", "A6b")
    assert inherit_ids(halves, back.places, cell_m=CELL_M).reach_id.tolist() == then.reach_id.tolist()
    assert then.sentence == (
        "6 of 12 reaches keep the id their place had; 6 are parts of reaches that were split (A12b is a part "
        "of A12), 0 lie on new ground."
    )


def test_numbers_go_on_above_the_head_and_ground_below_the_mouth_is_a_wash_of_its_own():
    part = valley(61, 50, top=60)
    first = inherit_ids(part, no_places(), cell_m=CELL_M)
    assert first.reach_id.tolist() == ["A6", "A5", "A4", "A3", "A2", "A1"]
    # The same valley, 40 rows longer above; its bed has the same places.
    longer = network(
        np.vstack([np.abs(np.mgrid[0:101, 0:21][1] - 10) + 0.1 * (100 - np.mgrid[0:101, 0:21][0])]).astype(
            np.float32
        ),
        area_m2=21 * 25,
        north_m=1200.0,
        west_m=0.0,
    )
    up = inherit_ids(longer, first.places, cell_m=CELL_M)
    assert up.reach_id.tolist() == ["A10", "A9", "A8", "A7", "A6", "A5", "A4", "A3", "A2", "A1"]
    # And 40 rows longer below.
    low = network(
        np.vstack([np.abs(np.mgrid[0:101, 0:21][1] - 10) + 0.1 * (60 - np.mgrid[0:101, 0:21][0])]).astype(
            np.float32
        ),
        area_m2=21 * 25,
        north_m=1000.0,
        west_m=0.0,
    )
    down = inherit_ids(low, first.places, cell_m=CELL_M)
    assert down.reach_id.tolist() == ["A6", "A5", "A4", "A3", "A2", "A1", "B4", "B3", "B2", "B1"]


def test_an_id_is_not_given_to_another_place():
    here, there = network(rough(1)), network(rough(2), west_m=600_000.0)
    first = inherit_ids(here, no_places(), cell_m=CELL_M)
    then = inherit_ids(there, first.places, cell_m=CELL_M)
    assert not then.is_kept.any()
    assert not set(then.reach_id) & set(first.reach_id)
    assert set(then.retired) == set(first.reach_id)
    # New washes are lettered as a first ground's are, after the letters already used.
    used = {re.match("[A-Z]+", name)[0] for name in first.reach_id}
    own = {re.match("[A-Z]+", name)[0] for name in there.reaches.reach_id}
    shifted = {letters_of(k): letters_of(k + len(used)) for k in range(len(own))}
    assert then.reach_id.tolist() == [
        re.sub("[A-Z]+", lambda found: shifted[found[0]], name) for name in there.reaches.reach_id.tolist()
    ]
    back = inherit_ids(here, then.places, cell_m=CELL_M)
    np.testing.assert_array_equal(back.reach_id, first.reach_id)


@pytest.mark.parametrize("change", ["half a cell", "twice the cell", "noise", "half the threshold"])
def test_the_same_bed_keeps_its_name(change):
    """Of the reaches that lie on an old bed, three quarters or more keep an id; measured 0.83 to 0.98."""
    heights = rough(3, 160, 120)
    first = inherit_ids(network(heights), no_places(), cell_m=CELL_M)
    cell_m = CELL_M
    if change == "half a cell":
        mean = (heights[:-1, :-1] + heights[1:, :-1] + heights[:-1, 1:] + heights[1:, 1:]) / 4
        other = network(mean, west_m=500_002.5, north_m=4_099_997.5)
    elif change == "twice the cell":
        cell_m = 10.0
        other = network(heights.reshape(80, 2, 60, 2).mean((1, 3)), cell_m=10.0)
    elif change == "noise":
        noise = np.random.default_rng(4).normal(0, 0.02, heights.shape)
        other = network((heights + noise).astype(np.float32))
    else:
        other = network(heights, area_m2=1000.0)
    then = inherit_ids(other, first.places, cell_m=cell_m)
    kept = dict(zip(then.reach_id[then.is_kept].tolist(), np.flatnonzero(then.is_kept).tolist(), strict=True))
    old = first.channels
    # Plain twin: distance from each new node to the nearest old one, by brute force.
    away_m = np.array(
        [
            np.hypot(old.nodes.easting_m - east, old.nodes.northing_m - north).min()
            for east, north in zip(other.nodes.easting_m, other.nodes.northing_m, strict=True)
        ]
    )
    near = np.bincount(other.nodes.reach, away_m <= 1.5 * cell_m) / np.bincount(other.nodes.reach)
    on_old = near > 0.5
    assert then.is_kept[on_old].mean() > 0.75
    # A kept id is where it was: some node of the new reach within the tolerance of the old one of that name.
    where = {name: k for k, name in enumerate(first.reach_id.tolist())}
    for name, reach in kept.items():
        new, home = other.nodes.reach == reach, old.nodes.reach == where[name]
        apart_m = np.hypot(
            other.nodes.easting_m[new][:, None] - old.nodes.easting_m[home],
            other.nodes.northing_m[new][:, None] - old.nodes.northing_m[home],
        )
        assert apart_m.min() <= 1.5 * cell_m + CELL_M


def test_the_wider_wash_keeps_the_name_where_a_gully_runs_closer():
    """A bed that moved by a cell keeps its name although a small gully now lies nearer to its old place."""
    line_m = np.array([0.0, 5.0, 10.0, 15.0, 20.0])
    places = Places(
        reach_id=np.array(["A1"]),
        edition=np.array([0]),
        upstream_area_m2=np.array([1e6]),
        cell_m=np.array([5.0]),
        start=np.array([0, 5]),
        easting_m=line_m,
        northing_m=np.full(5, 100.0),
    )
    channels = network(rough(), area_m2=2000.0)
    reaches = channels.reaches
    # Two made-up reaches of five nodes: the wash 5 m to the north, the gully 2 m to the south.
    made = replace(
        channels,
        nodes=replace(
            channels.nodes,
            **{
                name: np.concatenate([value, value]).astype(kind)
                for name, value, kind in (
                    ("cell", np.arange(5), np.int64),
                    ("length_m", np.array([5.0, 5, 5, 5, 0]), float),
                    ("easting_m", line_m, float),
                    ("elevation_m", -line_m, float),
                    ("distance_to_outlet_m", line_m[::-1], float),
                    ("order", np.ones(5), np.int32),
                )
            },
            downstream=np.array([1, 2, 3, 4, -1, 6, 7, 8, 9, -1], np.int32),
            northing_m=np.repeat([105.0, 98.0], 5),
            upstream_area_m2=np.repeat([1e6, 2e3], 5),
            reach=np.repeat([0, 1], 5).astype(np.int32),
        ),
        reaches=replace(
            reaches,
            reach_id=np.array(["A1", "B1"]),
            first_node=np.array([0, 5], np.int32),
            last_node=np.array([4, 9], np.int32),
            downstream=np.array([-1, -1], np.int32),
            length_m=np.array([20.0, 20.0]),
            drop_m=np.array([20.0, 20.0]),
            slope=np.ones(2),
            upstream_area_m2=np.array([1e6, 2e3]),
            order=np.ones(2, np.int32),
        ),
    )
    found = inherit_ids(made, places, cell_m=5.0)
    assert found.reach_id.tolist() == ["A1", "B1"]
    # A twin that looks at the distance alone would name the gully A1.
    alike = replace(made, reaches=replace(made.reaches, upstream_area_m2=np.array([1e6, 1e6])))
    assert inherit_ids(alike, places, cell_m=5.0).reach_id.tolist() == ["B1", "A1"]
    # Beyond the tolerance nothing is inherited.
    assert inherit_ids(made, places, cell_m=5.0, tolerance_m=1.0).reach_id.tolist() == ["B1", "C1"]


def test_names_must_be_names():
    first = inherit_ids(network(rough()), no_places(), cell_m=CELL_M).places
    names = first.reach_id.astype("U9")
    names[3] = "bend 3"
    sentence = (
        "Invalid 'reach_id' of 'bend 3'. It must be capital letters, a number and, where a reach was split, "
        "small letters, such as A12 or A12b."
    )
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        replace(first, reach_id=names)


def test_an_id_has_one_line_an_edition():
    first = inherit_ids(network(rough()), no_places(), cell_m=CELL_M).places
    names = first.reach_id.copy()
    names[1] = names[0]
    sentence = f"Invalid places: '{names[0]}' stands twice in edition 0. An id must have one line an edition."
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        replace(first, reach_id=names)


def test_places_must_fit_each_other():
    first = inherit_ids(network(rough()), no_places(), cell_m=CELL_M).places
    size, points = len(first), len(first.easting_m)
    sentence = (
        f"Invalid places of {size} ids with ({size}, {size - 1}, {size}, {size}) values and {points} points. "
        "Each id must have one value of each kind, and a line."
    )
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        replace(first, upstream_area_m2=first.upstream_area_m2[:-1])


@pytest.mark.parametrize("name", ["cell_m", "tolerance_m"])
def test_lengths_must_be_above_zero(name):
    sentence = f"Invalid '{name}' of 0. It must be a finite number above 0."
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        inherit_ids(network(rough()), no_places(), **{"cell_m": 5.0} | {name: 0})


def test_only_an_id_can_be_sorted():
    sentence = "Invalid 'reach_id' of 'bend'. It must be letters and a number, such as A12."
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        id_order("bend")
