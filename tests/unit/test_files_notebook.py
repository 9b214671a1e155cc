"""The notebook: added once, struck but never gone, whole after a kill, open to any GIS."""

import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, date, datetime
from pathlib import Path

import pyogrio
import pytest

from washgrade.errors import FileFaults, RecordError, SiteError
from washgrade.files.geopackage import add_crs, intact, writing
from washgrade.files.judging import Frame
from washgrade.files.notebook import (
    add_records,
    import_records,
    make_notebook,
    merge_records,
    read_records,
    regrid,
    strike,
    undo_strike,
)
from washgrade.files.places import to_grid
from washgrade.files.records import make_record
from washgrade.files.site import make_site, open_site

CRS = "EPSG:25830"
TODAY = date(2026, 3, 2)
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
SOURCE = Path(__file__).resolve().parents[2] / "src"


def sample(**values):
    fields = {"time": "2026-03-01", "lon": -2.4, "lat": 37.1, "grade": 0.12, **values}
    return make_record("samples", fields, Frame(crs=CRS, today=TODAY))


def new_site(folder, crs=CRS):
    site = make_site(folder)
    with writing(site.geopackage) as connection:
        make_notebook(connection, add_crs(connection, crs))
    return site


@pytest.fixture
def site(tmp_path):
    return new_site(tmp_path / "site")


def test_records_come_back_as_they_were_added(site):
    one = sample(id="A", dry_mass_kg=1.5, note='süß; "dark"', depth_top_m=0, depth_bottom_m=0.1, place="bar")
    two = sample(id="B", grade="trace", time="2026-02-01T10:00:00+01:00")
    done = add_records(site, [one, two], now=NOW)
    assert done.added == ("A", "B")
    found = read_records(site)
    assert [record.id for record in found] == ["B", "A"]
    assert found[1].content == one.content
    assert (found[1].easting_m, found[1].northing_m) == (one.easting_m, one.northing_m)
    assert found[0].trace
    assert found[0].grade is None
    assert found[0].recorded_at == "2026-03-02T12:00:00+00:00"


def test_adding_twice_adds_nothing(site):
    records = [sample(), sample(note="b")]
    add_records(site, records, now=NOW)
    before = site.geopackage.read_bytes()
    again = add_records(site, records)
    assert (again.added, len(again.already)) == ((), 2)
    assert len(read_records(site)) == 2
    assert len(before) == site.geopackage.stat().st_size


def test_an_id_that_says_something_else_is_a_conflict_and_changes_nothing(site):
    add_records(site, [sample(id="A")])
    sentence = (
        "The id 'A' is in the notebook and says something else (grade 0.12 there, 0.13 here; note not said "
        "there, b "
        "here). Strike the old record and give the new one an id of its own."
    )
    with pytest.raises(FileFaults, match=f"^{re.escape(sentence)}$"):
        add_records(site, [sample(id="B"), sample(id="A", grade=0.13, note="b")])
    assert [record.id for record in read_records(site)] == ["A"]
    kept = add_records(site, [sample(id="B"), sample(id="A", grade=0.13, note="b")], keep_good=True)
    assert (kept.added, kept.faults) == (("B",), (sentence,))
    assert [record.grade for record in read_records(site)] == [0.12, 0.12]


def test_a_file_with_a_fault_imports_nothing_unless_told_to_keep_the_good(site, tmp_path):
    path = tmp_path / "samples.csv"
    path.write_text("time,lon,lat,grade\n2026-03-01,-2.4,37.1,0.1\n2026-03-01,-2.4,37.1,7\n")
    sentence = (
        "samples.csv, row 3: Invalid 'grade' of 7.0. "
        "It must be a finite number of at least 0 and of at most 1."
    )
    with pytest.raises(FileFaults, match=f"^{re.escape(sentence)}$"):
        import_records(site, path, Frame(crs=CRS, today=TODAY))
    assert read_records(site) == []
    done = import_records(site, path, Frame(crs=CRS, today=TODAY), keep_good=True)
    assert (len(done.added), done.faults) == (1, (sentence,))
    assert read_records(site)[0].source == "samples.csv"


def test_a_struck_record_stays_marked(site):
    add_records(site, [sample(id="one-a"), sample(id="one-b"), sample(id="two")])
    struck = strike(site, "tw", why="wrong  bag", now=NOW)
    assert (struck.struck_at, struck.struck_why) == ("2026-03-02T12:00:00+00:00", "wrong bag")
    assert [record.id for record in read_records(site)] == ["one-a", "one-b"]
    assert [record.struck_why for record in read_records(site, struck=True)] == ["", "", "wrong bag"]
    # Adding it again does not bring it back.
    assert add_records(site, [sample(id="two")]).already == ("two",)
    assert len(read_records(site)) == 2


@pytest.mark.parametrize(
    ("record_id", "why", "sentence"),
    [
        ("x", "w", "No record goes by the id 'x'. The ids stand in: washgrade notebook SITE."),
        ("", "w", "No record goes by the id ''. The ids stand in: washgrade notebook SITE."),
        ("one", "w", "2 records have an id that begins with 'one'. Give more of it."),
        ("two", " ", "There is no reason for striking the record. Give one with --why."),
        ("three", "w", "The record 'three' is struck already since 2026-03-02T12:00:00+00:00: wrong bag."),
    ],
)
def test_what_cannot_be_struck_is_said(site, record_id, why, sentence):
    add_records(site, [sample(id=name) for name in ("one-a", "one-b", "two", "three")])
    strike(site, "three", why="wrong bag", now=NOW)
    with pytest.raises(RecordError, match=f"^{re.escape(sentence)}$"):
        strike(site, record_id, why=why)
    assert sum(bool(record.struck_at) for record in read_records(site, struck=True)) == 1


def test_a_past_day_can_be_asked_for(site):
    add_records(site, [sample(id="A", time="2026-01-01"), sample(id="B")])
    assert [record.id for record in read_records(site, on=date(2026, 2, 1))] == ["A"]


def test_only_a_struck_record_is_brought_back(site):
    add_records(site, [sample(id="one"), sample(id="two", grade=0.1)], now=NOW)
    with pytest.raises(RecordError, match=r"^The record 'one' is not struck: there is nothing to undo\.$"):
        undo_strike(site, "one", now=NOW)
    with pytest.raises(RecordError, match=r"^No record goes by the id 'three'\. The ids stand in: "):
        undo_strike(site, "three", now=NOW)
    strike(site, "one", why="w", now=NOW)
    record, _ = undo_strike(site, "on", now=NOW)
    assert (record.struck_at, record.struck_why, record.recorded_at) == ("", "", NOW.isoformat())
    assert {one.id for one in read_records(site)} == {"two", record.id}


def test_merging_is_the_union_of_ids_and_a_strike_in_either_holds(tmp_path):
    here, there = new_site(tmp_path / "here"), new_site(tmp_path / "there", "EPSG:32630")
    add_records(here, [sample(id="A"), sample(id="B")])
    other = [
        make_record(
            "samples",
            {"time": "2026-03-01", "lon": -2.4, "lat": 37.1, "grade": 0.12, "id": name},
            Frame(crs="EPSG:32630", today=TODAY),
        )
        for name in ("B", "C")
    ]
    add_records(there, other)
    strike(there, "B", why="w", now=NOW)
    done = merge_records(here, there, crs=CRS)
    assert (done.added, done.struck) == (("C",), ("B",))
    found = read_records(here, struck=True)
    assert [(record.id, bool(record.struck_at)) for record in found] == [
        ("A", False),
        ("B", True),
        ("C", False),
    ]
    assert found[2].easting_m == pytest.approx(found[0].easting_m, abs=1e-6)


def test_a_geographic_reader_finds_points_on_the_sites_grid(site):
    add_records(site, [sample(id="A"), sample(id="B", lon=-2.41)])
    frame = pyogrio.read_dataframe(site.geopackage, layer="samples")
    assert frame.crs.to_epsg() == 25830
    assert frame["id"].tolist() == ["A", "B"]
    assert frame.geometry.x.tolist() == frame["easting_m"].tolist()
    layers = {str(name) for name, _ in pyogrio.list_layers(site.geopackage)}
    assert "samples" in layers


def test_another_grid_moves_the_places_and_nothing_else(site):
    add_records(site, [sample(id="A", note="b")])
    before = read_records(site)[0]
    with writing(site.geopackage) as connection:
        regrid(connection, "EPSG:32631", add_crs(connection, "EPSG:32631"))
    after = read_records(site)[0]
    assert after.content == before.content
    assert (after.easting_m, after.northing_m) == tuple(float(p) for p in to_grid("EPSG:32631", -2.4, 37.1))
    assert pyogrio.read_info(site.geopackage, layer="samples")["crs"] == "EPSG:32631"


def test_adding_without_a_ground_says_what_to_do(tmp_path):
    site = make_site(tmp_path / "bare")
    sentence = f"The site {site.folder} has no ground yet. Build it with: washgrade ground SITE --dem FILE."
    with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
        add_records(site, [sample()])
    assert read_records(site) == []


def test_folders_that_are_no_site_are_said(tmp_path):
    (tmp_path / "file").write_text("")
    (tmp_path / "empty").mkdir()
    tail = "Make one with: washgrade ground SITE --dem FILE."
    for name, sentence in (
        ("no", f"The site folder {tmp_path / 'no'} is not there. {tail}"),
        ("file", f"The site folder {tmp_path / 'file'} is a file. {tail}"),
        ("empty", f"{tmp_path / 'empty'} is no site folder: it has no site.gpkg. {tail}"),
    ):
        with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
            open_site(tmp_path / name)
    parent = tmp_path / "no" / "such"
    sentence = f"There is no folder {parent} to make site in. Make it first, or check the path."
    with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
        make_site(parent / "site")
    sentence = f"{tmp_path / 'file'} is a file. A site must be a folder."
    with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
        make_site(tmp_path / "file")


def test_a_damaged_or_foreign_geopackage_is_said(site):
    shutil.copy(site.geopackage, site.folder / "copy.gpkg")
    site.geopackage.write_bytes(b"this is no database" * 100)
    sentence = (
        f"{site.geopackage} is damaged or no GeoPackage (file is not a database). "
        "Bring back a copy from your backup."
    )
    with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
        read_records(site)
    site.geopackage.unlink()
    foreign = sqlite3.connect(site.geopackage)
    foreign.execute("CREATE TABLE a (b)")
    foreign.close()
    sentence = (
        f"{site.geopackage} is no GeoPackage. Move it away and build the ground again: washgrade ground."
    )
    with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
        read_records(site)


def test_a_whole_geopackage_is_told_from_a_damaged_one(site):
    add_records(site, [sample(id=f"{k}") for k in range(200)])
    assert intact(site.geopackage) == []
    content = bytearray(site.geopackage.read_bytes())
    page = 4096
    last = len(content) - page
    content[last : last + page] = bytes(page)
    site.geopackage.write_bytes(content)
    faults = intact(site.geopackage)
    assert faults
    assert "damaged" in faults[0]


def test_a_missing_table_is_said(site):
    with writing(site.geopackage) as connection:
        connection.execute("DROP TABLE samples")
    assert intact(site.geopackage) == ["The table 'samples' is missing."]


def test_a_locked_geopackage_is_said(site, monkeypatch):
    monkeypatch.setattr("washgrade.files.geopackage._WAIT_S", 0.05)
    other = sqlite3.connect(site.geopackage, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    sentence = (
        f"{site.geopackage} is locked by another program. Close what has it open (a map program, another "
        f"washgrade) "
        "and try again."
    )
    try:
        with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
            add_records(site, [sample()])
    finally:
        other.close()
    assert len(add_records(site, [sample()]).added) == 1


WRITER = """
import sys
from datetime import date
from washgrade.files.judging import Frame
from washgrade.files.notebook import add_records
from washgrade.files.records import make_record
from washgrade.files.site import open_site
site = open_site(sys.argv[1])
says = {"samples": {"grade": 0.1}, "storms": {"rain_mm": 9}, "digs": {"loads": 3}, "looks": {"seen": "bare"}}
for number in range(int(sys.argv[3])):
    kind = list(says)[number % 4]
    fields = {"id": f"{sys.argv[2]}-{number}", "time": "2026-03-01", "lon": -2.4, "lat": 37.1, **says[kind]}
    add_records(site, [make_record(kind, fields, Frame(crs="EPSG:25830", today=date(2026, 3, 2)))])
    print(number, flush=True)
"""


def start_writer(site, name, count):
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(site.folder), name, str(count)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(SOURCE)},
    )


def test_two_processes_write_at_once_and_nothing_is_lost(site):
    writers = [start_writer(site, name, 25) for name in ("a", "b")]
    for writer in writers:
        out, _ = writer.communicate(timeout=120)
        assert (writer.returncode, len(out.split())) == (0, 25)
    assert len(read_records(site)) == 50


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no kill signal")
def test_every_acknowledged_record_survives_a_kill(site):
    for name, delay_s in (("a", 0.0), ("b", 0.013), ("c", 0.029)):
        writer = start_writer(site, name, 100_000)
        for _ in range(3):
            writer.stdout.readline()
        time.sleep(delay_s)
        os.kill(writer.pid, signal.SIGKILL)
        rest, _ = writer.communicate(timeout=60)
        # A line cut short by the kill was still acknowledged after its transaction.
        acknowledged = 3 + len(rest.split())
        held = sum(record.id.startswith(f"{name}-") for record in read_records(site))
        assert acknowledged <= held <= acknowledged + 1
    connection = sqlite3.connect(site.geopackage)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
