"""The chain by tiles is the chain in memory; scratch files go away; what is said when it cannot be done."""

import dataclasses
import os
import re
from pathlib import Path

import numpy as np
import pytest

from washgrade.errors import GroundError, GroundWarning, SiteError
from washgrade.land.breach import breach
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.shape import measure_shape
from washgrade.land.threshold import constant_drop
from washgrade.land.tiles import breach as breach_module
from washgrade.land.tiles.area import count_tiles
from washgrade.land.tiles.breach import breach_tiles
from washgrade.land.tiles.census import count_pits
from washgrade.land.tiles.drain import drain_tiled
from washgrade.land.tiles.flow import flow_tiles
from washgrade.land.tiles.network import Frame
from washgrade.land.tiles.store import InMemory, Scratch, Tiling, each_tile, tile_side

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "reference" / "terrain"


def whole(sentence):
    return "^" + re.escape(sentence) + "$"


def made(kind, rows, cols, seed):
    rng = np.random.default_rng(seed)
    heights = rng.normal(100.0, 2.0, (rows, cols)) + np.hypot(*np.mgrid[0:rows, 0:cols])
    if kind == "steps":
        heights = np.round(heights / 3.0)
    if kind == "lakes":
        heights = np.maximum(heights, np.quantile(heights, 0.4))
    if kind == "voids":
        heights[rng.random((rows, cols)) < 0.02] = np.nan
    return heights.astype(np.float32)


def check_chain(heights, side, *, cell_m=5.0, also=None, **limits):
    """Compare every part of the drainage and the channels; return the one by tiles."""
    place = {"cell_m": cell_m, "west_m": 3.0, "north_m": 77.0, "crs": "EPSG:25830"}
    dem = Dem(elevation_m=heights, **place)
    right = condition_and_route(dem, **limits)
    keep = limits.pop("keep", None)
    with Scratch() as scratch:
        found = drain_tiled(
            InMemory(heights),
            Frame(shape=heights.shape, **place),
            scratch=scratch,
            memory_bytes=1,
            side=side,
            keep=None if keep is None else InMemory(keep),
            threads=2,
            **limits,
        )
        everywhere = (0, 0, *heights.shape)
        np.testing.assert_array_equal(found.conditioned_m.read(*everywhere), right.conditioned_m)
        np.testing.assert_array_equal(found.directions.read(*everywhere), right.directions)
        for tile in found.counts.tiling.tiles():
            count, _ = found.counts.tile(tile)
            part = right.upstream_cells[tile.top : tile.bottom, tile.left : tile.right]
            np.testing.assert_array_equal(count, part)
        for name in ("cut_volume_m3", "raised_volume_m3", "filled_volume_m3", "deepest_fill_m"):
            # Sums over tiles are rounded differently from sums over all.
            assert getattr(found, name) == pytest.approx(getattr(right, name), rel=1e-9)
        assert (found.pits_found, found.pits_filled) == (right.pits_found, right.pits_filled)
        ours, theirs = (np.lexsort((cuts.end, cuts.pit)) for cuts in (found.cuts, right.cuts))
        for name in ("pit", "end", "length_m", "depth_m", "volume_m3"):
            np.testing.assert_array_equal(
                getattr(found.cuts, name)[ours], getattr(right.cuts, name)[theirs], err_msg=name
            )
        told = found.cut_report()
        lines = [
            np.lexsort((part.volume_m3, part.length_m, part.easting_m, part.northing_m))
            for part in (told, right.cut_report)
        ]
        for name in ("length_m", "volume_m3", "upstream_area_m2", "easting_m", "northing_m"):
            np.testing.assert_array_equal(
                getattr(told, name)[lines[0]], getattr(right.cut_report, name)[lines[1]], err_msg=name
            )
        grids = (right.conditioned_m, right.directions, right.upstream_cells)
        drops = constant_drop(*grids, cell_m=cell_m)
        for field in dataclasses.fields(drops):
            np.testing.assert_array_equal(
                getattr(found.drop_test(), field.name), getattr(drops, field.name), err_msg=field.name
            )
        wanted = {"channel_area_m2": drops.channel_area_m2, "max_reach_m": 4 * cell_m, "also": also}
        channels, expected = found.channels(**wanted), delineate(dem, *grids, **wanted)
    for part in ("nodes", "reaches"):
        one, two = getattr(channels, part), getattr(expected, part)
        for field in dataclasses.fields(two):
            np.testing.assert_array_equal(
                getattr(one, field.name), getattr(two, field.name), err_msg=field.name
            )
    return found


@pytest.mark.filterwarnings("ignore:The constant-drop test found no area")
@pytest.mark.parametrize(
    ("kind", "side", "limits"),
    [
        ("noise", 45, {"max_breach_m": 30.0}),
        ("steps", 40, {"max_breach_m": 12.0}),
        ("lakes", 31, {"max_breach_m": 0.0}),
        ("voids", 57, {"max_breach_m": 40.0, "max_breach_depth_m": 2.0}),
    ],
)
def test_the_chain_by_tiles_is_the_chain_in_memory(kind, side, limits, monkeypatch):
    monkeypatch.setattr(breach_module, "GUARD", 2)
    heights = made(kind, 130, 170, 7)
    known = np.flatnonzero(np.isfinite(heights))
    rng = np.random.default_rng(8)
    check_chain(heights, side, also=rng.choice(known, 3), **limits)
    check_chain(heights, side, sinks=rng.choice(known, 4), keep=rng.random(heights.shape) < 0.1, **limits)


@pytest.mark.filterwarnings("ignore:The constant-drop test found no area")
@pytest.mark.skipif(not SHARED.is_dir(), reason="the real grounds are not at hand")
@pytest.mark.parametrize("name", ["gully-3m-voids.asc", "gullied-hills-5m.tif", "prairie-1m.tif"])
def test_the_chain_by_tiles_on_real_ground(name):
    import rasterio

    with rasterio.open(SHARED / name) as source:
        heights = source.read(1, masked=True).astype(np.float32).filled(np.nan)[:400, :500]
        cell_m = source.transform.a
    found = check_chain(heights, min(heights.shape) // 3, cell_m=cell_m)
    assert found.pits_found > 0
    assert len(found.counts.tiling) > 4


def opened_with_a_narrow_view(heights, monkeypatch):
    # Two cells less than the tiles' pits may touch.
    monkeypatch.setattr(breach_module, "GUARD", -36)
    with Scratch() as scratch:
        ground = scratch.grid("ground", heights.shape, np.float32)
        done = breach_tiles(
            InMemory(heights),
            ground,
            scratch=scratch,
            tiling=Tiling(shape=heights.shape, side=50),
            threads=2,
            cell_m=1.0,
            max_length_m=9.0,
        )
        assert list(scratch.folder.glob("*.npz")) == []
        return done, ground.read(0, 0, *heights.shape)


def test_tiles_that_saw_too_little_are_done_again(monkeypatch):
    heights = made("noise", 110, 110, 3)
    done, ground = opened_with_a_narrow_view(heights, monkeypatch)
    assert done.reworked > 0
    np.testing.assert_array_equal(ground, breach(heights, cell_m=1.0, max_length_m=9.0).elevation_m)


def test_without_asking_the_neighbours_they_would_be_wrong(monkeypatch):
    monkeypatch.setattr(breach_module._Work, "_agrees", lambda work, tile, region: True)
    heights = made("noise", 110, 110, 3)
    _, ground = opened_with_a_narrow_view(heights, monkeypatch)
    assert (ground != breach(heights, cell_m=1.0, max_length_m=9.0).elevation_m).any()


def test_a_record_that_differs_from_the_neighbours_is_noticed(tmp_path):
    heights = made("noise", 60, 60, 3)
    with Scratch() as scratch:
        tiling = Tiling(shape=heights.shape, side=30)
        work = breach_module._Work(
            source=InMemory(heights),
            scratch=scratch,
            tiling=tiling,
            threads=1,
            max_length_cells=4.0,
            max_depth_m=np.inf,
            keep=None,
            sinks=np.empty(0, np.int64),
            reach=36,
            most_cells=10**6,
        )
        after = scratch.grid("after", heights.shape, np.float32)
        now = scratch.grid("now", heights.shape, np.float32)
        now.write(0, 0, heights)
        whole_map = (0, 0, 60, 60)
        for tile in tiling.tiles():
            work._open_tile(now, after, tile, whole_map, 1)
        assert all(work._agrees(tile, whole_map) for tile in tiling.tiles())
        path = work._path(tiling.tile(0), "own")
        with np.load(path) as stored:
            record = dict(stored)
        assert len(record["lowered_m"]) > 0
        record["lowered_m"][0] = np.nextafter(record["lowered_m"][0], 1e9)
        np.savez(path, **record)
        assert not work._agrees(tiling.tile(1), whole_map)


def test_a_level_pit_larger_than_memory_is_refused():
    heights = np.full((60, 900), 9.0, np.float32)
    heights[5:55, 5:895] = 1.0
    with (
        Scratch() as scratch,
        pytest.raises(GroundError, match=r"^A level pit is too large for the memory: "),
    ):
        breach_tiles(
            InMemory(heights),
            scratch.grid("ground", heights.shape, np.float32),
            scratch=scratch,
            tiling=Tiling(shape=heights.shape, side=20),
            threads=1,
            cell_m=1.0,
            max_length_m=4.0,
            most_cells=2000,
        )


def test_shapes_are_measured_on_a_grid_of_the_scratch_folder():
    heights = made("noise", 80, 90, 4)
    place = {"cell_m": 5.0, "west_m": 3.0, "north_m": 77.0, "crs": "EPSG:25830"}
    with Scratch() as scratch:
        raw = scratch.grid("raw", heights.shape, np.float32)
        raw.write(0, 0, heights)
        drained = drain_tiled(
            raw, Frame(shape=heights.shape, **place), scratch=scratch, memory_bytes=1, side=33
        )
        channels = drained.channels(channel_area_m2=2000.0)
        mapped = measure_shape(Dem(elevation_m=raw.mapped(), **place), channels)
        whole_grid = measure_shape(Dem(elevation_m=heights, **place), channels)
        for field in dataclasses.fields(mapped):
            np.testing.assert_array_equal(getattr(mapped, field.name), getattr(whole_grid, field.name))
        scratch.drop(raw)
        with pytest.raises(SiteError, match=r"^.* is gone\. Something else removed the scratch file\.$"):
            raw.mapped()


@pytest.mark.parametrize("side", [7, 25])
def test_a_pit_across_tiles_is_one_pit(side):
    heights = np.full((30, 40), 9.0, np.float32)
    heights[3:20, 2:30] = 4.0
    heights[25, 25] = 1.0
    census = count_pits(InMemory(heights), tiling=Tiling(shape=(30, 40), side=side), threads=2)
    assert census.count == 2
    assert census.crossing.tolist() == [[3, 2, 20, 30]]


@pytest.mark.parametrize(
    ("ways", "sentence"),
    [
        (
            [[0, 4, 8], [8, 8, 8]],
            "Invalid 'directions' with cells that drain in a circle. "
            "They must be those that 'flow_directions' returns.",
        ),
        (
            [[0, 0, 0], [8, 8, 8]],
            "Invalid 'directions' with a cell that drains off the map or into a void. "
            "They must be those that 'flow_directions' returns.",
        ),
        (
            [[0, 255, 8], [8, 8, 8]],
            "Invalid 'directions' with a cell that drains off the map or into a void. "
            "They must be those that 'flow_directions' returns.",
        ),
    ],
)
@pytest.mark.parametrize("side", [1, 2, 3])
def test_directions_that_lead_nowhere_are_refused(ways, sentence, side):
    with Scratch() as scratch:
        grid = scratch.grid("ways", (2, 3), np.uint8)
        grid.write(0, 0, np.array(ways, np.uint8))
        with pytest.raises(GroundError, match=whole(sentence)):
            count_tiles(grid, tiling=Tiling(shape=(2, 3), side=side), threads=1)


def test_counts_pass_what_32_bits_hold():
    cells = np.full((1, 6), 0, np.uint8)
    cells[0, -1] = 8
    with Scratch() as scratch:
        grid = scratch.grid("ways", (1, 6), np.uint8)
        grid.write(0, 0, cells)
        counts = count_tiles(grid, tiling=Tiling(shape=(1, 6), side=2), threads=1)
        assert counts.inflow[2].dtype == np.int64
        many = dataclasses.replace(counts, inflow=(*counts.inflow[:2], np.array([2**40, 0])))
        assert many.tile(counts.tiling.tile(2))[0].tolist() == [[2**40 + 1, 2**40 + 2]]


def test_a_told_cell_must_be_on_the_ground():
    heights = made("voids", 40, 40, 1)
    void = int(np.flatnonzero(np.isnan(heights))[0])
    frame = Frame(shape=heights.shape, cell_m=5.0, west_m=0, north_m=0, crs="EPSG:25830")
    with Scratch() as scratch:
        drained = drain_tiled(InMemory(heights), frame, scratch=scratch, memory_bytes=1, side=15)
        sentence = f"Invalid 'also' with cell {void}, which is void. Cells must have a height."
        with pytest.raises(GroundError, match=whole(sentence)):
            drained.channels(channel_area_m2=1000.0, also=np.array([void]))
        sentence = "Invalid 'also' with cell 1600. Cells must be between 0 and 1599."
        with pytest.raises(GroundError, match=whole(sentence)):
            drained.channels(channel_area_m2=1000.0, also=np.array([1600]))
        sentence = f"Invalid outlet of cell {void}, which is void. It must have a height."
        with pytest.raises(GroundError, match=whole(sentence)):
            drain_tiled(
                InMemory(heights), frame, scratch=scratch, memory_bytes=1, side=15, sinks=np.array([void])
            )
        sentence = "Invalid outlet of cell -1. It must be a flat index between 0 and 1599."
        with pytest.raises(GroundError, match=whole(sentence)):
            drain_tiled(
                InMemory(heights), frame, scratch=scratch, memory_bytes=1, side=15, sinks=np.array([-1])
            )


def test_no_channel_says_which_area_to_try():
    heights = made("noise", 40, 40, 1)
    frame = Frame(shape=heights.shape, cell_m=5.0, west_m=0, north_m=0, crs="EPSG:25830")
    dem = Dem(elevation_m=heights, cell_m=5.0, west_m=0, north_m=0, crs="EPSG:25830")
    right = condition_and_route(dem)
    with pytest.raises(GroundError) as told:
        delineate(dem, right.conditioned_m, right.directions, right.upstream_cells, channel_area_m2=1e9)
    with Scratch() as scratch:
        drained = drain_tiled(InMemory(heights), frame, scratch=scratch, memory_bytes=1, side=15)
        with pytest.raises(GroundError, match=whole(str(told.value))):
            drained.channels(channel_area_m2=1e9)


def test_progress_comes_in_order_and_ends():
    heights = made("noise", 40, 40, 1)
    frame = Frame(shape=heights.shape, cell_m=5.0, west_m=0, north_m=0, crs="EPSG:25830")
    told = []
    with Scratch() as scratch:
        drain_tiled(
            InMemory(heights),
            frame,
            scratch=scratch,
            memory_bytes=1,
            side=15,
            progress=lambda words, share: told.append((words, share)),
        )
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert shares[0] == 0.0
    assert told[-1] == ("drainage is done", 1.0)
    assert {"breaching pits", "filling the rest", "counting what drains where"} <= {
        words for words, _ in told
    }


def test_too_little_memory_says_how_much_it_takes():
    with pytest.raises(
        GroundError, match=whole("Too little memory for the work: 1 MB. It must be at least 4 MB.")
    ):
        tile_side(10**6, bytes_per_cell=32, threads=2)


class Stop(Exception):
    """What an interrupt does."""


def test_scratch_files_go_away_after_an_error(tmp_path):
    heights = made("noise", 60, 60, 1)
    frame = Frame(shape=heights.shape, cell_m=5.0, west_m=0, north_m=0, crs="EPSG:25830")

    def stop(words, share):
        if words == "finding the ways of flow":
            raise Stop

    with pytest.raises(Stop), Scratch(tmp_path) as scratch:
        drain_tiled(InMemory(heights), frame, scratch=scratch, memory_bytes=1, side=20, progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_a_disk_too_small_is_told_before_anything_is_done(tmp_path):
    with Scratch(tmp_path) as scratch, pytest.raises(SiteError, match=r"It must have 10000000000\.0 GB; "):
        scratch.need(10**19)
    with pytest.raises(
        SiteError, match=whole(f"There is no folder {tmp_path / 'no'} for scratch files. It must exist.")
    ):
        Scratch(tmp_path / "no")


def test_a_scratch_file_that_is_gone_is_told(tmp_path):
    with Scratch(tmp_path) as scratch:
        grid = scratch.grid("grid", (4, 4), np.float32)
        os.truncate(grid.path, 8)
        with pytest.raises(
            SiteError, match=whole(f"{grid.path} is too short. Something else changed the scratch file.")
        ):
            grid.read(0, 0, 4, 4)
        scratch.drop(grid)
        with pytest.raises(
            SiteError, match=whole(f"{grid.path} is gone. Something else removed the scratch file.")
        ):
            grid.read(0, 0, 4, 4)
        with pytest.raises(SiteError, match=r"^The scratch file .* cannot be written \(No such file"):
            grid.write(0, 0, np.zeros((1, 1)))


def test_an_error_in_one_tile_ends_the_work():
    begun = []

    def work(item):
        begun.append(item)
        if item == 3:
            raise Stop
        return item

    with pytest.raises(Stop):
        list(each_tile(work, range(1000), threads=2))
    assert len(begun) < 10


def test_flat_ground_that_crosses_many_tiles_is_led_in_batches(monkeypatch):
    from washgrade.land.flow import flow_directions
    from washgrade.land.tiles import flow as flow_module

    monkeypatch.setattr(flow_module, "BATCH", 50)
    heights = np.full((70, 90), 5.0, np.float32)
    heights[30, 0] = 4.0
    with Scratch() as scratch:
        ways = scratch.grid("ways", heights.shape, np.uint8)
        flow_tiles(InMemory(heights), ways, tiling=Tiling(shape=heights.shape, side=16), threads=2)
        np.testing.assert_array_equal(ways.read(0, 0, 70, 90), flow_directions(heights))


def test_a_fallback_of_the_drop_test_warns():
    heights = made("noise", 12, 12, 1)
    frame = Frame(shape=heights.shape, cell_m=5.0, west_m=0, north_m=0, crs="EPSG:25830")
    with Scratch() as scratch:
        drained = drain_tiled(InMemory(heights), frame, scratch=scratch, memory_bytes=1, side=15)
        with pytest.warns(
            GroundWarning, match=r"^The constant-drop test found no area at which channels begin"
        ):
            assert not drained.drop_test().passed
