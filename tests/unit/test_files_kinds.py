"""Storms, digs and looks: what is taken, told apart, and the whole sentence for what is not."""

import json
import re
import sqlite3
from dataclasses import fields
from datetime import UTC, date, datetime

import numpy as np
import pytest

from washgrade.errors import FileFaults, InputError
from washgrade.files.columns import KINDS, SEEN
from washgrade.files.exchange import FORMATS
from washgrade.files.geopackage import add_crs, intact, writing
from washgrade.files.judging import Frame
from washgrade.files.kinds import RULES, as_arrays, kind_by_columns
from washgrade.files.notebook import (
    add_records,
    import_records,
    make_notebook,
    merge_records,
    read_records,
    regrid,
    strike,
)
from washgrade.files.places import lonlat, to_grid
from washgrade.files.record import record_rows
from washgrade.files.records import make_record, read_record_file
from washgrade.files.sample import grade_and_mass
from washgrade.files.site import make_site
from washgrade.sand.layers import Samples
from washgrade.storm.rain import Hyetograph

CRS = "EPSG:25830"
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
MIDDLES = {"A7": (553400.0, 4106200.0), "B1": (553500.0, 4106300.0)}


def on_ground(easting_m, northing_m):
    # A square kilometre around lon -2.4, lat 37.1.
    return abs(easting_m - 553300.0) < 1000.0 and abs(northing_m - 4106100.0) < 1000.0


FRAME = Frame(
    crs=CRS,
    today=date(2026, 3, 2),
    contains=on_ground,
    reach_middle=MIDDLES.get,
    shovel_litres=4.0,
    bucket_litres=20.0,
)
AT = {"time": "2026-03-01", "lon": -2.4, "lat": 37.1}
ONE_OF_EACH = {
    "samples": {**AT, "grade": 0.12},
    "storms": {"time": "2026-02-28", "rain_in": 1.2, "duration_min": 40},
    "digs": {"time": "2026-03-01", "reach": "A7", "loads": 40},
    "looks": {**AT, "seen": "fresh streak"},
}


def make(kind, **values):
    return make_record(kind, {**ONE_OF_EACH[kind], **values}, FRAME)


def new_site(folder, crs=CRS):
    site = make_site(folder)
    with writing(site.geopackage) as connection:
        make_notebook(connection, add_crs(connection, crs))
    return site


@pytest.fixture
def site(tmp_path):
    return new_site(tmp_path / "site")


def test_rules_and_dictionary_have_the_same_kinds():
    assert list(RULES) == list(KINDS) == list(ONE_OF_EACH)
    for kind, rules in RULES.items():
        assert rules.record.kind == kind == KINDS[kind].table
        assert {field.name for field in fields(rules.record)} == {
            column.name for column in KINDS[kind].columns
        }


def test_customary_units_of_all_kinds_are_converted():
    storm = make("storms", mark_width_ft=10, mark_depth_in=18, lon=-2.4, lat=37.1)
    assert (storm.rain_mm, storm.duration_h) == (pytest.approx(30.48, rel=1e-12), pytest.approx(2 / 3))
    assert (storm.mark_width_m, storm.mark_depth_m) == (pytest.approx(3.048), pytest.approx(0.4572))
    # The US gallon is 231 cubic inches (NIST Handbook 44, appendix C); the cubic foot follows from the foot.
    dig = make("digs", loads=None, volume_gal=10, product_mass_lb=9, purity_percent=85, bite_in=4)
    assert dig.volume_litres == pytest.approx(37.85411784, rel=1e-12)
    assert dig.dug_litres == dig.volume_litres
    assert (dig.product_mass_kg, dig.purity) == (pytest.approx(9 * 0.45359237), 0.85)
    assert make("digs", loads=None, volume_ft3=1).volume_litres == pytest.approx(28.316846592, rel=1e-12)
    assert make("looks", seen="buried", depth_in=3).depth_m == pytest.approx(0.0762)


@pytest.mark.parametrize(
    ("kind", "values", "sentences"),
    [
        ("storms", {"rain_in": None, "duration_min": None}, [
            "There is no rain or flow. It must have rain_mm, or gauge, or mark_depth_m or mark_width_m with "
            "a place, or no_flow."
        ]),
        ("storms", {"mark_depth_m": 0.5}, [
            "There is no place. It must have lon and lat, or easting_m and northing_m, or reach."
        ]),
        ("storms", {"mark_depth_m": 0.5, "reach": "A7", "no_flow": "yes"}, [
            "The storm has a flood mark and 'no_flow' says yes. It must have one of the two."
        ]),
        ("storms", {"no_flow": "no", "rain_in": None}, [
            "There is no rain or flow. It must have rain_mm, or gauge, or mark_depth_m or mark_width_m with "
            "a place, or no_flow."
        ]),
        ("storms", {"end": "2026-02-28T12:00", "duration_min": None}, [
            "The storm begins at 2026-02-28 and ends at 2026-02-28T12:00, which do not tell how long it "
            "rained. Both must be moments such as 2025-03-04T10:20, or give its duration instead."
        ]),
        ("storms", {"time": "2026-02-28T13:00", "end": "2026-02-28T12:00"}, [
            "The storm ends at 2026-02-28T12:00, not after it begins at 2026-02-28T13:00."
        ]),
        ("storms", {"time": "2026-02-28T11:00Z", "end": "2026-02-28T12:00"}, [
            "The storm begins at 2026-02-28T11:00Z and ends at 2026-02-28T12:00, and one of them has no time "
            "zone. Both must have one, or neither."
        ]),
        ("storms", {"time": "2026-02-28T11:00", "end": "2026-02-28T12:00"}, [
            "The duration of 0.666667 h is not what time and end give, 1 h. They must agree; leave one of "
            "them out."
        ]),
        ("storms", {"gauge": '{"time_h":[0,1],"fallen_mm":[0,-1]}'}, [
            "Invalid 'gauge' of '{\"time_h\":[0,1],\"fallen_mm\":[0,-1]}'. It must be JSON such as "
            '{"time_h":[0,0.5],"fallen_mm":[0,12]}, both beginning at 0, the times rising and the rain never '
            "falling."
        ]),
        ("storms", {"gauge": '{"time_h":[0,1],"fallen_mm":[0,12]}', "duration_min": None}, [
            "The rain of 30.48 mm is not what the gauge gives, 12 mm. They must agree; leave one of them out."
        ]),
        ("digs", {"loads": None, "reach": None}, [
            "There is no place. It must have lon and lat, or easting_m and northing_m, or reach.",
            "There is no amount. It must have loads, buckets, volume_litres or product_mass_kg.",
        ]),
        ("digs", {"reach": "C3"}, [
            "There is no reach 'C3' on the ground. It must be one that `washgrade rank` lists; or give the "
            "place."
        ]),
        ("digs", {"purity": 0.8, "bucket_litres": 5, "loads": -1}, [
            "Invalid 'loads' of -1. It must be a finite number above 0 and of at most 100000.",
            "There is the size of a bucket and no number of buckets. It must have buckets as well.",
            "There is a purity and no product. It must have product_mass_kg as well.",
        ]),
        ("digs", {"end_lon": -2.4}, [
            "There is no other end. A stretch must have end_lon and end_lat, or end_easting_m and "
            "end_northing_m, beside its place.",
            "The dig has a reach alone and the other end of a stretch. It must have both ends.",
        ]),
        ("digs", {**AT, "end_lon": -2.3, "end_lat": 37.1}, [
            "The other end at lon -2.3, lat 37.1 lies outside the ground. It must lie on the DEM."
        ]),
        ("looks", {"seen": None}, [
            "There is no finding. It must have seen: fresh streak, buried, bare or unchanged."
        ]),
        ("looks", {"seen": "gold"}, [
            "Invalid 'seen' of 'gold'. It must be one of fresh streak, buried, bare, unchanged."
        ]),
        ("looks", {"seen": "buried"}, [
            "The streak is buried and there is no depth. It must have depth_m."
        ]),
        ("looks", {"depth_m": 0.1}, [
            "There is a depth of 0.1 m and what was seen is 'fresh streak'. Only 'buried' has a depth."
        ]),
        ("samples", {"grade": None, "volume_litres": 1, "magnetic_mass_kg": 4}, [
            "The magnetic mass of 4 kg is more than 1 litres hold, 3.83 kg of pure magnetite. Is the volume "
            "in the right unit?"
        ]),
        ("samples", {"below": 0.02}, [
            "The sample has a grade or a magnetic mass and lies 'below' 0.02. It must have one of the two; "
            "'below' is for a trace."
        ]),
        ("samples", {"grade": None, "below": 1}, [
            "The limit 'below' of 1 says nothing. It must be above 0 and below 1."
        ]),
        ("samples", {"grade": None, "below": 0.02, "trace": "no"}, [
            "The sample lies 'below' a limit and 'trace' says no. They must agree."
        ]),
    ],
)  # fmt: skip
def test_every_fault_of_a_record_comes_at_once_in_its_sentence(kind, values, sentences):
    with pytest.raises(FileFaults) as caught:
        make(kind, **values)
    assert list(caught.value.faults) == sentences


def test_the_duration_comes_from_start_and_end():
    moments = {"time": "2026-02-28T13:00+01:00", "end": "2026-02-28T14:30:00+02:00", "duration_min": None}
    assert make("storms", **moments).duration_h == 0.5


def test_a_neighbours_gauge_may_stand_off_the_ground_and_a_mark_may_not():
    far = {"lon": -2.3, "lat": 37.1}
    assert make("storms", **far).lon == -2.3
    for more in ({"mark_width_m": 4}, {"no_flow": "yes"}):
        with pytest.raises(FileFaults, match=r"^The place at lon -2\.3, lat 37\.1 lies outside the ground"):
            make("storms", **far, **more)


def test_a_reach_is_written_down_with_its_middle_and_a_later_ground_changes_nothing(site, tmp_path):
    path = tmp_path / "digs.csv"
    path.write_text("date,reach,loads\n2026-03-01,a7,40\n")
    assert import_records(site, path, FRAME).kinds == {"digs": 1}
    (dig,) = read_records(site, "digs")
    assert (dig.reach, dig.by_reach) == ("A7", True)
    assert (dig.easting_m, dig.northing_m) == MIDDLES["A7"]
    assert (dig.lon, dig.lat) == tuple(float(part) for part in lonlat(CRS, *MIDDLES["A7"]))
    # The ground is built again: A7 lies elsewhere, the shovel is another, and the file is taken in again.
    later = Frame(crs=CRS, today=FRAME.today, reach_middle=lambda _: (553000.0, 4106000.0), shovel_litres=9.0)
    again = import_records(site, path, later)
    assert (again.added, again.already) == ((), (dig.id,))
    assert read_records(site, "digs") == [dig]
    assert dig.dug_litres == 160.0
    # Its export brings the place along, and comes back as the same record even where no reach is known.
    FORMATS["csv"](tmp_path / "out.csv", record_rows([dig]), [])
    found, faults = read_record_file(tmp_path / "out.csv", Frame(crs=CRS, today=FRAME.today))
    assert faults == []
    assert found == [dig]


def test_a_place_that_was_said_is_part_of_what_the_dig_says():
    said = make("digs", **AT)
    assert (said.by_reach, said.reach) == (False, "A7")
    assert said.id != make("digs").id
    # A flag without its reach means nothing.
    assert make("digs", **AT, reach=None, by_reach="yes").by_reach is False


def test_what_was_dug_is_the_volume_else_the_buckets_else_the_loads():
    assert make("digs").dug_litres == 160.0
    assert make("digs", buckets=3).dug_litres == 60.0
    assert make("digs", buckets=3, bucket_litres=10).dug_litres == 30.0
    assert make("digs", buckets=3, volume_litres=55).dug_litres == 55.0
    assert make("digs", loads=None, product_mass_kg=2).dug_litres is None
    # Five US gallons where nobody says what a bucket holds.
    plain = make_record("digs", {**AT, "buckets": 1}, Frame(crs=CRS, today=FRAME.today))
    assert plain.dug_litres == pytest.approx(18.92705892)


@pytest.mark.parametrize(
    ("columns", "kind"),
    [
        ({"date", "lon", "lat", "grade"}, "samples"),
        ({"date", "lon", "lat", "volume_litres", "magnetic_mass_g"}, "samples"),
        ({"date", "lon", "lat"}, "samples"),
        ({"date", "rain_in"}, "storms"),
        ({"date", "no_flow"}, "storms"),
        ({"date", "lon", "lat", "mark_width_ft"}, "storms"),
        ({"date", "reach", "loads", "colour"}, "digs"),
        ({"date", "lon", "lat", "volume_litres"}, "digs"),
        ({"date", "lon", "lat", "seen", "note"}, "looks"),
    ],
)
def test_columns_tell_the_kind(columns, kind):
    assert kind_by_columns(columns) == kind


def test_one_file_holds_several_kinds_as_a_phone_writes_them(site, tmp_path):
    point = {"type": "Point", "coordinates": [-2.4, 37.1]}
    features = [
        {"geometry": point, "properties": {"kind": "sample", "time": "2026-03-01", "grade_percent": 12}},
        {"geometry": None, "properties": {"kind": "storm", "time": "2026-02-28", "rain_in": 1.2}},
        {"geometry": None, "properties": {"kind": "Digs", "time": "2026-03-01", "reach": "A7", "loads": 4}},
        {"geometry": point, "properties": {"time": "2026-03-01", "seen": "bare"}},
    ]
    path = tmp_path / "phone.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    assert import_records(site, path, FRAME).kinds == dict.fromkeys(KINDS, 1)
    assert [record.kind for record in read_records(site)] == ["storms", "samples", "digs", "looks"]
    sentence = (
        "phone.geojson, feature 1: The 'kind' says sample and the file is read as digs. They must agree; "
        "leave --as out to take both."
    )
    assert sentence in read_record_file(path, FRAME, kind="digs")[1]


def test_faults_of_a_mixed_file_are_told_by_row_and_strange_columns_once(tmp_path):
    path = tmp_path / "mixed.csv"
    path.write_text(
        "kind,date,lon,lat,grade,loads,colour\n"
        "sample,2026-03-01,-2.4,37.1,0.1,,red\n"
        "rock,2026-03-01,-2.4,37.1,,,red\n"
        "dig,2026-03-01,-2.4,37.1,0.1,3,\n"
        "dig,2026-03-01,-2.4,37.1,,,\n"
    )
    records, faults = read_record_file(path, FRAME)
    assert [record.kind for record in records] == ["samples"]
    assert faults == [
        "mixed.csv: Unknown column 'colour'. Take it out, or put what it says into 'note'.",
        "mixed.csv, row 3: Invalid 'kind' of 'rock'. It must be one of sample, storm, dig, look.",
        "mixed.csv, row 4: Unknown column 'grade'. Take it out, or put what it says into 'note'.",
        "mixed.csv, row 5: There is no amount. It must have loads, buckets, volume_litres or "
        "product_mass_kg.",
    ]


def test_the_log_of_a_gauge_is_not_taken_for_a_list_of_storms(tmp_path):
    path = tmp_path / "log.csv"
    minutes = [f"2026-02-28T10:{minute:02}" for minute in range(0, 50, 10)]
    path.write_text("time,rain_mm\n" + "".join(f"{moment},1.5\n" for moment in minutes))
    sentence = (
        "log.csv: The rows are less than six hours apart, as a rain gauge writes them. Read it as one storm "
        "with: washgrade storm SITE --gauge FILE."
    )
    assert read_record_file(path, FRAME) == ([], [sentence])
    path.write_text("time,rain_mm\n" + "".join(f"2026-02-{day:02},1.5\n" for day in (1, 2, 3, 9)))
    assert len(read_record_file(path, FRAME)[0]) == 4


def test_no_two_records_share_an_id_whatever_their_kind(site):
    add_records(site, [make("samples", id="A")])
    sentence = (
        "The id 'A' is that of a sample in the notebook, and of a dig here. Strike the old record and give "
        "the new one an id of its own."
    )
    with pytest.raises(FileFaults, match=f"^{re.escape(sentence)}$"):
        add_records(site, [make("looks"), make("digs", id="A")])
    assert [record.id for record in read_records(site)] == ["A"]


def test_a_strike_finds_the_record_among_all_kinds_and_it_is_entered_again_under_a_new_id(site):
    add_records(site, [make(kind, id=f"{kind}-1") for kind in KINDS], now=NOW)
    struck = strike(site, "dig", why="wrong reach", now=NOW)
    assert (struck.kind, struck.struck_why) == ("digs", "wrong reach")
    assert [record.kind for record in read_records(site)] == ["storms", "samples", "looks"]
    add_records(site, [make("digs", id="digs-2")], now=NOW)
    assert [record.id for record in read_records(site, "digs")] == ["digs-2"]
    assert [record.id for record in read_records(site, "digs", struck=True)] == ["digs-1", "digs-2"]


def test_a_site_made_before_is_read_as_it_is_and_completed_by_the_next_record(site):
    add_records(site, [make("samples", id="old")], now=NOW)
    connection = sqlite3.connect(site.geopackage)
    for table in ("storms", "digs", "looks"):
        connection.execute(f'DROP TABLE "{table}"')
        for contents in ("gpkg_geometry_columns", "gpkg_contents"):
            connection.execute(f"DELETE FROM {contents} WHERE table_name = ?", (table,))  # noqa: S608  (our own names)
    for column in ("volume_litres", "below"):
        connection.execute(f"ALTER TABLE samples DROP COLUMN {column}")
    connection.commit()
    connection.close()
    before = site.geopackage.read_bytes()
    (old,) = read_records(site)
    assert (old.id, old.grade, old.volume_litres, old.below) == ("old", 0.12, None, None)
    assert read_records(site, "digs") == []
    assert site.geopackage.read_bytes() == before
    new = make("samples", grade=None, below_percent=2)
    add_records(site, [new, make("looks")], now=NOW)
    assert {record.below for record in read_records(site, "samples")} == {None, 0.02}
    assert [record.seen for record in read_records(site, "looks")] == ["fresh streak"]
    assert intact(site.geopackage) == []


def test_another_grid_moves_both_ends_of_a_stretch_and_leaves_a_rain_without_a_place(site):
    add_records(
        site,
        [make("digs", **AT, reach=None, end_lon=-2.401, end_lat=37.1), make("storms")],
        now=NOW,
    )
    with writing(site.geopackage) as connection:
        regrid(connection, "EPSG:32631", add_crs(connection, "EPSG:32631"))
    storm, dig = read_records(site)
    assert (storm.easting_m, storm.lon) == (None, None)
    for prefix, lon in (("", -2.4), ("end_", -2.401)):
        meant = tuple(float(part) for part in to_grid("EPSG:32631", lon, 37.1))
        assert (getattr(dig, f"{prefix}easting_m"), getattr(dig, f"{prefix}northing_m")) == meant


def test_merging_brings_every_kind_onto_this_grid(site, tmp_path):
    other = new_site(tmp_path / "other", "EPSG:32631")
    frame = Frame(crs="EPSG:32631", today=FRAME.today)
    stretch = {**AT, "loads": 3, "end_lon": -2.401, "end_lat": 37.1}
    add_records(other, [make_record("digs", stretch, frame), make("storms")], now=NOW)
    assert merge_records(site, other, crs=CRS).kinds == {"storms": 1, "digs": 1}
    (dig,) = read_records(site, "digs")
    assert dig.end_easting_m == pytest.approx(float(to_grid(CRS, -2.401, 37.1)[0]), abs=1e-6)
    # The GeoPackage alone is read as a file, too, with all its kinds.
    records, faults = read_record_file(other.geopackage, FRAME)
    assert faults == []
    assert [record.content for record in records] == [record.content for record in read_records(site)]


@pytest.mark.parametrize("form", ["csv", "geojson", "kml", "gpkg"])
def test_records_without_a_place_are_written_and_read(tmp_path, form):
    storm = make("storms", gauge='{"time_h":[0,0.5,0.66667],"fallen_mm":[0,10.5,30.48]}')
    FORMATS[form](tmp_path / f"a.{form}", record_rows([storm], with_kind=True), [np.full(2, np.nan)])
    records, faults = read_record_file(tmp_path / f"a.{form}", FRAME)
    assert faults == []
    assert [record.content for record in records] == [storm.content]


def test_gpx_refuses_records_without_a_place(tmp_path):
    sentence = "1 of the 1 records have no place, which GPX cannot hold. Write them as csv or geojson."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        FORMATS["gpx"](tmp_path / "a.gpx", record_rows([make("storms")]), [np.full(2, np.nan)])
    assert not (tmp_path / "a.gpx").exists()


def test_a_reachs_name_on_a_waypoint_is_not_taken_for_a_place(tmp_path):
    dig = make("digs")
    FORMATS["gpx"](tmp_path / "a.gpx", record_rows([dig]), [np.array([dig.lon, dig.lat])])
    assert "<name>A7</name>" in (tmp_path / "a.gpx").read_text()
    (found,), faults = read_record_file(tmp_path / "a.gpx", FRAME)
    assert faults == []
    assert (found.content, found.place) == (dig.content, "")


def test_a_sample_in_litres_is_graded_by_the_porosity_of_the_settings():
    sample = make("samples", grade=None, volume_litres=1, magnetic_mass_kg=0.2)
    assert (sample.grade, sample.trace, sample.dry_mass_kg) == (None, False, None)
    # By hand: grains fill 0.6 litres, 0.2 kg of magnetite 0.0386; the rest is quartz of 2.65 kg a litre.
    mass_kg = 0.2 + 2.65 * (0.6 - 0.2 / 5.18)
    assert grade_and_mass(sample) == (pytest.approx(0.2 / mass_kg), pytest.approx(mass_kg))
    arrays = as_arrays("samples", [sample, make("samples")], porosity=0.3)
    looser = 0.2 + 2.65 * (0.7 - 0.2 / 5.18)
    np.testing.assert_allclose(arrays["dry_mass_kg"], [looser, np.nan])
    np.testing.assert_allclose(arrays["grade"], [0.2 / looser, 0.12])
    assert arrays["by_volume"].tolist() == [True, False]
    assert len(Samples(**arrays)) == 2


def test_a_limit_makes_a_trace_and_reaches_the_models():
    sample = make("samples", grade=None, below_percent=2)
    assert (sample.trace, sample.below, sample.grade) == (True, 0.02, None)
    arrays = as_arrays("samples", [sample, make("samples")])
    np.testing.assert_array_equal(arrays["below"], [0.02, np.nan])
    assert Samples(**arrays).trace.tolist() == [True, False]
    nothing = make("samples", grade=None, volume_litres=1, magnetic_mass_kg=0)
    assert (nothing.trace, as_arrays("samples", [nothing])["by_volume"].tolist()) == (True, [True])


def test_arrays_of_every_kind_have_one_length_and_leave_open_what_was_not_said():
    for kind in KINDS:
        records = [make(kind), make(kind, note="b", time="2026-01-05T10:00:00+01:00")]
        arrays = as_arrays(kind, records)
        assert {len(column) for column in arrays.values()} == {2}
        assert arrays["day"].dtype == np.dtype("datetime64[D]")
        assert arrays["day"].astype(str).tolist() == [records[0].time, "2026-01-05"]
        assert {len(column) for column in as_arrays(kind, []).values()} == {0}
    storm = as_arrays("storms", [make("storms")])
    assert np.isnan(storm["mark_depth_m"]).all()
    assert np.isnan(storm["easting_m"]).all()
    assert as_arrays("digs", [make("digs")])["dug_litres"].tolist() == [160.0]
    assert as_arrays("looks", [make("looks", seen="bare")])["seen"].tolist() == ["bare"]


def test_what_is_seen_may_be_said_by_its_first_word():
    assert [make("looks", seen=word.split()[0].title(), depth_m=0.1 if word == "buried" else None).seen
            for word in SEEN] == list(SEEN)  # fmt: skip


def test_a_course_is_what_the_storm_models_take():
    from washgrade.files.storm import read_course

    storm = make("storms", gauge='{"time_h":[0,0.25,0.66667],"fallen_mm":[0,10.5,30.48]}')
    time_h, fallen_mm = read_course(storm.gauge)
    rain = Hyetograph(time_h=time_h, fallen_mm=fallen_mm)
    assert (rain.depth_mm, rain.duration_h) == (30.48, pytest.approx(2 / 3, abs=1e-5))
