"""A ground worked on by tiles, with little memory, makes the site that it makes in memory, table by table."""

from __future__ import annotations

import math
import re
import sqlite3
import tempfile

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from dems import write_dem

from washgrade import survey
from washgrade.cli import main
from washgrade.errors import GroundError, InputError, SiteError
from washgrade.files import memory as memory_module
from washgrade.files.memory import available_bytes, budget_bytes, plan_memory
from washgrade.land.tiles import drain as drain_module
from washgrade.land.tiles import store as store_module

WEST, NORTH, CELL = 500_000.0, 4_000_000.0, 5.0
ROWS, COLS = 400, 390
# Tiles of 130 cells or so, four by three.
LITTLE_BYTES = 9_000_000
BY_TILES = (
    "Worked on by tiles, with scratch files: in memory it would take about 9.36 MB, and 9 MB are allowed."
)


def land():
    """Two valleys that meet, roads across them, a lake, a deep pit, holes small and large, all rough."""
    row, col = np.mgrid[0:ROWS, 0:COLS].astype(np.float64)
    heights = 400.0 - 0.2 * row + 0.25 * np.minimum(np.abs(col - 120), np.abs(col - 260 + 0.2 * row))
    heights += np.random.default_rng(3).normal(0, 0.3, row.shape)
    for top in (90, 210, 300):
        heights[top : top + 3] = np.maximum(heights[top : top + 3], heights[top - 20].min() + 1.5)
    heights[130:165, 240:280] = heights[130:165, 240:280].min() - 0.5
    heights[330:345, 40:70] -= 25.0
    heights[250:254, 130:137] = np.nan
    heights[137:139, 128:133] = np.nan
    heights[20:60, 300:330] = np.nan
    heights[:50, :12] = np.nan
    return heights.astype(np.float32)


def coast():
    """A slope that falls to a level sea in the south."""
    heights = land()
    row = np.mgrid[0:ROWS, 0:COLS][0]
    heights -= np.float32(340.0) + (0.15 * row).astype(np.float32)
    return np.maximum(heights, np.float32(0.0))


def write(path, heights):
    write_dem(path, heights, west_m=WEST, north_m=NORTH, cell_m=CELL, nodata=-9999.0)
    return path


def place(row, col):
    return WEST + (col + 0.5) * CELL, NORTH - (row + 0.5) * CELL


def features(path, *geometries):
    parts = ",".join(
        f'{{"type": "Feature", "properties": {{}}, "geometry": {shapely.to_geojson(one)}}}'
        for one in geometries
    )
    crs = '"crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25830"}}'
    path.write_text(f'{{"type": "FeatureCollection", {crs}, "features": [{parts}]}}', encoding="utf-8")
    return path


def tables(site):
    """Every row of every table of the ground, but for the sentence that tells how it was worked on."""
    found = {}
    with sqlite3.connect(site / "site.gpkg") as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        for name in names:
            if name.startswith(("sqlite_", "rtree_", "gpkg_contents")):
                continue
            rows = connection.execute(f"SELECT * FROM {name}").fetchall()  # noqa: S608
            if name == "ground":
                rows = [
                    tuple(
                        re.sub(r'"Worked on [^"]*", ', "", one) if isinstance(one, str) else one
                        for one in row
                    )
                    for row in rows
                ]
            found[name] = rows
    return found


def check_equal(one, two):
    ours, theirs = tables(one), tables(two)
    assert ours.keys() == theirs.keys()
    assert len(ours["reaches"]) > 20
    for name, rows in theirs.items():
        assert len(ours[name]) == len(rows), name
        for mine, row in zip(ours[name], rows, strict=True):
            for value, wanted in zip(mine, row, strict=True):
                if isinstance(wanted, float) and math.isfinite(wanted):
                    # Sums over tiles are rounded differently from sums over all.
                    assert value == pytest.approx(wanted, rel=1e-9, abs=1e-9), (name, mine, row)
                else:
                    assert value == wanted, (name, mine, row)
    assert (one / "terrain.tif").read_bytes() == (two / "terrain.tif").read_bytes()


def build_both(tmp_path, dem, **told):
    made = {}
    for name, memory_bytes in (("tiled", LITTLE_BYTES), ("whole", 1e9)):
        made[name] = survey.build_ground(tmp_path / name, [dem], memory_bytes=memory_bytes, **told)
    check_equal(tmp_path / "tiled", tmp_path / "whole")
    tiled, whole = (
        {
            key: value
            for key, value in made[name].as_json().items()
            if key not in {"site", "report", "cuts", "hollows"}
        }
        for name in ("tiled", "whole")
    )
    assert tiled == whole
    return made["tiled"], made["whole"]


@pytest.fixture
def scratch_folder(tmp_path, monkeypatch):
    """Where scratch files go, to see that they are gone afterwards."""
    folder = tmp_path / "scratch"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


@pytest.mark.filterwarnings("ignore::washgrade.errors.GroundWarning")
def test_a_plain_ground_and_then_with_all_that_can_be_told(tmp_path, scratch_folder):
    dem = write(tmp_path / "dem.tif", land())
    tiled, whole = build_both(tmp_path, dem, drop_table=True)
    assert len(whole.marks["cuts"]) > 0
    assert len(whole.marks["hollows"]) > 0
    assert len(whole.marks["mended"]) == 2
    assert BY_TILES in tiled.sentences
    assert "Worked on in memory: that takes about 9.36 MB of the 1 GB allowed." in whole.sentences
    assert any("lakes or filled" in sentence for sentence in tiled.sentences)
    # Told: a wash beside the valley's floor, a dam that stands, a sink in the deep pit and one in an area.
    line = shapely.LineString([place(row, 112 + 4 * math.sin(row / 30)) for row in range(60, 380, 6)])
    dam = shapely.LineString([place(91, 200), place(91, 320)])
    sinks = (
        shapely.Point(place(338, 55)),
        shapely.Polygon([place(150, 250), place(150, 262), place(159, 262), place(159, 250)]),
    )
    # Rock with sand of a known grade, over several tiles.
    rock = features(
        tmp_path / "rock.geojson", shapely.Polygon([place(40, 30), place(350, 200), place(60, 300)])
    )
    rock.write_text(rock.read_text().replace("{}", '{"grade_percent": 30}', 1))
    told = {
        "source_file": rock,
        "channel_file": features(tmp_path / "line.geojson", line),
        "keep_dam_file": features(tmp_path / "dam.geojson", dam),
        "sink_file": features(tmp_path / "sinks.geojson", *sinks),
        "heads": "slope-area",
        "max_reach_m": 80.0,
    }
    before = whole.reaches
    tiled, whole = build_both(tmp_path, dem, **told)
    assert whole.reaches != before
    assert any("carved into the ground" in sentence for sentence in tiled.sentences)
    assert any("Known sources of 30 % on average" in sentence for sentence in tiled.sentences)
    assert len(tables(tmp_path / "tiled")["source_sides"]) == tiled.nodes
    # A dam and a sink by the names that the report gave them.
    cut, hollow = (whole.marks[layer][0]["name"] for layer in ("cuts", "hollows"))
    build_both(tmp_path, dem, keep_dam_file=cut, sink_file=hollow, channel_file="none", max_breach_m=30.0)
    assert list(scratch_folder.iterdir()) == []


@pytest.mark.filterwarnings("ignore::washgrade.errors.GroundWarning")
def test_a_ground_by_the_sea(tmp_path):
    tiled, _ = build_both(tmp_path, write(tmp_path / "dem.tif", coast()), channel_area_m2=8_000.0)
    assert any("taken as sea" in sentence for sentence in tiled.sentences)


@pytest.mark.filterwarnings("ignore::washgrade.errors.GroundWarning")
def test_the_comparison_sees_a_single_cell_that_differs(tmp_path):
    # The wrong twin: one hollow more in one of the two.
    heights = land()
    survey.build_ground(tmp_path / "tiled", [write(tmp_path / "a.tif", heights)], memory_bytes=LITTLE_BYTES)
    heights[200, 120] += 3.0
    survey.build_ground(tmp_path / "whole", [write(tmp_path / "b.tif", heights)], memory_bytes=1e9)
    with pytest.raises(AssertionError):
        check_equal(tmp_path / "tiled", tmp_path / "whole")


class Stop(Exception):
    """What an interrupt does."""


@pytest.mark.filterwarnings("ignore::washgrade.errors.GroundWarning")
def test_scratch_files_go_and_the_old_ground_stays_after_an_error(tmp_path, scratch_folder):
    dem = write(tmp_path / "dem.tif", land())
    survey.build_ground(tmp_path / "site", [dem])
    before = tables(tmp_path / "site"), (tmp_path / "site" / "terrain.tif").read_bytes()
    seen = []

    def stop(words, share):
        if words == "filling the rest":
            seen.extend(scratch_folder.rglob("*"))
            raise Stop

    with pytest.raises(Stop):
        survey.build_ground(tmp_path / "site", [dem], memory_bytes=LITTLE_BYTES, progress=stop)
    assert len(seen) > 2
    assert list(scratch_folder.iterdir()) == []
    assert (tables(tmp_path / "site"), (tmp_path / "site" / "terrain.tif").read_bytes()) == before


@pytest.mark.filterwarnings("ignore::washgrade.errors.GroundWarning")
def test_too_little_memory_and_too_little_disk_are_said(tmp_path, monkeypatch):
    dem = write(tmp_path / "dem.tif", land())
    sentence = r"^Too little memory for the work: 2 MB\. It must be at least \d+ MB\.$"
    with pytest.raises(GroundError, match=sentence):
        survey.build_ground(tmp_path / "site", [dem], memory_bytes=2e6)
    with pytest.raises(
        InputError, match=r"^Invalid 'memory_bytes' of 0\.0\. It must be a finite number above 0\.$"
    ):
        survey.build_ground(tmp_path / "site", [dem], memory_bytes=0.0)
    usage = store_module.shutil.disk_usage
    monkeypatch.setattr(
        store_module.shutil, "disk_usage", lambda folder: usage(folder)._replace(free=2_000_000)
    )
    sentence = r"^The disk of the scratch folder .* has 0\.0 GB free\. It must have 0\.0 GB; free some or "
    with pytest.raises(SiteError, match=sentence):
        survey.build_ground(tmp_path / "site", [dem], memory_bytes=LITTLE_BYTES)
    assert not (tmp_path / "site").exists()


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("800MB", 8e8),
        ("4 GB", 4e9),
        ("0.5", 5e8),
        ("2gb", 2e9),
        ("1 GiB", 2.0**30),
        ("512 mib", 2.0**29),
    ],
)
def test_amounts_of_memory_are_read(text, size):
    from washgrade.cli.options import MEMORY

    assert MEMORY.convert(text, None, None) == size


@pytest.mark.parametrize("text", ["lots", "4 GW", "", "1,5 GB", "4 m2"])
def test_nonsense_for_memory_is_refused(tmp_path, text):
    result = CliRunner().invoke(main, ["ground", str(tmp_path / "site"), "--dem", "x.tif", "--memory", text])
    comma = " with a decimal point" if "," in text else ""
    assert result.exit_code == 2
    assert (
        f"Error: Invalid value for '--memory': {text!r} is no amount of memory. Write a number{comma} and "
        "one of the units GB, MB, GiB, MiB (without a unit it means GB)." in result.output
    )


@pytest.mark.filterwarnings("ignore::washgrade.errors.GroundWarning")
def test_on_the_command_line(tmp_path):
    dem = write(tmp_path / "dem.tif", land())
    result = CliRunner().invoke(
        main,
        ["ground", str(tmp_path / "site"), "--dem", str(dem), "--memory", "9 MB"],
        catch_exceptions=False,
    )
    assert result.exit_code == 0
    assert "Worked on by tiles, with scratch files: in memory it would take about 9.36 MB, and 9 MB are" in (
        result.output
    )


def test_without_being_told_it_goes_by_what_is_free(tmp_path, monkeypatch):
    info = tmp_path / "meminfo"
    info.write_text("MemTotal:       8000000 kB\nMemAvailable:    1000000 kB\n", encoding="ascii")
    monkeypatch.setattr(memory_module, "MEMINFO", info)
    monkeypatch.setattr(memory_module, "GROUP_LIMIT", tmp_path / "none")
    assert available_bytes() == 1_024_000_000
    assert budget_bytes(None) == 716_800_000
    # 60 bytes for each of 3,400 by 3,400 cells are 0.69 GB, and a little more cells are too many.
    assert not plan_memory((3_400, 3_400), budget=budget_bytes(None), is_told=False).by_tiles
    plan = plan_memory((3_500, 3_500), budget=budget_bytes(None), is_told=False)
    assert plan.by_tiles
    assert plan.sentence == (
        "Worked on by tiles, with scratch files: in memory it would take about 735 MB, and 717 MB may be "
        "taken of what is free here."
    )
    # A container may have less than the machine.
    limit, stat = tmp_path / "limit", tmp_path / "stat"
    limit.write_text("500000000\n", encoding="ascii")
    stat.write_text("anon 100000000\nfile 300000000\n", encoding="ascii")
    monkeypatch.setattr(memory_module, "GROUP_LIMIT", limit)
    monkeypatch.setattr(memory_module, "GROUP_STAT", stat)
    assert available_bytes() == 400_000_000
    limit.write_text("max\n", encoding="ascii")
    assert available_bytes() == 1_024_000_000


def test_where_the_system_says_nothing_four_gigabytes_are_taken_to_be_free(tmp_path, monkeypatch):
    monkeypatch.setattr(memory_module, "MEMINFO", tmp_path / "none")
    monkeypatch.setattr(memory_module, "GROUP_LIMIT", tmp_path / "none")
    monkeypatch.setattr(memory_module.os, "sysconf_names", {})
    assert available_bytes() == 4_000_000_000


def test_the_figure_for_memory_is_the_one_that_is_measured():
    # benchmarks/ground.py measures it and fails above it.
    assert drain_module.memory_in_core_bytes((1_000, 1_000)) == 60_000_000
