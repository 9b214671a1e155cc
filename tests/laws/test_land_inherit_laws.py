"""What holds for the names of any ground that is built anew, over and over."""

import re

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.inherit import inherit_ids
from washgrade.land.places import Places, no_places

CELL_M = 5.0


def network(seed, first_row, area_m2, max_reach_m):
    """Part of a noisy slope; ``first_row`` cuts the map, so that places stay and the net does not."""
    heights = 300 + np.random.default_rng(seed).random((50, 36)) - 0.1 * np.arange(50)[:, None]
    dem = Dem(
        elevation_m=heights[first_row:].astype(np.float32),
        cell_m=CELL_M,
        west_m=500_000,
        north_m=4_100_000 - first_row * CELL_M,
        crs="EPSG:25830",
    )
    drained = condition_and_route(dem)
    return delineate(
        dem,
        drained.conditioned_m,
        drained.directions,
        drained.upstream_cells,
        channel_area_m2=area_m2,
        max_reach_m=max_reach_m,
    )


builds = st.lists(
    st.tuples(
        st.sampled_from([0, 1]),
        st.sampled_from([0, 12]),
        st.sampled_from([200.0, 500.0, 900.0]),
        st.sampled_from([15.0, 30.0, 50.0]),
    ),
    min_size=1,
    max_size=5,
)


@settings(max_examples=60, deadline=None)
@given(builds)
def test_names_are_single_and_never_given_to_another_place(steps):
    places, ever = no_places(), {}
    for step in steps:
        channels = network(*step)
        found = inherit_ids(channels, places, cell_m=CELL_M)
        names = found.reach_id.tolist()
        assert len(set(names)) == len(names)
        assert all(re.fullmatch(r"[A-Z]+\d+[a-z]*", name) for name in names)
        # An id that was given before is given to a line that shares ground with its first one.
        nodes = channels.nodes
        for reach, name in enumerate(names):
            here = nodes.reach == reach
            spot_m = np.stack([nodes.easting_m[here], nodes.northing_m[here]], axis=1)
            if name in ever:
                apart_m = np.linalg.norm(spot_m[:, None] - ever[name][None], axis=2)
                assert apart_m.min() <= 2.5 * CELL_M
                assert found.is_kept[reach]
            else:
                ever[name] = spot_m
                assert not found.is_kept[reach]
        assert set(found.retired) == set(ever) - set(names)
        # Nothing that was known is lost.
        assert set(places.reach_id.tolist()) <= set(found.places.reach_id.tolist())
        places = found.places
    assert places.is_home.sum() == len(ever)


@settings(max_examples=60, deadline=None)
@given(builds)
def test_a_ground_seen_before_has_its_names_back(steps):
    places, seen = no_places(), {}
    for step in steps:
        found = inherit_ids(network(*step), places, cell_m=CELL_M)
        places = found.places
        if step in seen:
            assert found.reach_id.tolist() == seen[step]
            assert found.is_kept.all()
        seen[step] = found.reach_id.tolist()
    for step, names in seen.items():
        again = inherit_ids(network(*step), places, cell_m=CELL_M)
        assert again.reach_id.tolist() == names
        assert len(again.places) == len(places)


@settings(max_examples=40, deadline=None)
@given(builds, st.integers(0, 1000))
def test_the_order_in_which_places_are_kept_does_not_matter(steps, seed):
    places = no_places()
    for step in steps[:-1]:
        places = inherit_ids(network(*step), places, cell_m=CELL_M).places
    order = np.random.default_rng(seed).permutation(len(places))
    lines = [np.arange(places.start[k], places.start[k + 1]) for k in order]
    point = np.concatenate(lines) if lines else np.empty(0, np.int64)
    mixed = Places(
        reach_id=places.reach_id[order],
        edition=places.edition[order],
        upstream_area_m2=places.upstream_area_m2[order],
        cell_m=places.cell_m[order],
        start=np.concatenate([[0], np.cumsum([len(line) for line in lines])]).astype(np.int64),
        easting_m=places.easting_m[point],
        northing_m=places.northing_m[point],
    )
    channels = network(*steps[-1])
    one, other = (inherit_ids(channels, kept, cell_m=CELL_M) for kept in (places, mixed))
    assert one.reach_id.tolist() == other.reach_id.tolist()
    assert one.retired == other.retired
