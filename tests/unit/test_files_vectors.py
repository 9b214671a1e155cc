"""Drawn and recorded lines, and marks of any form, from the files that people have."""

import json
import re
from contextlib import contextmanager

import numpy as np
import pyogrio
import pytest
import shapely

from washgrade.errors import GroundError
from washgrade.files.places import to_grid
from washgrade.files.vectors import read_areas, read_lines, read_marks, read_points, read_sources

CRS = "EPSG:25830"
WAY = [(-2.40, 37.10), (-2.401, 37.101), (-2.403, 37.1015)]
BACK = [(-2.41, 37.11), (-2.412, 37.112)]
AREA = shapely.Polygon([(-2.41, 37.09), (-2.40, 37.09), (-2.40, 37.10), (-2.41, 37.10)])


@contextmanager
def refused(sentence):
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        yield


def on_grid(places):
    lon, lat = np.array(places).T
    return np.stack(to_grid(CRS, lon, lat), axis=1)


def same_places(shape, places):
    np.testing.assert_allclose(shapely.get_coordinates(shape.geometry), on_grid(places), atol=1e-6)
    assert not shape.geometry.has_z


def geojson(path, *geometries, names=()):
    features = [
        {
            "type": "Feature",
            "properties": {"name": names[k]} if names else {},
            "geometry": json.loads(shapely.to_geojson(geometry)),
        }
        for k, geometry in enumerate(geometries)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


def points(places, tag):
    return "".join(f'<{tag} lat="{lat}" lon="{lon}"><ele>500</ele></{tag}>' for lon, lat in places)


def gpx(path, body):
    head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="a test">'
    path.write_text(f"{head}{body}</gpx>")
    return path


def test_every_segment_of_a_gpx_track_and_every_route_is_a_line(tmp_path):
    body = (
        f"{points([WAY[0]], 'wpt')}<rte><name>planned</name>{points(BACK, 'rtept')}</rte>"
        f"<trk><name>walked</name><trkseg>{points(WAY, 'trkpt')}</trkseg>"
        f"<trkseg>{points(BACK, 'trkpt')}</trkseg></trk>"
    )
    lines = read_lines(gpx(tmp_path / "a.gpx", body), crs=CRS)
    assert [line.name for line in lines] == ["planned", "walked", "walked"]
    for line, places in zip(lines, (BACK, WAY, BACK), strict=True):
        same_places(line, places)


def test_a_stop_with_the_gps_on_makes_no_point_twice(tmp_path):
    walked = [WAY[0], WAY[0], WAY[1], WAY[1], WAY[1], WAY[2]]
    path = gpx(tmp_path / "a.gpx", f"<trk><trkseg>{points(walked, 'trkpt')}</trkseg></trk>")
    (line,) = read_lines(path, crs=CRS)
    same_places(line, WAY)


def test_a_segment_of_one_point_does_not_hide_the_rest_of_a_track(tmp_path):
    # As a logger writes that was switched on and off at once; with heights and without.
    for name, height in (("high", "<ele>500</ele>"), ("flat", "")):
        lone, walked = (
            points(places, "trkpt").replace("<ele>500</ele>", height) for places in (WAY[:1], WAY)
        )
        body = f"<trk><trkseg>{lone}</trkseg><trkseg>{walked}</trkseg><trkseg>{lone}</trkseg></trk>"
        (line,) = read_lines(gpx(tmp_path / f"{name}.gpx", body), crs=CRS)
        same_places(line, WAY)
    path = gpx(tmp_path / "one.gpx", f"<trk><trkseg>{lone}</trkseg></trk>")
    with refused("one.gpx: The file holds 1 line of no length. A line must join two places at least."):
        read_lines(path, crs=CRS)


@pytest.mark.parametrize("ending", ["gpkg", "shp", "fgb", "kml"])
def test_lines_of_other_formats_lose_height_and_are_split(tmp_path, ending):
    import geopandas

    high = shapely.LineString([(lon, lat, 500.0) for lon, lat in WAY])
    both = (
        [high] if ending in {"fgb", "kml"} else [shapely.MultiLineString([high, [(*p, 1.0) for p in BACK]])]
    )
    frame = geopandas.GeoDataFrame({"name": ["the wash"]}, geometry=both, crs="EPSG:4326")
    path = tmp_path / f"a.{ending}"
    pyogrio.write_dataframe(frame, path, driver="KML" if ending == "kml" else None)
    lines = read_lines(path, crs=CRS)
    assert [line.name for line in lines] == ["the wash"] * len(shapely.get_parts(both[0]))
    same_places(lines[0], WAY)
    if len(lines) == 2:
        same_places(lines[1], BACK)


def test_a_kml_with_a_pin_beside_its_line_gives_the_line(tmp_path):
    text = ";".join(",".join(map(str, (*place, 0))) for place in WAY).replace(";", " ")
    (tmp_path / "a.kml").write_text(
        '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<Placemark><name>car</name><Point><coordinates>{WAY[0][0]},{WAY[0][1]}</coordinates></Point>"
        f"</Placemark><Placemark><name>wash</name><LineString><coordinates>{text}</coordinates></LineString>"
        "</Placemark></Document></kml>"
    )
    (line,) = read_lines(tmp_path / "a.kml", crs=CRS)
    assert line.name == "wash"
    same_places(line, WAY)


def test_files_without_a_line_are_said(tmp_path):
    must = "It must hold a line: a LineString, a GPX track or route."
    path = gpx(tmp_path / "a.gpx", points(WAY, "wpt"))
    with refused(f"a.gpx: The file holds 3 waypoints and no line. {must}"):
        read_lines(path, crs=CRS)
    path = geojson(tmp_path / "p.geojson", shapely.MultiPoint(WAY), shapely.Point(BACK[0]))
    with refused(f"p.geojson: The file holds 4 points and no line. {must}"):
        read_lines(path, crs=CRS)
    path = geojson(tmp_path / "n.geojson", shapely.LineString([WAY[0], WAY[0]]))
    with refused("n.geojson: The file holds 1 line of no length. A line must join two places at least."):
        read_lines(path, crs=CRS)
    path = geojson(tmp_path / "w.geojson", shapely.LineString(WAY), AREA)
    with refused(
        "w.geojson, feature 2: The geometry is a Polygon. It must be a line: a LineString, a GPX track or "
        "route."
    ):
        read_lines(path, crs=CRS)
    path = gpx(tmp_path / "e.gpx", "")
    with refused("e.gpx: The file holds no shape. It must hold at least one."):
        read_lines(path, crs=CRS)


def test_marks_may_have_any_form(tmp_path):
    bow = shapely.Polygon([(-2.41, 37.09), (-2.40, 37.10), (-2.40, 37.09), (-2.41, 37.10)])
    nested = shapely.GeometryCollection([shapely.Point(WAY[0]), shapely.MultiLineString([WAY, BACK])])
    path = geojson(
        tmp_path / "a.geojson", nested, bow, shapely.MultiPoint(WAY), names=("dam", "pond", "sink")
    )
    marks = read_marks(path, crs=CRS)
    assert [(mark.name, mark.geometry.geom_type) for mark in marks] == [
        ("dam", "Point"),
        ("dam", "LineString"),
        ("dam", "LineString"),
        ("pond", "Polygon"),
        ("pond", "Polygon"),
        *[("sink", "Point")] * 3,
    ]
    assert all(mark.geometry.is_valid for mark in marks)
    same_places(marks[1], WAY)
    flat = geojson(tmp_path / "f.geojson", shapely.Polygon([WAY[0], WAY[1], WAY[0], WAY[0]]))
    with refused("f.geojson, feature 1: The area is empty. It must enclose some ground."):
        read_marks(flat, crs=CRS)


def test_marks_and_points_of_a_gpx_take_no_point_of_a_track(tmp_path):
    body = f"{points([BACK[0]], 'wpt')}<trk><name>t</name><trkseg>{points(WAY, 'trkpt')}</trkseg></trk>"
    path = gpx(tmp_path / "a.gpx", body)
    assert [mark.geometry.geom_type for mark in read_marks(path, crs=CRS)] == ["Point", "LineString"]
    with refused("a.gpx, feature 1: The geometry is a MultiLineString. It must be a Point."):
        read_points(path, crs=CRS)


def test_what_cannot_be_read_is_said_in_our_own_words(tmp_path):
    for content, what in (
        (b"hello world", "a text"),
        (b"%PDF-1.4 \xe2", "a PDF document"),
        (bytes(range(200)), "its content is unknown or damaged"),
    ):
        (tmp_path / "a.gpkg").write_bytes(content)
        with refused(f"a.gpkg: The file is no vector file that can be read ({what})."):
            read_lines(tmp_path / "a.gpkg", crs=CRS)
    (tmp_path / "none.gpx").write_bytes(b"")
    with refused("none.gpx: The file is empty, 0 bytes long. Fetch it again."):
        read_lines(tmp_path / "none.gpx", crs=CRS)
    gpx(tmp_path / "cut.gpx", points(WAY, "wpt"))
    whole = (tmp_path / "cut.gpx").read_text()
    (tmp_path / "cut.gpx").write_text(whole[: len(whole) // 2])
    with pytest.raises(
        GroundError, match=r"^cut\.gpx: The file is no vector file that can be read \(.*\)\.$"
    ):
        read_lines(tmp_path / "cut.gpx", crs=CRS)


def test_a_shapefile_without_its_other_parts_is_said(tmp_path):
    import geopandas

    frame = geopandas.GeoDataFrame({"name": ["a"]}, geometry=[shapely.LineString(WAY)], crs="EPSG:4326")
    pyogrio.write_dataframe(frame, tmp_path / "a.shp")
    (tmp_path / "a.shx").unlink()
    with refused(
        "a.shp: A part of the shapefile is missing: a.shx. Copy all of its parts, or save it as a GeoPackage."
    ):
        read_lines(tmp_path / "a.shp", crs=CRS)


def test_a_line_beyond_the_grid_is_said(tmp_path):
    path = geojson(tmp_path / "a.geojson", shapely.LineString([(37.1, -200.0), (37.2, -200.1)]))
    with refused(
        f"a.geojson, feature 1: The place is beyond the grid {CRS}. Check the file's CRS and the order of "
        "longitude and latitude."
    ):
        read_lines(path, crs=CRS)
    assert len(read_areas(geojson(tmp_path / "b.geojson", AREA), crs=CRS)) == 1


def source_file(path, *rows):
    features = [
        {"type": "Feature", "properties": row, "geometry": json.loads(shapely.to_geojson(AREA))}
        for row in rows
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


@pytest.mark.parametrize(
    ("fields", "grade"),
    [
        ({"grade_percent": 12.5}, 0.125),
        ({"Grade_Percent": "12.5"}, 0.125),
        ({"GRADE": 1}, 1.0),
        ({"grade": 0, "grade_percent": None}, 0.0),
    ],
)
def test_a_source_has_a_grade_in_percent_or_as_a_share(tmp_path, fields, grade):
    (found,) = read_sources(source_file(tmp_path / "rock.geojson", {"name": "ridge", **fields}), crs=CRS)
    assert (found.name, found.grade) == ("ridge", grade)
    same_places(found, shapely.get_coordinates(AREA))


RULE = (
    "Each area must have one of them: the grade of the sand that its rock gives, 'grade_percent' from 0 to "
    "100 or 'grade' from 0 to 1."
)


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        (
            [{"name": "a", "rock": "gabbro"}],
            "feature 1: The grade of the source is unclear: there is no field 'grade_percent' or 'grade' "
            f"(fields: name, rock). {RULE}",
        ),
        (
            [{}],
            "feature 1: The grade of the source is unclear: there is no field 'grade_percent' or 'grade' "
            f"(fields: none). {RULE}",
        ),
        (
            [{"grade_percent": 3}, {"grade_percent": None}],
            f"feature 2: The grade of the source is unclear: its field is empty. {RULE}",
        ),
        (
            [{"grade_percent": 3, "grade": 0.03}],
            "feature 1: The grade of the source is unclear: both 'grade_percent' and 'grade' are filled. "
            f"{RULE}",
        ),
        (
            [{"grade_percent": 3}, {"grade_percent": 140}],
            "feature 2: Invalid 'grade_percent' of 140. It must be a number from 0 to 100.",
        ),
        (
            [{"grade_percent": -0.5}],
            "feature 1: Invalid 'grade_percent' of -0.5. It must be a number from 0 to 100.",
        ),
        (
            [{"grade_percent": "rich"}],
            "feature 1: Invalid 'grade_percent' of rich. It must be a number from 0 to 100.",
        ),
        (
            [{"grade": 12.5}],
            "feature 1: Invalid 'grade' of 12.5. It must be a number from 0 to 1. Percent go into the field "
            "'grade_percent'.",
        ),
    ],
)
def test_a_source_without_a_right_grade_is_said(tmp_path, rows, sentence):
    with refused(f"rock.geojson, {sentence}"):
        read_sources(source_file(tmp_path / "rock.geojson", *rows), crs=CRS)


def test_a_source_that_is_no_area_is_said(tmp_path):
    path = source_file(tmp_path / "rock.geojson", {"grade_percent": 3})
    told = json.loads(path.read_text())
    told["features"][0]["geometry"] = json.loads(shapely.to_geojson(shapely.Point(WAY[0])))
    path.write_text(json.dumps(told))
    with refused(
        "rock.geojson, feature 1: The geometry is a Point. It must be an area: a Polygon, or a line that "
        "closes on itself."
    ):
        read_sources(path, crs=CRS)
