"""What holds for every notebook: records survive every file format, order and repetition do not matter."""

import tempfile
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.files.exchange import write_csv, write_geojson, write_gpx
from washgrade.files.geopackage import add_crs, writing
from washgrade.files.judging import Frame
from washgrade.files.notebook import add_records, make_notebook, merge_records, read_records, strike
from washgrade.files.record import record_rows
from washgrade.files.records import make_record, read_record_file
from washgrade.files.site import make_site

CRS = "EPSG:25830"
TODAY = date(2026, 3, 2)
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)

# Text as people type it; what has no place in any file, such as control signs, is left to the unit tests.
TEXTS = st.text(st.characters(categories=["L", "N", "P", "S", "Zs"]), max_size=20)
SHARES = st.floats(1e-6, 1.0)


@st.composite
def records(draw):
    fields = {
        "lon": draw(st.floats(-4.0, -1.0)),
        "lat": draw(st.floats(36.0, 38.0)),
        "note": draw(TEXTS),
        "place": draw(TEXTS),
        "accuracy_m": draw(st.none() | st.floats(0.0, 100.0)),
        "dry_mass_kg": draw(st.none() | st.floats(1e-3, 100.0)),
    }
    day = TODAY - timedelta(days=draw(st.integers(0, 1000)))
    fields["time"] = draw(st.sampled_from([f"{day}", f"{day}T10:20:30-07:00", f"{day}T23:59:59+00:00"]))
    top = draw(st.none() | st.floats(0.0, 5.0))
    thick = st.floats(0.001, 1.0).map(lambda more: (top or 0.0) + more)
    fields["depth_top_m"] = top
    fields["depth_bottom_m"] = draw(thick if top else st.none() | thick)
    if draw(st.booleans()):
        fields["trace"] = "yes"
    else:
        fields["grade"] = draw(SHARES)
        if fields["dry_mass_kg"] is not None and draw(st.booleans()):
            fields["magnetic_mass_kg"] = fields["dry_mass_kg"] * fields.pop("grade")
    if draw(st.booleans()):
        fields["id"] = draw(st.uuids().map(str) | st.from_regex(r"[A-Z]{1,3}-[0-9]{1,3}", fullmatch=True))
    return make_record("samples", fields, Frame(crs=CRS, today=TODAY))


NOTEBOOKS = st.lists(records(), max_size=6, unique_by=lambda sample: sample.id)


@cache
def _blank():
    folder = Path(tempfile.mkdtemp()) / "site"
    site = make_site(folder)
    with writing(site.geopackage) as connection:
        make_notebook(connection, add_crs(connection, CRS))
    return site.geopackage.read_bytes()


def new_site(folder):
    site = make_site(folder)
    site.geopackage.write_bytes(_blank())
    return site


def contents(samples):
    return {sample.id: (sample.content, bool(sample.struck_at)) for sample in samples}


@settings(max_examples=60, deadline=None)
@given(samples=NOTEBOOKS.filter(bool))
def test_records_survive_csv_word_for_word(samples):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        write_csv(path, record_rows(samples))
        found, faults = read_record_file(path, Frame(crs=CRS, today=TODAY))
    assert faults == []
    assert found == [replace(sample, source="a.csv") for sample in samples]


@settings(max_examples=40, deadline=None)
@given(samples=NOTEBOOKS.filter(bool))
def test_records_survive_geojson_and_gpx_to_the_centimetre(samples):
    places = [np.array([sample.lon, sample.lat]) for sample in samples]
    rows = record_rows(samples)
    bare = [{k: v for k, v in row.items() if k not in {"easting_m", "northing_m"}} for row in rows]
    with tempfile.TemporaryDirectory() as folder:
        write_geojson(Path(folder) / "a.geojson", rows, places)
        write_gpx(
            Path(folder) / "a.gpx",
            waypoints=[
                ({"name": row["place"] or row["id"], **row}, place)
                for row, place in zip(bare, places, strict=True)
            ],
        )
        for name in ("a.geojson", "a.gpx"):
            found, faults = read_record_file(Path(folder) / name, Frame(crs=CRS, today=TODAY))
            assert faults == []
            assert contents(found) == contents(samples)


@settings(max_examples=25, deadline=None)
@given(samples=NOTEBOOKS, data=st.data())
def test_order_and_repetition_of_adding_do_not_show(samples, data):
    shuffled = data.draw(st.permutations(samples))
    cut = data.draw(st.integers(0, len(samples)))
    with tempfile.TemporaryDirectory() as folder:
        one, two = new_site(Path(folder) / "one"), new_site(Path(folder) / "two")
        add_records(one, samples, now=NOW)
        add_records(two, shuffled[cut:], now=NOW)
        add_records(two, shuffled, now=NOW)
        add_records(two, shuffled[:cut], now=NOW)
        assert read_records(one) == read_records(two)
        assert len(read_records(one)) == len(samples)


@settings(max_examples=25, deadline=None)
@given(samples=NOTEBOOKS, data=st.data())
def test_striking_takes_nothing_away(samples, data):
    chosen = data.draw(st.sets(st.sampled_from([s.id for s in samples]))) if samples else set()
    with tempfile.TemporaryDirectory() as folder:
        site = new_site(Path(folder) / "site")
        add_records(site, samples, now=NOW)
        for record_id in chosen:
            strike(site, record_id, why="w", now=NOW)
        add_records(site, samples, now=NOW)
        everything = contents(read_records(site, struck=True))
        assert everything == {s.id: (s.content, s.id in chosen) for s in samples}
        assert set(contents(read_records(site))) == everything.keys() - chosen


@settings(max_examples=25, deadline=None)
@given(samples=NOTEBOOKS, data=st.data())
def test_merging_is_the_union_whichever_way_round(samples, data):
    ids = [sample.id for sample in samples]
    halves = [data.draw(st.sets(st.sampled_from(ids))) if ids else set() for _ in range(2)]
    struck = data.draw(st.sets(st.sampled_from(sorted(halves[0])))) if halves[0] else set()
    with tempfile.TemporaryDirectory() as folder:
        sites = [new_site(Path(folder) / name) for name in ("one", "two")]
        for site, half in zip(sites, halves, strict=True):
            add_records(site, [sample for sample in samples if sample.id in half], now=NOW)
        for record_id in struck:
            strike(sites[0], record_id, why="w", now=NOW)
        merge_records(sites[1], sites[0], crs=CRS)
        merge_records(sites[0], sites[1], crs=CRS)
        both = [contents(read_records(site, struck=True)) for site in sites]
    assert both[0] == both[1]
    assert both[0].keys() == halves[0] | halves[1]
    assert {record_id for record_id, (_, is_struck) in both[0].items() if is_struck} == struck
