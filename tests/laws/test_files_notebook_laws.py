"""What holds for every notebook: records survive every file format, order and repetition do not matter."""

import csv
import json
import tempfile
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from itertools import accumulate
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pyogrio
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.files.columns import SEEN
from washgrade.files.exchange import FORMATS, write_csv
from washgrade.files.geopackage import add_crs, writing
from washgrade.files.judging import Frame
from washgrade.files.notebook import (
    add_records,
    make_notebook,
    merge_records,
    read_records,
    strike,
    undo_strike,
)
from washgrade.files.record import record_rows
from washgrade.files.records import make_record, read_record_file
from washgrade.files.site import make_site
from washgrade.files.storm import course_text

CRS = "EPSG:25830"
TODAY = date(2026, 3, 2)
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)

# Text as people type it; what has no place in any file, such as control signs, is left to the unit tests.
TEXTS = st.text(st.characters(categories=["L", "N", "P", "S", "Zs"]), max_size=20)
SHARES = st.floats(1e-6, 1.0)


FRAME = Frame(
    crs=CRS,
    today=TODAY,
    reach_middle={"A7": (553400.0, 4106200.0), "B1": (553500.0, 4106300.0)}.get,
)


def sizes(low, high):
    return st.none() | st.floats(low, high)


@st.composite
def moments(draw):
    day = TODAY - timedelta(days=draw(st.integers(0, 1000)))
    return draw(st.sampled_from([f"{day}", f"{day}T10:20:30-07:00", f"{day}T23:59:59+00:00"]))


@st.composite
def places(draw, reach=False):
    if reach and draw(st.booleans()):
        return {"reach": draw(st.sampled_from(["A7", "B1"]))}
    return {
        "lon": draw(st.floats(-4.0, -1.0)),
        "lat": draw(st.floats(36.0, 38.0)),
        "accuracy_m": draw(sizes(0.0, 100.0)),
        "reach": draw(st.sampled_from([None, "A7"])) if reach else None,
    }


@st.composite
def samples_said(draw):
    fields = {"dry_mass_kg": draw(sizes(1e-3, 100.0)), **draw(places())}
    fields.pop("reach")
    top = draw(sizes(0.0, 5.0))
    thick = st.floats(0.001, 1.0).map(lambda more: (top or 0.0) + more)
    fields["depth_top_m"] = top
    fields["depth_bottom_m"] = draw(thick if top else st.none() | thick)
    said = draw(st.sampled_from(["trace", "below", "grade", "litres"]))
    if said == "trace":
        fields["trace"] = "yes"
    elif said == "below":
        fields["below_percent"] = draw(st.floats(0.01, 90.0))
    elif said == "litres":
        fields |= {"dry_mass_kg": None, "volume_litres": 2.0, "magnetic_mass_g": draw(st.floats(0.0, 900.0))}
    else:
        fields["grade"] = draw(SHARES)
        if fields["dry_mass_kg"] is not None and draw(st.booleans()):
            fields["magnetic_mass_kg"] = fields["dry_mass_kg"] * fields.pop("grade")
    return fields


@st.composite
def courses(draw):
    steps = draw(st.lists(st.tuples(st.floats(0.01, 5.0), st.floats(0.0, 40.0)), min_size=1, max_size=5))
    times, depths = ([0.0, *accumulate(part)] for part in zip(*steps, strict=True))
    return course_text(times, depths)


@st.composite
def storms_said(draw):
    said = draw(st.sampled_from(["rain", "gauge", "mark", "no flow"]))
    if said == "rain":
        fields = {"rain_mm": draw(st.floats(0.0, 300.0)), "duration_min": draw(sizes(1.0, 3000.0))}
    elif said == "gauge":
        fields = {"gauge": draw(courses())}
    elif said == "mark":
        fields = {"mark_depth_in": draw(st.floats(1.0, 200.0)), "mark_width_m": draw(sizes(0.5, 50.0))}
    else:
        fields = {"no_flow": "yes"}
    placed = draw(places(reach=True)) if said == "mark" or draw(st.booleans()) else {}
    return {**fields, **placed, "rain_source": draw(TEXTS)}


@st.composite
def digs_said(draw):
    fields = draw(places(reach=True))
    if "lon" in fields and draw(st.booleans()):
        fields |= {"end_lon": draw(st.floats(-4.0, -1.0)), "end_lat": draw(st.floats(36.0, 38.0))}
    amounts = ["loads", "buckets", "volume_gal", "product_mass_lb"]
    for name in draw(st.sets(st.sampled_from(amounts), min_size=1)):
        fields[name] = draw(st.floats(0.5, 500.0))
    if "product_mass_lb" in fields:
        fields["purity"] = draw(st.none() | SHARES)
    return {**fields, "bite_in": draw(sizes(0.5, 20.0))}


@st.composite
def looks_said(draw):
    seen = draw(st.sampled_from(SEEN))
    depth = draw(st.floats(0.01, 2.0)) if seen == "buried" else None
    return {**draw(places(reach=True)), "seen": seen, "depth_m": depth}


SAID = {"samples": samples_said(), "storms": storms_said(), "digs": digs_said(), "looks": looks_said()}


@st.composite
def records(draw):
    kind = draw(st.sampled_from(list(SAID)))
    fields = {"time": draw(moments()), "note": draw(TEXTS), "place": draw(TEXTS), **draw(SAID[kind])}
    if draw(st.booleans()):
        fields["id"] = draw(st.uuids().map(str) | st.from_regex(r"[A-Z]{1,3}-[0-9]{1,3}", fullmatch=True))
    return make_record(kind, fields, FRAME)


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


def said(records):
    return sorted(
        json.dumps({**sample.content, "id": None}, sort_keys=True) + str(sample.easting_m)
        for sample in records
    )


@settings(max_examples=60, deadline=None)
@given(samples=NOTEBOOKS.filter(bool))
def test_records_survive_csv_word_for_word(samples):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        write_csv(path, record_rows(samples, with_kind=True))
        found, faults = read_record_file(path, FRAME)
    assert faults == []
    assert found == [replace(sample, source="a.csv") for sample in samples]


@settings(max_examples=40, deadline=None)
@given(samples=NOTEBOOKS.filter(bool))
def test_records_survive_the_other_formats_to_the_centimetre(samples):
    with tempfile.TemporaryDirectory() as folder:
        for form in sorted(set(FORMATS) - {"csv"}):
            # A waypoint must lie somewhere.
            kept = [sample for sample in samples if form != "gpx" or sample.lon is not None]
            if not kept:
                continue
            path = Path(folder) / f"a.{form}"
            spots = [np.array([sample.lon, sample.lat], dtype=np.float64) for sample in kept]
            FORMATS[form](path, record_rows(kept, with_kind=True), spots)
            found, faults = read_record_file(path, FRAME)
            assert faults == []
            assert contents(found) == contents(kept)


@settings(max_examples=40, deadline=None)
@given(samples=NOTEBOOKS.filter(bool), data=st.data())
def test_the_kind_is_told_from_the_columns_alone(samples, data):
    chosen = data.draw(st.sampled_from(samples))
    alike = [sample for sample in samples if sample.kind == chosen.kind]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        write_csv(path, record_rows(alike))
        found, faults = read_record_file(path, FRAME)
    assert faults == []
    assert contents(found) == contents(alike)


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
@given(samples=NOTEBOOKS.filter(bool), data=st.data())
def test_striking_and_entering_again_under_a_new_id_changes_nothing_that_is_said(samples, data):
    chosen = data.draw(st.sampled_from(samples))
    with tempfile.TemporaryDirectory() as folder:
        site = new_site(Path(folder) / "site")
        add_records(site, samples, now=NOW)
        before = said(read_records(site))
        strike(site, chosen.id, why="w", now=NOW)
        assert len(read_records(site)) == len(samples) - 1
        add_records(site, [replace(chosen, id="entered again")], now=NOW)
        assert said(read_records(site)) == before


@settings(max_examples=25, deadline=None)
@given(samples=NOTEBOOKS.filter(bool), data=st.data(), times=st.integers(1, 3))
def test_undoing_a_strike_brings_back_what_was_said_once_however_often_it_is_asked(samples, data, times):
    chosen = data.draw(st.sampled_from(samples))
    with tempfile.TemporaryDirectory() as folder:
        sites = [new_site(Path(folder) / name) for name in ("one", "two")]
        for site in sites:
            add_records(site, samples, now=NOW)
            before = said(read_records(site))
            again = chosen.id
            for _ in range(times):
                strike(site, again, why="w", now=NOW)
                record, new = undo_strike(site, chosen.id, now=NOW)
                assert new
                assert undo_strike(site, chosen.id, now=NOW) == (record, False)
                assert said(read_records(site)) == before
                again = record.id
        # Undone in two copies it is one record.
        merge_records(sites[0], sites[1], crs=CRS)
        assert said(read_records(sites[0])) == before
        assert len(read_records(sites[0], struck=True)) == len(samples) + times


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


# Words as they come: markup, line ends, commas, quotes, signs beyond the basic plane. No lone surrogates,
# which are no text, and no control characters, which no XML may hold.
WILD = st.text(
    st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="\ufffe\uffff")
    | st.sampled_from("\n<>&\"',;="),
    max_size=30,
)
WILD_NAMES = st.text(st.sampled_from("abcdefghij_"), min_size=1, max_size=8).filter(
    lambda name: name not in {"id", "fid", "geom"}
)


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(st.dictionaries(WILD_NAMES, WILD.filter(str.strip), max_size=4), min_size=1, max_size=4))
def test_any_text_survives_every_format_that_has_fields(rows):
    """Read back by general libraries alone: Python's csv and json, its XML parser, and GDAL."""
    names = sorted({name for row in rows for name in row})
    spots = [np.array([-2.0 + 0.1 * k, 37.0]) for k in range(len(rows))]
    with tempfile.TemporaryDirectory() as folder:
        found = {}
        for form in ("csv", "geojson", "kml", "gpkg"):
            FORMATS[form](Path(folder) / f"a.{form}", rows, spots)
        with (Path(folder) / "a.csv").open(encoding="utf-8", newline="") as file:
            found["csv"] = list(csv.DictReader(file)) if names else [{} for _ in rows]
        told = json.loads((Path(folder) / "a.geojson").read_text(encoding="utf-8"))
        found["geojson"] = [feature["properties"] for feature in told["features"]]
        space = {"k": "http://www.opengis.net/kml/2.2"}
        root = ElementTree.parse(Path(folder) / "a.kml").getroot()  # noqa: S314 - our own file
        found["kml"] = [
            {
                data.get("name"): data.findtext("k:value", namespaces=space)
                for data in mark.iterfind(".//k:Data", space)
            }
            for mark in root.iterfind(".//k:Placemark", space)
        ]
        meta, _, _, fields = pyogrio.raw.read(Path(folder) / "a.gpkg")
        columns = dict(zip(meta["fields"].tolist(), fields, strict=True))
        found["gpkg"] = [{name: column[k] for name, column in columns.items()} for k in range(len(rows))]
    for form, got in found.items():
        assert len(got) == len(rows), form
        for row, back in zip(rows, got, strict=True):
            assert {name: text for name, text in back.items() if text not in (None, "")} == row, form


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-180, 180), st.floats(-90, 90)).map(
            lambda place: tuple(round(v, 7) for v in place)
        ),
        min_size=3,
        max_size=9,
        unique=True,
    )
)
def test_geojson_follows_the_right_hand_rule(corners):
    """RFC 7946, section 3.1.6, by shapely's own sense of direction."""
    import shapely

    ring = shapely.Polygon(corners).convex_hull
    if ring.geom_type != "Polygon" or ring.area < 1e-9:
        return
    outer = np.array(ring.exterior.coords)
    middle = np.array(ring.centroid.coords)[0]
    hole = middle + (outer - middle) * 0.5
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.geojson"
        for turned in (outer, outer[::-1]):
            FORMATS["geojson"](path, [{}], [[turned, hole]])
            told = json.loads(path.read_text(encoding="utf-8"))
            assert "crs" not in told
            (feature,) = told["features"]
            first, second = feature["geometry"]["coordinates"]
            assert shapely.LinearRing(first).is_ccw
            assert not shapely.LinearRing(second).is_ccw
            assert np.abs(np.array(first)).max() <= 180.0
