"""What people can tell the ground: dams that stand, sinks, drawn washes, heads; and what it remembers."""

from __future__ import annotations

import json
import re
import sqlite3

import numpy as np
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from dems import write_dem

from washgrade import survey
from washgrade.cli import ground as ground_verb
from washgrade.cli import main
from washgrade.files import reference
from washgrade.files.groundstore import load_channels, load_ground_layers
from washgrade.files.site import open_site

WEST, NORTH, CELL = 500_000.0, 4_000_000.0, 5.0
ROWS, COLS = 120, 81
MIDDLE = WEST + (COLS // 2 + 0.5) * CELL


def valley():
    """A valley of 3 in 100 that runs south, its sides at 1 in 5, a little rough but without pits."""
    row, col = np.mgrid[0:ROWS, 0:COLS].astype(np.float64)
    heights = 100.0 - 0.15 * row + np.abs(col - COLS // 2)
    return (heights + 0.02 * np.sin(row * 1.7) * np.sin(col * 0.9)).astype(np.float32)


def dammed():
    """The same with a bank 2.5 m high across the bed at row 60, such as a road over a culvert."""
    heights = valley()
    bank = 100.0 - 0.15 * 60 + 2.5
    heights[59:62] = np.maximum(heights[59:62], bank)
    return heights


def write(path, heights):
    write_dem(path, heights, west_m=WEST, north_m=NORTH, cell_m=CELL, nodata=-9999.0)
    return path


def features(path, *geometries):
    """A GeoJSON file on the DEM's grid."""
    path.write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25830"}},
                "features": [
                    {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(one)}
                    for one in geometries
                ],
            }
        )
    )
    return path


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def built(*words):
    done = run("ground", *words, "--json")
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


@pytest.fixture
def dem(tmp_path):
    return write(tmp_path / "dem.tif", dammed())


def main_area(site):
    """Largest upstream area at the map's southern edge."""
    nodes = load_channels(open_site(site)).nodes
    south = nodes.northing_m < NORTH - (ROWS - 2) * CELL
    return float(nodes.upstream_area_m2[south].max(initial=0.0))


def test_a_dam_is_cut_told_and_kept_by_its_name(tmp_path, dem):
    site = tmp_path / "site"
    made = built(site, "--dem", dem, "--channel-area", "5000 m2")
    (cut,) = made["cuts"]
    # The bank is three cells thick: four steps from the ponded bed to the bed below.
    assert 15.0 <= cut["length_m"] <= 25.0
    # No deeper than the bank is high; the pond behind it may be raised in part first.
    assert 1.5 <= cut["depth_m"] <= 2.6
    assert np.mean(cut["easting_m"]) == pytest.approx(MIDDLE, abs=CELL)
    told = [sentence for sentence in made["report"] if cut["name"] in sentence]
    assert len(told) == 1
    assert f"--keep-dam {cut['name']}" in told[0]
    whole = main_area(site)
    kept = built(site, "--dem", dem, "--channel-area", "5000 m2", "--keep-dam", cut["name"])
    assert kept["cuts"] == []
    (hollow,) = kept["hollows"]
    assert "kept" in hollow["why"]
    # Water still leaves, over the bank, since the hollow is filled.
    assert main_area(site) == pytest.approx(whole, rel=0.02)
    # What was told stays when the ground is built anew, until it is taken away.
    assert built(site, "--dem", dem, "--channel-area", "5000 m2")["cuts"] == []
    assert len(built(site, "--dem", dem, "--channel-area", "5000 m2", "--keep-dam", "none")["cuts"]) == 1


def test_a_dam_drawn_as_a_line_is_kept(tmp_path, dem):
    north = NORTH - 60.5 * CELL
    line = shapely.LineString([(WEST, north), (WEST + COLS * CELL, north)])
    drawn = features(tmp_path / "dams.geojson", line)
    assert built(tmp_path / "site", "--dem", dem, "--keep-dam", drawn)["cuts"] == []


def test_a_dam_on_a_level_noisy_bed_is_told_and_a_drawn_wash_opens_it(tmp_path):
    row, col = np.mgrid[0:160, 0:61].astype(np.float64)
    # Two centimetres of fall in a hundred metres, and heights good to five.
    heights = 50.0 - 0.001 * row + 2.5 * np.maximum(np.abs(col - 30) - 4, 0)
    heights += np.random.default_rng(3).normal(0, 0.05, row.shape)
    heights[:12] += np.linspace(30, 0, 12)[:, None]
    heights[120:122] = np.maximum(heights[120:122], 52.0)
    dem = write(tmp_path / "dem.tif", heights)
    words = ("--dem", dem, "--channel-area", "5000 m2")
    done = run("ground", tmp_path / "site", *words)
    assert done.exit_code == 0, done.output
    told = next(line for line in done.stdout.splitlines() if "a hollow of" in line)
    assert "too long to cut" in told
    assert "with a larger --max-breach, or the wash drawn across as --channel" in told
    middle = WEST + 30.5 * CELL
    drawn = features(
        tmp_path / "wash.geojson",
        shapely.LineString([(middle, NORTH - 112 * CELL), (middle, NORTH - 150 * CELL)]),
    )
    done = run("ground", tmp_path / "site", *words, "--channel", drawn)
    assert done.exit_code == 0, done.output
    assert "a hollow of" not in done.stdout
    # Nearly all that lies above drains through the place of the dam.
    nodes = load_channels(open_site(tmp_path / "site")).nodes
    below = nodes.northing_m < NORTH - 123 * CELL
    assert nodes.upstream_area_m2[below].max() > 0.8 * 120 * 61 * CELL**2


def test_a_quarry_is_not_opened(tmp_path):
    heights = valley()
    # A pit 20 m deep beside the bed, 30 m from lower ground.
    heights[40:52, 45:57] = heights[40:52, 45:57].min() - 20.0
    made = built(tmp_path / "site", "--dem", write(tmp_path / "q.tif", heights), "--channel-area", "5000 m2")
    assert [cut for cut in made["cuts"] if cut["depth_m"] > 6.0] == []
    assert max(hollow["depth_m"] for hollow in made["hollows"]) > 15.0


def test_water_that_sinks_leaves_there(tmp_path):
    heights = valley()
    # A playa: a wide basin too deep and too far from lower ground to be cut open.
    row, col = np.mgrid[0:ROWS, 0:COLS]
    basin = np.hypot(row - 80, col - COLS // 2) < 14
    heights[basin] = heights[basin].min() - 9.0
    dem = write(tmp_path / "playa.tif", heights)
    site = tmp_path / "site"
    filled = built(site, "--dem", dem, "--channel-area", "5000 m2")
    before = main_area(site)
    (hollow,) = filled["hollows"]
    sunk = built(site, "--dem", dem, "--channel-area", "5000 m2", "--sink", hollow["name"])
    assert sunk["washes"] > filled["washes"]
    assert main_area(site) < 0.6 * before
    # Told as an area instead, the same.
    place = shapely.Point(hollow["easting_m"][0], hollow["northing_m"][0])
    area = features(tmp_path / "sink.geojson", place.buffer(30.0))
    built(site, "--dem", dem, "--channel-area", "5000 m2", "--sink", area)
    assert main_area(site) < 0.6 * before
    line = features(
        tmp_path / "line.geojson", shapely.LineString([(MIDDLE, NORTH - 100), (MIDDLE, NORTH - 200)])
    )
    refused = run("ground", site, "--dem", dem, "--sink", line)
    assert refused.exit_code == 2
    assert "which is a line. It must be a point where the water goes, or an area around it." in refused.output


def test_the_network_follows_a_drawn_wash(tmp_path):
    dem = write(tmp_path / "dem.tif", valley())
    # Along the foot of the western side, 60 m off the bed that the DEM shows, then back to it.
    west = MIDDLE - 60.0
    north = [NORTH - 100.0, NORTH - 300.0, NORTH - 400.0]
    line = shapely.LineString([(west, north[0]), (west, north[1]), (MIDDLE, north[2])])
    site = tmp_path / "site"
    built(site, "--dem", dem, "--channel", features(tmp_path / "wash.geojson", line))
    nodes = load_channels(open_site(site)).nodes
    away = shapely.distance(line, shapely.points(nodes.easting_m, nodes.northing_m))
    on_line = away <= 1.5 * CELL
    along = shapely.line_locate_point(line, shapely.points(nodes.easting_m, nodes.northing_m))[on_line]
    # Nodes all along it, none farther from the next than a cell's diagonal and the smoothing.
    assert np.diff(np.sort(np.concatenate([[0.0], along, [line.length]]))).max() < 4 * CELL


def test_ids_of_reaches_stay_with_their_places(tmp_path, dem):
    site = tmp_path / "site"
    words = (site, "--dem", dem, "--channel-area", "5000 m2")

    def ids():
        found = load_channels(open_site(site))
        middle = found.nodes.northing_m[(found.reaches.first_node + found.reaches.last_node) // 2]
        return dict(zip(found.reaches.reach_id.tolist(), middle.tolist(), strict=True))

    built(*words)
    first = ids()
    built(*words)
    assert ids() == first
    finer = built(*words, "--max-reach", "25 m")
    assert any("keep" in sentence for sentence in finer["report"])
    for name, northing_m in ids().items():
        if name in first:
            assert northing_m == pytest.approx(first[name], abs=50.0)
    assert len(set(first) & set(ids())) > 0.8 * len(first)
    built(*words)
    assert ids() == first


def test_heads_by_area_and_slope_and_the_table_of_the_drop_test(tmp_path, dem):
    site = tmp_path / "site"
    done = run(
        "ground", site, "--dem", dem, "--heads", "slope-area", "--channel-area", "5000 m2", "--drop-table"
    )
    assert done.exit_code == 0, done.output
    assert "Constant-drop test" in done.output
    assert "area times" in done.output or "slope" in done.output
    plain = built(site, "--dem", dem, "--channel-area", "5000 m2")
    assert plain["drop_test"] == []
    tested = built(site, "--dem", dem, "--drop-table")
    assert set(tested["drop_test"][0]) >= {"channel_area_m2", "t", "p", "taken"}


def test_a_hole_is_mended_marked_and_a_wide_one_is_not(tmp_path):
    heights = valley()
    heights[30:33, 20:23] = np.nan
    heights[70:95, 5:25] = np.nan
    site = tmp_path / "site"
    made = built(site, "--dem", write(tmp_path / "holes.tif", heights))
    (hole,) = made["mended"]
    assert hole["area_m2"] == 9 * CELL**2
    assert (hole["easting_m"][0], hole["northing_m"][0]) == (WEST + 21.5 * CELL, NORTH - 31.5 * CELL)
    assert any("1 hole of 9 cells in all" in sentence for sentence in made["report"])
    with rasterio.open(site / "terrain.tif") as raster:
        kept = raster.read(1, masked=True)
    assert not np.ma.getmaskarray(kept)[30:33, 20:23].any()
    assert np.ma.getmaskarray(kept)[70:95, 5:25].all()
    # The valley's side is a plane there but for the roughness.
    assert np.abs(kept[30:33, 20:23] - valley()[30:33, 20:23]).max() < 0.15


def test_a_catchment_cut_by_the_edge_is_a_lower_bound(tmp_path):
    dem = write(tmp_path / "dem.tif", valley())
    site = tmp_path / "site"
    made = built(site, "--dem", dem)
    assert any("lower bounds" in doubt for doubt in made["doubts"])
    layers = load_ground_layers(open_site(site))
    # The valley goes on beyond the northern edge, so all of its main channel is cut.
    nodes = load_channels(open_site(site)).nodes
    in_bed = np.abs(nodes.easting_m - MIDDLE) < CELL
    assert (layers.edge_share[in_bed] > 0).all()
    found = survey.rank(survey.estimate(site)).as_json()["reaches"]
    assert any(reach["shape"]["upstream_area_is_lower_bound"] for reach in found)


def test_a_lake_is_no_wash(tmp_path):
    heights = valley()
    heights[50:90, 20:60] = np.minimum(heights[50:90, 20:60].min(), heights[90, COLS // 2] + 0.3)
    site = tmp_path / "site"
    built(site, "--dem", write(tmp_path / "lake.tif", heights), "--channel-area", "5000 m2")
    ranking = survey.rank(survey.estimate(site))
    assert ranking.on_water.any()
    assert not ranking.on_water.all()
    last = ranking.rank[ranking.on_water]
    assert last.min() > (~ranking.closed).sum()
    assert any("standing water" in sentence for sentence in ranking.sentences)


def test_the_report_speaks_the_units_asked_for(tmp_path, dem):
    done = run("ground", tmp_path / "site", "--dem", dem, "--units", "us", "--channel-area", "5000 m2")
    assert done.exit_code == 0, done.output
    cut = next(line for line in done.output.splitlines() if "a dam cut open" in line)
    assert " ft long" in cut
    assert "acres" in cut


def test_no_metric_figure_slips_into_a_report_in_feet(tmp_path):
    heights = valley()
    heights[40:42, 20] = np.nan
    heights[80:84, 60:64] += 0.8
    dem = write(tmp_path / "dem.tif", heights)
    drawn = features(
        tmp_path / "wash.geojson",
        shapely.LineString([(MIDDLE, NORTH - 20 * CELL), (MIDDLE, NORTH - 90 * CELL)]),
    )
    for heads in ("area", "slope-area"):
        words = ("--dem", dem, "--units", "us", "--channel", drawn, "--heads", heads, "--drop-table")
        done = run("ground", tmp_path / heads, *words)
        assert done.exit_code == 0, done.output
        assert "carved into the ground" in done.stdout
        assert "mended from the ground around" in done.stdout
        # The file's own line tells what it holds, which is metres.
        told = done.stdout[done.stdout.index("The ground:") :]
        metric = re.findall(r"\d (?:m|km|m²|km²|ha|m³|L)\b", told.replace(" MB", ""))
        assert metric == [], told


def test_what_is_wrong_with_the_ground_is_told_in_feet_and_acres(tmp_path, dem):
    def refused(*words):
        done = run("ground", tmp_path / "none", *words, "--units", "us")
        assert done.exit_code == 2, done.output
        return done.stderr

    short = features(
        tmp_path / "short.geojson",
        shapely.LineString([(MIDDLE, NORTH - 20 * CELL), (MIDDLE, NORTH - 22 * CELL)]),
    )
    over = features(
        tmp_path / "over.geojson",
        shapely.LineString(
            [
                (MIDDLE, NORTH - 30 * CELL),
                (MIDDLE + 30 * CELL, NORTH - 40 * CELL),
                (MIDDLE, NORTH - 60 * CELL),
            ]
        ),
    )
    told = {
        "area": refused("--dem", dem, "--channel-area", "900 acres"),
        "short": refused("--dem", dem, "--channel", short),
        "over": refused("--dem", dem, "--channel", over),
        "flat": refused("--dem", write(tmp_path / "flat.tif", np.full((90, 80), 7.0, np.float32))),
        "small": refused("--dem", write(tmp_path / "small.tif", valley()[:6, :6])),
        "many": refused("--dem", dem, "--cell", "0.05 ft"),
    }
    for name, sentence in told.items():
        assert re.search(r"\d (?:ft|acres|sq mi)\b", sentence), (name, sentence)
        assert not re.search(r"\d (?:m|km|m²|km²|ha)\b", sentence), (name, sentence)
    assert "'channel_area_m2' of 3.64217e+06, 1.4 sq mi." in told["area"]


def test_what_a_drawn_wash_was_carved_by_is_no_cut(tmp_path):
    heights = valley()
    # One pit beside the wash, which is cut open with and without what follows.
    heights[80:82, 60:62] -= 2.5
    plain = write(tmp_path / "plain.tif", heights)
    # A low bank across the bed, which the drawn line passes.
    heights[60, :] += 0.5
    dem = write(tmp_path / "dem.tif", heights)
    drawn = features(
        tmp_path / "wash.geojson",
        shapely.LineString([(MIDDLE, NORTH - 20 * CELL), (MIDDLE, NORTH - 90 * CELL)]),
    )

    def pits(site, *words):
        (told,) = [one for one in built(site, *words)["report"] if re.match(r"\d+ pits? in the DEM", one)]
        return told

    alone = pits(tmp_path / "alone", "--dem", plain)
    assert alone.startswith("1 pit in the DEM, 1 of them opened by cuts, the longest ")
    assert pits(tmp_path / "both", "--dem", dem, "--channel", drawn) == alone


def test_a_folder_that_cannot_be_made_is_said_before_the_dem_is_read(tmp_path):
    (tmp_path / "taken").write_text("a note")
    for site, sentence in (
        (
            tmp_path / "no" / "site",
            f"There is no folder {tmp_path / 'no'} to make site in. Make it first, or check the path.",
        ),
        (tmp_path / "taken", f"{tmp_path / 'taken'} is a file. A site must be a folder."),
    ):
        done = run("ground", site, "--dem", tmp_path / "missing.tif")
        assert (done.exit_code, done.stderr) == (2, f"{sentence}\n")


def test_a_gis_sees_the_cuts(tmp_path, dem):
    site = tmp_path / "site"
    made = built(site, "--dem", dem, "--channel-area", "5000 m2")
    with sqlite3.connect(site / "site.gpkg") as connection:
        rows = connection.execute("SELECT name, length_m, depth_m FROM cuts").fetchall()
    connection.close()
    assert [row[0] for row in rows] == [cut["name"] for cut in made["cuts"]]


def test_units_of_heights_are_those_that_the_reader_knows():
    assert tuple(sorted(reference.Z_UNITS, key=list(ground_verb.Z_UNITS).index)) == ground_verb.Z_UNITS


@pytest.mark.parametrize(
    ("option", "value", "sentence"),
    [
        ("--keep-dam", "nowhere.gpkg", "nowhere.gpkg"),
        ("--sink", "hollow-1-2", "hollow-1-2"),
        ("--channel", "track.gpx", "track.gpx"),
    ],
)
def test_a_missing_file_or_unknown_name_gets_its_sentence(tmp_path, dem, option, value, sentence):
    done = run("ground", tmp_path / "site", "--dem", dem, option, value)
    assert done.exit_code == 2
    assert len(done.output.strip().splitlines()) == 1
    assert done.output.startswith(sentence)
    assert not (tmp_path / "site").exists()
