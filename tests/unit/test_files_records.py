"""Reading files of samples: what is taken, and the whole sentence for what is not."""

import json
import re
from datetime import date

import numpy as np
import pytest

from washgrade.errors import FileFaults, RecordError
from washgrade.files.columns import KINDS, column_help
from washgrade.files.judging import Frame
from washgrade.files.places import to_grid
from washgrade.files.records import make_record, read_record_file
from washgrade.files.sample import sample_arrays
from washgrade.sand.layers import Samples

CRS = "EPSG:25830"
TODAY = date(2026, 3, 2)
GOOD = {"time": "2026-03-01", "lon": -2.4, "lat": 37.1, "grade": 0.12}


def on_ground(easting_m, northing_m):
    # A square kilometre around lon -2.4, lat 37.1.
    return abs(easting_m - 553300.0) < 1000.0 and abs(northing_m - 4106100.0) < 1000.0


def read(tmp_path, text, name="samples.csv", contains=on_ground):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_record_file(path, Frame(crs=CRS, contains=contains, today=TODAY))


HEAD = "time,lon,lat,depth_top_m,depth_bottom_m,dry_mass_kg,magnetic_mass_kg,grade,note\n"


def test_a_plain_file_is_read(tmp_path):
    samples, faults = read(tmp_path, HEAD + '2026-03-01,-2.4,37.1,0,0.1,1.5,0.3,,"dark, ""rich"""\n')
    assert faults == []
    (sample,) = samples
    assert (sample.time, sample.lon, sample.lat) == ("2026-03-01", -2.4, 37.1)
    assert sample.grade == pytest.approx(0.2, rel=1e-12)
    assert (sample.note, sample.source, sample.trace) == ('dark, "rich"', "samples.csv", False)
    east, north = to_grid(CRS, -2.4, 37.1)
    assert (sample.easting_m, sample.northing_m) == (float(east), float(north))
    assert len(sample.id) == 36


@pytest.mark.parametrize(
    ("row", "sentences"),
    [
        (
            "2026-03-01,37.1,-2.4,,,,,0.1,",
            [
                "The place at lon 37.1, lat -2.4 lies outside the ground, but with the two swapped it lies "
                "inside. "
                "Check which column holds the longitude."
            ],
        ),
        (
            "2026-03-01,-2.3,37.1,,,,,0.1,",
            ["The place at lon -2.3, lat 37.1 lies outside the ground. It must lie on the DEM."],
        ),
        (
            "2026-03-01,-2.4,37.1,,,1.2,1.3,,",
            [
                "The magnetic mass of 1.3 kg is above the dry mass of 1.2 kg. A part cannot weigh more than "
                "the "
                "whole."
            ],
        ),
        (
            "2026-03-01,-2.4,37.1,-0.1,,,,0.1,",
            [
                "Invalid 'depth_top_m' of -0.1. It must be a finite number of at least 0 and of at most 10. "
                "Depths "
                "are counted downward from the surface of the bed."
            ],
        ),
        (
            "2026-03-01,-2.4,37.1,0.2,0.1,,,0.1,",
            [
                "The top of the layer at 0.2 m is not above its bottom at 0.1 m. Depths are counted downward "
                "from "
                "the surface of the bed."
            ],
        ),
        (
            "2026-03-03,-2.4,37.1,,,,,0.1,",
            ["The time 2026-03-03 lies in the future. It must be 2026-03-02 or before."],
        ),
        (
            "3/1/2026,-2.4,37.1,,,,,0.1,",
            [
                "Invalid 'time' of '3/1/2026'. It must be a day such as 2025-03-04, or a moment such as "
                "2025-03-04T10:20:00+01:00."
            ],
        ),
        (
            '2026-03-01,-2.4,37.1,,,,,"0,12",',
            ["Invalid 'grade' of '0,12'. It has a decimal comma; write 0.12."],
        ),
        (
            "2026-03-01,-2.4,37.1,,,,,0,12,",
            [
                "There are 10 cells under 9 columns. A decimal comma would do that; write numbers with a "
                "point, or "
                "separate the cells by semicolons."
            ],
        ),
        (
            "2026-03-01,-2.4,37.1,,,,,12,",
            ["Invalid 'grade' of 12.0. It must be a finite number of at least 0 and of at most 1."],
        ),
        (
            "2026-03-01,-2.4,37.1,,,,,nan,",
            ["Invalid 'grade' of 'nan'. It must be a finite number of at least 0 and of at most 1."],
        ),
        (
            ",-2.4,,,,,,,",
            [
                "There is no place. It must have lon and lat, or easting_m and northing_m.",
                "There is no time. It must have time, such as 2025-03-04.",
                "There is no grade. It must have grade, or trace, or magnetic_mass_kg with dry_mass_kg (or "
                "wet_mass_kg and moisture, or volume_litres).",
            ],
        ),
        (
            "2026-03-01,-2.4,37.1,,,1.0,0.1,0.3,",
            [
                "The grade of 0.3 is not what the masses give, 0.1. They must agree within 2 %; leave one of "
                "them "
                "out."
            ],
        ),
    ],
)
def test_each_fault_has_its_sentence(tmp_path, row, sentences):
    samples, faults = read(tmp_path, HEAD + row + "\n")
    assert samples == []
    assert faults == [f"samples.csv, row 2: {sentence}" for sentence in sentences]


def test_every_fault_of_every_row_comes_at_once_and_the_good_rows_beside_them(tmp_path):
    text = (
        HEAD
        + "2027-01-01,-2.4,37.1,-1,,,,0.1,\n\n2026-03-01,-2.4,37.1,,,,,0.1,\n2026-03-01,-2.4,37.1,,,,,2,\n"
    )
    samples, faults = read(tmp_path, text)
    assert [sample.grade for sample in samples] == [0.1]
    assert [fault.split(":")[0] for fault in faults] == [
        "samples.csv, row 2",
        "samples.csv, row 2",
        "samples.csv, row 5",
    ]


def test_a_note_over_two_lines_is_one_row(tmp_path):
    text = HEAD + '2026-03-01,-2.4,37.1,,,,,0.1,"one\ntwo"\n2026-03-01,-2.4,37.1,,,,,2,\n'
    samples, faults = read(tmp_path, text)
    assert samples[0].note == "one two"
    assert faults == [
        "samples.csv, row 3: Invalid 'grade' of 2.0. It must be a finite number of at least 0 and of at most "
        "1."
    ]


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("depht_top_m", "Did you mean 'depth_top_m'?"),
        ("Grade percent.", "Did you mean 'grade_percent'?"),
        ("colour", "Take it out, or put what it says into 'note'."),
    ],
)
def test_an_unknown_column_is_said_once_with_the_nearest(tmp_path, name, hint):
    samples, faults = read(tmp_path, f"time,lon,lat,grade,{name}\n2026-03-01,-2.4,37.1,0.1,1\n")
    assert faults == [f"samples.csv: Unknown column '{name.lower().replace(' ', '_')}'. {hint}"]
    assert len(samples) == 1


def test_missing_columns_are_said_once_not_for_each_row(tmp_path):
    samples, faults = read(tmp_path, "lon,lat,dry_mass_kg\n-2.4,37.1,1\n-2.4,37.1,2\n")
    assert samples == []
    assert faults == [
        "samples.csv: There is no column for the time. It must have time, such as 2025-03-04.",
        "samples.csv: There is no column for the grade. It must have grade, or trace, or magnetic_mass_kg "
        "with "
        "dry_mass_kg (or wet_mass_kg and moisture, or volume_litres).",
    ]


@pytest.mark.parametrize("text", ["", "\n \n", "\ufeff"])
def test_an_empty_file_is_said(tmp_path, text):
    assert read(tmp_path, text) == (
        [],
        ["samples.csv: The file is empty. It must hold at least one record."],
    )


def test_a_header_alone_is_said(tmp_path):
    assert read(tmp_path, HEAD) == (
        [],
        ["samples.csv: The file has a header row and no record. It must have at least one."],
    )


def test_a_missing_file_is_said(tmp_path):
    sentence = f"no.csv: There is no such file in {tmp_path}."
    with pytest.raises(RecordError, match=f"^{re.escape(sentence)}$"):
        read_record_file(tmp_path / "no.csv", Frame(crs=CRS, today=TODAY))


@pytest.mark.parametrize(
    "data",
    [
        "\ufefftime;lon;lat;grade;note\r\n2026-03-01;-2.4;37.1;0.1;süß\r\n".encode(),
        "time\tlon\tlat\tgrade\tnote\n2026-03-01\t-2.4\t37.1\t0.1\tsüß\n".encode("latin-1"),
        "time,lon,lat,grade,note\n2026-03-01,-2.4,37.1,0.1,süß\n".encode("utf-16"),
    ],
    ids=["semicolons, byte order mark", "tabs, Latin-1", "UTF-16"],
)
def test_marks_separators_and_older_encodings_are_read(tmp_path, data):
    samples, faults = read(tmp_path, data)
    assert faults == []
    assert [(s.grade, s.note) for s in samples] == [(0.1, "süß")]


def test_customary_units_are_converted(tmp_path):
    text = (
        "Date,Longitude,Latitude,depth_top_in,depth_bottom_ft,wet_mass_lb,moisture_percent,magnetic_mass_oz,"
        "accuracy_ft\n2026-03-01,-2.4,37.1,2,0.5,2,10,4.5,10\n"
    )
    samples, faults = read(tmp_path, text)
    assert faults == []
    sample = samples[0]
    # Definitions of 1959: inch 0.0254 m, foot 0.3048 m, pound 0.45359237 kg, sixteen ounces to it.
    assert sample.depth_top_m == pytest.approx(0.0508, rel=1e-12)
    assert sample.depth_bottom_m == pytest.approx(0.1524, rel=1e-12)
    assert sample.dry_mass_kg == pytest.approx(0.9 * 2 * 0.45359237, rel=1e-12)
    assert sample.magnetic_mass_kg == pytest.approx(4.5 / 16 * 0.45359237, rel=1e-12)
    assert sample.grade == pytest.approx(4.5 / 16 / 1.8, rel=1e-12)
    assert sample.accuracy_m == pytest.approx(3.048, rel=1e-12)


def test_limits_are_said_in_the_units_of_the_file():
    sentence = "Invalid 'grade_percent' of 120. It must be a finite number of at least 0 and of at most 100."
    with pytest.raises(FileFaults, match=f"^{re.escape(sentence)}$"):
        make_record("samples", {**GOOD, "grade": None, "grade_percent": 120}, Frame(crs=CRS, today=TODAY))


def test_one_quantity_in_two_units_is_refused():
    sentence = "Both 'dry_mass_kg' and 'dry_mass_lb' are given. One of them must be left out."
    with pytest.raises(FileFaults, match=f"^{re.escape(sentence)}$"):
        make_record("samples", {**GOOD, "dry_mass_kg": 1, "dry_mass_lb": 2.2}, Frame(crs=CRS, today=TODAY))


def test_grid_and_degrees_must_agree():
    east, north = (float(part) for part in to_grid(CRS, -2.4, 37.1))
    near = make_record(
        "samples", {**GOOD, "easting_m": east + 3.0, "northing_m": north}, Frame(crs=CRS, today=TODAY)
    )
    assert near.easting_m == east + 3.0
    sentence = (
        "The place by easting_m and northing_m lies 300 m from the place by lon and lat. They must agree "
        "within 5 m; "
        "leave one of the two out."
    )
    with pytest.raises(FileFaults, match=f"^{re.escape(sentence)}$"):
        make_record(
            "samples", {**GOOD, "easting_m": east + 300.0, "northing_m": north}, Frame(crs=CRS, today=TODAY)
        )


def test_swapped_easting_and_northing_are_said():
    east, north = (float(part) for part in to_grid(CRS, -2.4, 37.1))
    values = {"time": "2026-03-01", "grade": 0.1, "easting_m": round(north, 1), "northing_m": round(east, 1)}
    sentence = (
        f"The place at easting {north:.1f}, northing {east:.1f} lies outside the ground, but with the two "
        f"swapped it "
        "lies inside. Check which column holds the easting."
    )
    with pytest.raises(FileFaults, match=f"^{re.escape(sentence)}$"):
        make_record("samples", values, Frame(crs=CRS, contains=on_ground, today=TODAY))


def test_a_wet_mass_needs_the_moisture():
    sentence = (
        "There is no grade. It must have grade, or trace, or magnetic_mass_kg with dry_mass_kg (or "
        "wet_mass_kg and "
        "moisture, or volume_litres).\nThere is a wet mass and no moisture. It must have moisture, or "
        "dry_mass_kg instead."
    )
    values = {**GOOD, "grade": None, "wet_mass_kg": 1.0, "magnetic_mass_kg": 0.1}
    with pytest.raises(FileFaults, match=f"^{re.escape(sentence)}$"):
        make_record("samples", values, Frame(crs=CRS, today=TODAY))


@pytest.mark.parametrize(
    "values",
    [{"grade": "trace"}, {"grade": None, "trace": "yes"}, {"grade": 0}, {"grade": None, "trace": True}],
)
def test_a_trace_is_known_in_every_way_of_saying_it(values):
    sample = make_record("samples", {**GOOD, **values}, Frame(crs=CRS, today=TODAY))
    assert sample.trace
    assert not sample.grade


def test_a_trace_with_a_grade_is_refused():
    sentence = "The sample is marked as a trace and has a grade of 0.12. It must have one of the two."
    with pytest.raises(FileFaults, match=f"^{re.escape(sentence)}$"):
        make_record("samples", {**GOOD, "trace": "yes"}, Frame(crs=CRS, today=TODAY))


def test_ids_are_kept_or_made_from_the_content():
    first = make_record("samples", GOOD, Frame(crs=CRS, today=TODAY))
    assert first.id == make_record("samples", {**GOOD, "grade": "0.1200"}, Frame(crs=CRS, today=TODAY)).id
    assert first.id != make_record("samples", {**GOOD, "note": "b"}, Frame(crs=CRS, today=TODAY)).id
    kept = make_record(
        "samples", {**GOOD, "id": "B43CF054-E8C0-49CA-9DBF-E9223D30DA2F"}, Frame(crs=CRS, today=TODAY)
    )
    assert kept.id == "b43cf054-e8c0-49ca-9dbf-e9223d30da2f"
    assert make_record("samples", {**GOOD, "id": "S-07"}, Frame(crs=CRS, today=TODAY)).id == "S-07"


def test_rows_that_repeat_or_share_an_id_are_said(tmp_path):
    text = (
        "id,time,lon,lat,grade\n,2026-03-01,-2.4,37.1,0.1\n,2026-03-01,-2.4,37.1,0.1\nA,2026-03-01,-2.4,37.1,0.1\n"
        "A,2026-03-01,-2.4,37.1,0.2\n"
    )
    samples, faults = read(tmp_path, text)
    assert len(samples) == 2
    assert faults == [
        "samples.csv, row 3: The record repeats row 2. Leave one of them out, or give each an id of its own "
        "if they "
        "are two samples.",
        "samples.csv, row 5: The id 'A' is that of row 4, which says something else. Each record must have "
        "an id of "
        "its own.",
    ]


def test_geojson_points_are_read_and_lines_refused(tmp_path):
    features = [
        {"type": "Feature", "id": "g1", "geometry": {"type": "Point", "coordinates": [-2.4, 37.1, 5.0]},
         "properties": {"time": "2026-03-01", "grade_percent": 12, "note": None}},
        {"type": "Feature", "geometry": {"type": "LineString", "coordinates": [[0, 0], [1, 1]]}},
    ]  # fmt: skip
    text = json.dumps({"type": "FeatureCollection", "features": features})
    samples, faults = read(tmp_path, text, "a.geojson")
    assert [(s.id, s.grade, s.lon) for s in samples] == [("g1", 0.12, -2.4)]
    assert faults == ["a.geojson, feature 2: The geometry is a LineString. It must be a Point."]


def test_gpx_waypoints_carry_fields_in_their_description(tmp_path):
    text = (
        '<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="gps">'
        '<wpt lat="37.1" lon="-2.4"><time>2026-03-01T09:00:00Z</time><name>bend</name>'
        "<cmt>grade_percent=12; dry_mass_kg=1.2; under the bank</cmt></wpt>"
        '<wpt lat="37.1" lon="-2.4"><name>no fields</name></wpt></gpx>'
    )
    samples, faults = read(tmp_path, text, "a.gpx")
    (sample,) = samples
    assert (sample.grade, sample.dry_mass_kg, sample.place) == (0.12, 1.2, "bend")
    assert (sample.note, sample.time) == ("under the bank", "2026-03-01T09:00:00+00:00")
    assert [fault.split(": ")[1] for fault in faults] == [
        "There is no time. It must have time, such as 2025-03-04.",
        "There is no grade. It must have grade, or trace, or magnetic_mass_kg with dry_mass_kg (or "
        "wet_mass_kg and "
        "moisture, or volume_litres).",
    ]
    assert faults[0].startswith("a.gpx, waypoint 2: ")


def test_a_gpx_with_a_document_type_is_turned_away(tmp_path):
    bomb = '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "aaaa">]><gpx><wpt lat="1" lon="1"/></gpx>'
    assert read(tmp_path, bomb, "a.gpx") == (
        [],
        ["a.gpx: The file has a document type of its own. A GPX file has none."],
    )


def test_a_geopackage_on_another_grid_is_read(tmp_path):
    import geopandas
    import shapely

    east, north = (float(part) for part in to_grid("EPSG:32630", -2.4, 37.1))
    frame = geopandas.GeoDataFrame(
        {"time": ["2026-03-01"], "grade": [0.12], "dry_mass_kg": [np.nan]},
        geometry=[shapely.Point(east, north)],
        crs="EPSG:32630",
    )
    frame.to_file(tmp_path / "a.gpkg")
    samples, faults = read_record_file(tmp_path / "a.gpkg", Frame(crs=CRS, contains=on_ground, today=TODAY))
    assert faults == []
    assert (samples[0].lon, samples[0].lat) == pytest.approx((-2.4, 37.1), abs=1e-8)
    assert samples[0].dry_mass_kg is None


@pytest.mark.parametrize(
    ("name", "data", "begins"),
    [
        ("a.geojson", b"{", "a.geojson: The file is no JSON ("),
        ("a.geojson", b"[]", "a.geojson: This is no GeoJSON of features."),
        ("a.gpx", b"<gpx>", "a.gpx: The file is no XML ("),
        ("a.csv", b"a\0b", "a.csv: This is no text file."),
    ],
)
def test_a_file_that_is_not_what_its_ending_says(tmp_path, name, data, begins):
    samples, faults = read(tmp_path, data, name)
    assert samples == []
    assert len(faults) == 1
    assert faults[0].startswith(begins)


def test_arrays_leave_open_what_was_not_said():
    bar = {"grade": "trace", "depth_bottom_m": 0.3, "dry_mass_kg": 2, "place": "bar", "accuracy_m": 0}
    samples = [
        make_record("samples", {**GOOD, "depth_top_m": 0}, Frame(crs=CRS, today=TODAY)),
        make_record(
            "samples", {**GOOD, **bar, "time": "2026-02-01T10:00:00+01:00"}, Frame(crs=CRS, today=TODAY)
        ),
    ]
    found = sample_arrays(samples)
    np.testing.assert_array_equal(found["depth_top_m"], [np.nan, 0.0])
    np.testing.assert_array_equal(found["depth_bottom_m"], [np.nan, 0.3])
    np.testing.assert_array_equal(found["dry_mass_kg"], [np.nan, 2.0])
    np.testing.assert_array_equal(found["accuracy_m"], [np.nan, 0.0])
    np.testing.assert_array_equal(found["grade"], [0.12, np.nan])
    assert found["trace"].tolist() == [False, True]
    assert found["day"].astype(str).tolist() == ["2026-03-01", "2026-02-01"]
    assert found["place"].tolist() == ["", "bar"]
    assert len(Samples(**found)) == 2


def test_a_layer_with_a_top_alone_is_refused():
    sentence = "The layer has a top at 0.3 m and no bottom. It must have depth_bottom_m as well."
    with pytest.raises(FileFaults, match=f"^{re.escape(sentence)}$"):
        make_record("samples", {**GOOD, "depth_top_m": 0.3}, Frame(crs=CRS, today=TODAY))


def test_the_dictionary_has_words_for_every_column():
    text = column_help("samples")
    for column in KINDS["samples"].columns:
        assert f"{column.name}: {column.words}" in text
