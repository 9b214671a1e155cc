"""Writing CSV, GeoJSON and GPX."""

import csv
import json
import re
from datetime import date
from xml.etree import ElementTree

import numpy as np
import pytest

from washgrade.errors import InputError, SiteError
from washgrade.files.exchange import FORMATS, write_csv, write_geojson, write_gpx
from washgrade.files.judging import Frame
from washgrade.files.records import read_record_file

GPX = "{http://www.topografix.com/GPX/1/1}"


def test_csv_keeps_every_digit_and_leaves_the_unknown_empty(tmp_path):
    rows = [
        {"name": 'a, "b"\nc', "value": 0.1 + 0.2, "none": None, "nan": np.nan, "flag": True},
        {"name": "ü", "value": np.float64(1e-9), "count": np.int64(3)},
    ]
    write_csv(tmp_path / "a.csv", rows)
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert found[0] == {
        "name": 'a, "b"\nc',
        "value": "0.30000000000000004",
        "none": "",
        "nan": "",
        "flag": "yes",
        "count": "",
    }
    assert (found[1]["value"], found[1]["count"]) == ("1e-09", "3")


def test_geojson_has_points_and_lines_at_seven_decimals_and_no_nan(tmp_path):
    rows = [
        {"id": "p", "value": np.nan, "day": date(2026, 3, 1)},
        {"reach": "A1", "marks": (1, np.float32(0.5))},
    ]
    shapes = [np.array([-2.123456789, 37.0]), np.array([[-2.0, 37.0], [-2.1, 37.1]])]
    write_geojson(tmp_path / "a.geojson", rows, shapes)
    found = json.loads((tmp_path / "a.geojson").read_text(encoding="utf-8"))
    first, second = found["features"]
    assert first["id"] == "p"
    assert first["geometry"] == {"type": "Point", "coordinates": [-2.1234568, 37.0]}
    assert first["properties"] == {"id": "p", "value": None, "day": "2026-03-01"}
    assert second["geometry"]["type"] == "LineString"
    assert second["properties"]["marks"] == [1, 0.5]


def test_gpx_has_waypoints_before_tracks_and_elements_in_the_schemas_order(tmp_path):
    point = {"name": "A", "ele_m": 10.0, "time": "2026-03-01T10:00:00-07:00", "note": "x; y"}
    line = ({"name": "A1"}, np.array([[-2.0, 37.0], [-2.1, 37.1]]))
    write_gpx(tmp_path / "a.gpx", waypoints=[(point, np.array([180.0, 37.1]))], tracks=[line])
    root = ElementTree.parse(tmp_path / "a.gpx").getroot()  # noqa: S314  (written a line before)
    assert [child.tag for child in root] == [f"{GPX}wpt", f"{GPX}trk"]
    waypoint = root[0]
    assert [child.tag.removeprefix(GPX) for child in waypoint] == ["ele", "time", "name", "desc"]
    assert waypoint.findtext(f"{GPX}time") == "2026-03-01T17:00:00Z"
    assert waypoint.findtext(f"{GPX}desc") == "time=2026-03-01T10:00:00-07:00; note=x%3B y"
    assert float(waypoint.get("lon")) == -180.0


def test_gpx_waypoints_are_read_back_as_samples(tmp_path):
    fields = {
        "name": "bend",
        "time": "2026-03-01",
        "id": "S-07",
        "grade": 0.12,
        "dry_mass_kg": 1.25,
        "trace": None,
    }
    write_gpx(tmp_path / "a.gpx", waypoints=[(fields, np.array([-2.4, 37.1]))])
    samples, faults = read_record_file(tmp_path / "a.gpx", Frame(crs="EPSG:25830", today=date(2026, 3, 2)))
    assert faults == []
    (sample,) = samples
    assert (sample.id, sample.time, sample.place) == ("S-07", "2026-03-01", "bend")
    assert (sample.grade, sample.dry_mass_kg, sample.lon, sample.lat) == (0.12, 1.25, -2.4, 37.1)


def test_a_place_off_the_earth_is_refused_and_leaves_nothing_behind(tmp_path):
    sentence = "Invalid place at lon -2, lat 91. It must lie on the earth."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        write_gpx(tmp_path / "a.gpx", waypoints=[({}, np.array([-2.0, 91.0]))])
    assert list(tmp_path.iterdir()) == []


def test_a_failure_in_writing_keeps_the_old_file(tmp_path):
    (tmp_path / "a.geojson").write_text("old")
    with pytest.raises(ValueError, match="zip"):
        write_geojson(tmp_path / "a.geojson", [{}], [])
    assert (tmp_path / "a.geojson").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["a.geojson"]


def test_a_missing_folder_is_said(tmp_path):
    sentence = f"There is no folder {tmp_path / 'no'} to write a.csv in. Make it first."
    with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
        write_csv(tmp_path / "no" / "a.csv", [])


def test_the_same_input_gives_the_same_bytes(tmp_path):
    rows = [{"b": 1.5, "a": "x"}]
    for name in ("one", "two"):
        write_csv(tmp_path / f"{name}.csv", rows)
        write_geojson(tmp_path / f"{name}.geojson", rows, [np.array([1.0, 2.0])])
        write_gpx(tmp_path / f"{name}.gpx", waypoints=[(rows[0], np.array([1.0, 2.0]))])
    for ending in ("csv", "geojson", "gpx"):
        assert (tmp_path / f"one.{ending}").read_bytes() == (tmp_path / f"two.{ending}").read_bytes()


def test_every_format_writes_points_and_lines(tmp_path):
    rows = [
        {"name": "S", "lon": -2.0, "lat": 37.0},
        {"name": "A1", "length_m": 41.23456, "lon": 0.0, "lat": 0.0},
    ]
    shapes = [np.array([-2.0, 37.0]), np.array([[-2.0, 37.0], [-2.0, 37.1], [-2.0, 37.4]])]
    for form, write in FORMATS.items():
        write(tmp_path / f"a.{form}", rows, shapes)
    assert (tmp_path / "a.csv").read_text().splitlines()[2] == "A1,0.0,0.0,41.23456"
    assert len(json.loads((tmp_path / "a.geojson").read_text())["features"]) == 2
    root = ElementTree.parse(tmp_path / "a.gpx").getroot()  # noqa: S314  (written a line before)
    first, second = root.findall(f"{GPX}wpt")
    assert (first.get("lat"), first.findtext(f"{GPX}desc")) == ("37.0000000", None)
    # The waypoint of a line stands half-way along it.
    assert (second.get("lat"), second.findtext(f"{GPX}desc")) == ("37.2000000", "length_m=41.23")
    assert len(root.findall(f"{GPX}trk/{GPX}trkseg/{GPX}trkpt")) == 3
