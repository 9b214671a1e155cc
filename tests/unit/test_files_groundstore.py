"""The ground on disk: whole, fast, safe for the notebook; and the drawn shapes that go with it."""

import json
import os
import re
import shutil
import sqlite3
from dataclasses import fields
from datetime import date

import numpy as np
import pyogrio
import pytest
import shapely

from washgrade.errors import GroundError, SiteError
from washgrade.files import groundstore
from washgrade.files.geopackage import writing
from washgrade.files.groundstore import (
    load_channels,
    load_dem,
    load_facts,
    load_ground_layers,
    load_shapes,
    save_ground,
)
from washgrade.files.groundtables import GroundLayers
from washgrade.files.judging import Frame
from washgrade.files.notebook import add_records, read_records
from washgrade.files.places import lonlat, to_grid
from washgrade.files.rasters import GroundReport
from washgrade.files.records import make_record
from washgrade.files.site import make_site
from washgrade.files.vectors import Shape as Drawn
from washgrade.files.vectors import read_areas, read_points
from washgrade.land.channels import Channels, Nodes, Reaches
from washgrade.land.dem import Dem
from washgrade.land.inherit import inherit_ids
from washgrade.land.places import no_places
from washgrade.land.reachsections import POINTS, ReachSections
from washgrade.land.shape import Shape

CRS = "EPSG:25830"
REPORT = GroundReport(
    sentences=("It is ground.",),
    doubts=("Is it?",),
    files=("a.tif",),
    crs=CRS,
    cell_m=5.0,
    rows=40,
    cols=50,
    void_cells=0,
    resampled=False,
    z_units=("m",),
)


def a_dem(lift_m=0.0, crs=CRS, west_m=550000.0, north_m=4106000.0):
    z = np.random.default_rng(3).normal(100.0 + lift_m, 5.0, (40, 50)).astype(np.float32)
    z[4, 5] = np.nan
    return Dem(elevation_m=z, cell_m=5.0, west_m=west_m, north_m=north_m, crs=crs)


def chain(count=12, per_reach=3):
    """One channel of `count` nodes running east, cut into reaches of `per_reach` nodes."""
    number = np.arange(count)
    downstream = np.where(number < count - 1, number + 1, -1).astype(np.int32)
    reach = (number // per_reach).astype(np.int32)
    reaches = int(reach[-1]) + 1
    first = np.searchsorted(reach, np.arange(reaches)).astype(np.int32)
    last = np.append(first[1:] - 1, count - 1).astype(np.int32)
    rng = np.random.default_rng(5)
    nodes = Nodes(
        cell=number.astype(np.int64),
        downstream=downstream,
        length_m=np.where(downstream >= 0, 5.0, 0.0),
        easting_m=550002.5 + 5.0 * number,
        northing_m=4105900.0 + rng.normal(size=count),
        elevation_m=100.0 - 0.1 * number,
        upstream_area_m2=1000.0 + 25.0 * number,
        distance_to_outlet_m=5.0 * (count - 1 - number),
        order=np.ones(count, np.int32),
        reach=reach,
    )
    length_m = np.array([nodes.length_m[reach == r].sum() for r in range(reaches)])
    return Channels(
        nodes=nodes,
        reaches=Reaches(
            reach_id=np.array([f"A{reaches - r}" for r in range(reaches)]),
            first_node=first,
            last_node=last,
            downstream=np.where(np.arange(reaches) < reaches - 1, np.arange(reaches) + 1, -1).astype(
                np.int32
            ),
            length_m=length_m,
            drop_m=0.02 * length_m,
            slope=np.full(reaches, 0.02),
            upstream_area_m2=nodes.upstream_area_m2[last],
            order=np.ones(reaches, np.int32),
        ),
        channel_area_m2=1000.0,
    )


def some_layers(channels):
    """Layers of all kinds, with what is unknown and what is infinite among them."""
    count, reaches = len(channels.nodes), len(channels.reaches)
    rng = np.random.default_rng(9)

    def numbers(missing=np.nan):
        found = rng.normal(10.0, 1.0, count)
        found[0] = missing
        return found

    shape = Shape(
        width_m=numbers(),
        width_from=rng.integers(0, 4, count).astype(np.uint8),
        valley_m=numbers(),
        is_open=rng.random(count) < 0.5,
        confinement=numbers(),
        curvature_per_m=numbers(),
        radius_over_width=numbers(np.inf),
        inner_side=rng.integers(-1, 2, count).astype(np.int8),
        slope=numbers(),
        slope_break=numbers(),
        expansion=numbers(),
        below_confluence_m=numbers(np.inf),
        area_ratio=numbers(),
        stream_power_w_m2_per_m3_s=numbers(),
    )
    heights = rng.normal(100.0, 1.0, (reaches, POINTS)).round(3).astype(np.float32)
    heights[0, 3] = np.nan
    sections = ReachSections(node=np.arange(reaches), half_m=np.full(reaches, 40.0), elevation_m=heights)
    cut = {"length_m": 25.0, "depth_m": 3.0, "volume_m3": 40.0, "upstream_area_m2": 5e4}
    hollow = {"depth_m": 2.0, "area_m2": 900.0, "volume_m3": 700.0, "upstream_area_m2": 5e4}
    place = {"easting_m": [550010.0, 550030.0], "northing_m": [4105900.0, 4105905.0]}
    spot = {"easting_m": [550040.0], "northing_m": [4105910.0]}
    return GroundLayers(
        shape=shape,
        sections=sections,
        edge_share=rng.random(count),
        is_on_water=rng.random(count) < 0.5,
        is_on_fan=rng.random(reaches) < 0.5,
        is_beside=rng.random(reaches) < 0.5,
        places=inherit_ids(channels, no_places(), cell_m=5.0).places,
        marks={
            "cuts": [{"name": "C1", **cut, **place}],
            "hollows": [{"name": "H1", "why": "too deep", **hollow, **spot}],
            "mended": [{"name": "M1", "area_m2": 75.0, **spot}],
        },
    )


def put(site, dem, channels, **more):
    save_ground(site, dem, channels, some_layers(channels), REPORT, **more)


def assert_same(found, expected):
    for part in ("nodes", "reaches"):
        for entry in fields(getattr(expected, part)):
            one, two = getattr(getattr(found, part), entry.name), getattr(getattr(expected, part), entry.name)
            assert one.dtype == two.dtype, entry.name
            np.testing.assert_array_equal(one, two, err_msg=entry.name)


@pytest.fixture
def site(tmp_path):
    return make_site(tmp_path / "site")


SQUARE = shapely.box(550000, 4105850, 550100, 4105950)


def test_a_ground_comes_back_as_it_was_saved(site):
    dem, channels = a_dem(), chain()
    shapes = (Drawn(name="north", geometry=SQUARE), Drawn(name="", geometry=SQUARE.buffer(5)))
    gate = (Drawn(name="gate", geometry=shapely.Point(550001, 4105901)),)
    put(site, dem, channels, shapes={"property": shapes, "access": gate}, more={"breached": 3})
    assert_same(load_channels(site), channels)
    assert load_channels(site).channel_area_m2 == 1000.0
    np.testing.assert_array_equal(load_dem(site).elevation_m, dem.elevation_m)
    facts = load_facts(site)
    assert (facts.crs, facts.sentences, facts.doubts) == (CRS, ("It is ground.",), ("Is it?",))
    assert facts.more == {"breached": 3}
    assert facts.contains(550000.0, 4106000.0)
    assert facts.contains(550250.0, 4105800.0)
    assert not facts.contains(550250.1, 4105900.0)
    found = load_shapes(site, "property")
    assert [shape.name for shape in found] == ["north", ""]
    assert found[0].geometry.equals_exact(SQUARE)
    assert load_shapes(site, "no_go") == ()
    assert load_shapes(site, "access")[0].geometry.x == 550001
    assert sorted(path.name for path in site.folder.iterdir()) == [
        "out",
        "site.gpkg",
        "site.toml",
        "terrain.tif",
    ]


def test_shapes_sections_and_marks_come_back_as_they_were_saved(site):
    channels = chain()
    put(site, a_dem(), channels)
    found, expected = load_ground_layers(site), some_layers(channels)
    for part in ("shape", "sections", "places"):
        for entry in fields(getattr(expected, part)):
            one, two = getattr(getattr(found, part), entry.name), getattr(getattr(expected, part), entry.name)
            assert one.dtype == two.dtype, entry.name
            np.testing.assert_array_equal(one, two, err_msg=entry.name)
    for name in ("edge_share", "is_on_water", "is_on_fan", "is_beside"):
        np.testing.assert_array_equal(getattr(found, name), getattr(expected, name))
    assert found.marks == expected.marks
    # Somebody who opens the file in a GIS sees them too.
    told = pyogrio.read_dataframe(site.geopackage, layer="cuts")
    assert told[["name", "length_m", "depth_m"]].values.tolist() == [["C1", 25.0, 3.0]]
    assert list(told.geometry[0].coords) == [(550010.0, 4105900.0), (550030.0, 4105905.0)]
    assert "width_m" in pyogrio.read_info(site.geopackage, layer="reaches")["fields"]


def test_a_ground_without_shapes_is_told_to_be_built_again(site):
    put(site, a_dem(), chain())
    with writing(site.geopackage) as connection:
        connection.execute("DROP TABLE sections")
    sentence = (
        f"The ground of {site.folder} was built by an earlier washgrade and says nothing of shapes. "
        "Build it again: washgrade ground. The notebook is not touched by that."
    )
    with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
        load_ground_layers(site)


def test_layers_open_in_a_geographic_reader(site):
    channels = chain()
    put(site, a_dem(), channels, shapes={"no_go": (Drawn(name="", geometry=SQUARE),)})
    layers = {str(name): kind for name, kind in pyogrio.list_layers(site.geopackage)}
    assert {
        name: layers[name] for name in ("nodes", "reaches", "property", "no_go", "access", "samples")
    } == {
        "nodes": "Point",
        "reaches": "LineString",
        "property": "Polygon",
        "no_go": "Polygon",
        "access": "Point",
        "samples": "Point",
    }
    frame = pyogrio.read_dataframe(site.geopackage, layer="reaches")
    assert frame.crs.to_epsg() == 25830
    assert frame["reach_id"].tolist() == ["A4", "A3", "A2", "A1"]
    # A line ends where the next begins, so its length is that of all its steps.
    for above, below in zip(frame.geometry[:-1], frame.geometry[1:], strict=True):
        assert above.coords[-1] == below.coords[0]
    assert pyogrio.read_info(site.geopackage, layer="nodes")["features"] == 12


def test_a_rebuild_keeps_the_notebook_and_the_shapes_and_can_drop_them(site):
    put(site, a_dem(), chain(), shapes={"property": (Drawn(name="p", geometry=SQUARE),)})
    record = {"time": "2026-03-01", "lon": -2.4, "lat": 37.1, "grade": 0.12}
    add_records(site, [make_record("samples", record, Frame(crs=CRS, today=date(2026, 3, 2)))])
    put(site, a_dem(7.0), chain(6))
    assert len(load_channels(site).nodes) == 6
    assert len(read_records(site)) == 1
    assert [shape.name for shape in load_shapes(site, "property")] == ["p"]
    put(site, a_dem(7.0), chain(6), shapes={"property": ()})
    assert load_shapes(site, "property") == ()


def test_a_rebuild_on_another_grid_takes_records_and_shapes_along(site):
    put(site, a_dem(), chain(), shapes={"access": (Drawn(name="", geometry=shapely.Point(550010, 4105900)),)})
    record = {"time": "2026-03-01", "lon": -2.4, "lat": 37.1, "grade": 0.12}
    add_records(site, [make_record("samples", record, Frame(crs=CRS, today=date(2026, 3, 2)))])
    put(site, a_dem(crs="EPSG:32629", west_m=1000000.0), chain())
    sample = read_records(site)[0]
    expected = to_grid("EPSG:32629", -2.4, 37.1)
    assert (sample.easting_m, sample.northing_m) == pytest.approx(tuple(map(float, expected)), abs=1e-6)
    moved = load_shapes(site, "access")[0].geometry
    back = to_grid(CRS, *lonlat("EPSG:32629", moved.x, moved.y))
    assert tuple(map(float, back)) == pytest.approx((550010, 4105900), abs=1e-3)


class PulledPlug(BaseException):
    """Stands for the end of the process."""


@pytest.mark.parametrize("where", ["save_channels", "_settle"])
def test_a_build_cut_short_leaves_one_whole_ground(site, monkeypatch, where):
    old, new = chain(12), chain(6)
    put(site, a_dem(), old)

    def pull(*args):
        if where == "_settle" and not groundstore._waiting(*args).exists():
            return
        raise PulledPlug

    with monkeypatch.context() as patch:
        patch.setattr(groundstore, where, pull)
        with pytest.raises(PulledPlug):
            put(site, a_dem(7.0), new)
    # Before the transaction ends the old ground stands whole; after it the new one does.
    expected, lift_m = (old, 0.0) if where == "save_channels" else (new, 7.0)
    assert_same(load_channels(site), expected)
    np.testing.assert_array_equal(load_dem(site).elevation_m, a_dem(lift_m).elevation_m)


def test_terrain_and_channels_that_do_not_belong_together_are_said(site, tmp_path):
    put(site, a_dem(), chain())
    shutil.copy(site.terrain, tmp_path / "old.tif")
    put(site, a_dem(7.0), chain())
    shutil.copy(tmp_path / "old.tif", site.terrain)
    sentence = (
        f"terrain.tif and site.gpkg in {site.folder} do not belong together: one of them was replaced or is "
        f"missing. "
        "Build the ground again: washgrade ground. The notebook is not touched by that."
    )
    for load in (load_channels, load_dem):
        with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
            load(site)
    site.terrain.unlink()
    with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
        load_channels(site)


def test_a_site_without_ground_says_what_to_do(site):
    sentence = f"The site {site.folder} has no ground yet. Build it with: washgrade ground SITE --dem FILE."
    for load in (load_channels, load_dem, load_facts, lambda one: load_shapes(one, "access")):
        with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
            load(site)


if os.name != "nt" and os.geteuid() != 0:  # the superuser may write anywhere

    def test_a_site_that_may_not_be_written_is_said(site):
        put(site, a_dem(), chain())
        site.folder.chmod(0o500)
        try:
            with pytest.raises(SiteError, match=r"cannot be written"):
                put(site, a_dem(7.0), chain())
        finally:
            site.folder.chmod(0o700)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (
            "attempt to write a readonly database",
            "{} cannot be written. Check the rights of the file and of its folder.",
        ),
        (
            "database or disk is full",
            "The disk that holds {} is full. Nothing was changed; make room and try again.",
        ),
        ("no such table: x", "{} cannot be worked with: no such table: x."),
    ],
)
def test_what_the_database_says_becomes_a_sentence_and_changes_nothing(site, words, sentence):
    put(site, a_dem(), chain())
    whole = re.escape(sentence.format(site.geopackage))

    def go_wrong():
        with writing(site.geopackage) as connection:
            connection.execute("DELETE FROM nodes")
            raise sqlite3.OperationalError(words)

    with pytest.raises(SiteError, match=f"^{whole}$"):
        go_wrong()
    assert len(load_channels(site).nodes) == 12


def test_leftovers_of_killed_builds_are_cleared_after_a_day(site):
    old, fresh = site.folder / ".terrain-a.tif", site.folder / ".terrain-b.tif"
    for path in (old, fresh):
        path.write_bytes(b"")
    os.utime(old, (0, 0))
    put(site, a_dem(), chain())
    assert (old.exists(), fresh.exists()) == (False, True)


def test_twenty_thousand_nodes_come_back_the_same(site):
    channels = chain(20_000, 10)
    put(site, a_dem(), channels)
    assert_same(load_channels(site), channels)


def write_geojson(path, *geometries, names=None):
    features = [
        {
            "type": "Feature",
            "geometry": shapely.geometry.mapping(geometry),
            "properties": {"name": names[k]} if names else {},
        }
        for k, geometry in enumerate(geometries)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


DEGREES = shapely.box(-2.41, 37.09, -2.40, 37.10)


def test_areas_lines_and_points_are_read_onto_the_grid(tmp_path):
    path = write_geojson(
        tmp_path / "a.geojson", DEGREES, shapely.LineString(DEGREES.exterior), names=["one", None]
    )
    first, second = read_areas(path, crs=CRS)
    assert (first.name, second.name) == ("one", "")
    assert first.geometry.area == pytest.approx(second.geometry.area)
    # A hundredth of a degree each way at 37.1 north is 1110 m by 888.6 m (WGS 84).
    assert first.geometry.area == pytest.approx(1110.0 * 888.6, rel=0.005)
    points = read_points(
        write_geojson(tmp_path / "p.geojson", shapely.MultiPoint([(-2.4, 37.1), (-2.41, 37.1)])), crs=CRS
    )
    assert points[0].geometry.x == pytest.approx(float(to_grid(CRS, -2.4, 37.1)[0]), abs=1e-6)
    assert len(points) == 2


def test_gpx_waypoints_serve_as_access_points(tmp_path):
    (tmp_path / "a.gpx").write_text(
        '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="x">'
        '<wpt lat="37.1" lon="-2.4"><name>gate</name></wpt></gpx>'
    )
    (gate,) = read_points(tmp_path / "a.gpx", crs=CRS)
    assert gate.name == "gate"


def test_an_area_that_crosses_itself_is_mended(tmp_path):
    bow = shapely.Polygon([(-2.41, 37.09), (-2.40, 37.10), (-2.40, 37.09), (-2.41, 37.10)])
    shapes = read_areas(write_geojson(tmp_path / "a.geojson", bow), crs=CRS)
    assert all(shape.geometry.is_valid and shape.geometry.geom_type == "Polygon" for shape in shapes)
    assert sum(shape.geometry.area for shape in shapes) == pytest.approx(1110.0 * 888.6 / 2, rel=0.01)


def test_shapes_of_the_wrong_kind_are_said(tmp_path):
    line = shapely.LineString([(-2.4, 37.1), (-2.41, 37.1)])
    path = write_geojson(tmp_path / "a.geojson", line)
    for read, allowed in (
        (read_areas, "an area: a Polygon, or a line that closes on itself"),
        (read_points, "a Point"),
    ):
        sentence = f"a.geojson, feature 1: The geometry is a LineString. It must be {allowed}."
        with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
            read(path, crs=CRS)


def test_files_of_shapes_that_cannot_be_read_are_said(tmp_path):
    sentence = f"no.gpkg: There is no such file in {tmp_path}."
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        read_areas(tmp_path / "no.gpkg", crs=CRS)
    (tmp_path / "bad.gpkg").write_bytes(b"no")
    with pytest.raises(
        GroundError, match=r"^bad\.gpkg: The file is no vector file that can be read \(.*\)\.$"
    ):
        read_areas(tmp_path / "bad.gpkg", crs=CRS)
    sentence = "e.geojson: The file holds no shape. It must hold at least one."
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        read_areas(write_geojson(tmp_path / "e.geojson"), crs=CRS)
    with pytest.warns(UserWarning, match="crs"):
        pyogrio.write_dataframe(_frame_without_crs(), tmp_path / "n.gpkg")
    sentence = (
        "n.gpkg: The file does not name its coordinate reference system. Save it with one, or as GeoJSON in "
        "longitude "
        "and latitude."
    )
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        read_areas(tmp_path / "n.gpkg", crs=CRS)
    assert len(read_areas(tmp_path / "n.gpkg", crs=CRS, file_crs="EPSG:4326")) == 1


def _frame_without_crs():
    import geopandas

    return geopandas.GeoDataFrame({"name": ["a"]}, geometry=[DEGREES])
