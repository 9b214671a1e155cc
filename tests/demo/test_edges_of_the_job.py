"""What a person would expect at the edges of the job, on the demo site."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import geopandas
import numpy as np
import pytest
import rasterio
from click.testing import CliRunner
from dems import write_dem
from pyproj import Transformer

from washgrade import survey
from washgrade.cli import main

RIGHT_PLACE = ("--lon", "-3.00805", "--lat", "36.32577")
FILES = Path(__file__).resolve().parents[2] / "demo_site"


def run(*words):
    done = CliRunner().invoke(main, [str(word) for word in words])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("edges") / "demo"
    survey.run_demo(folder, units="us")
    return folder


@pytest.fixture
def site(demo, tmp_path):
    return shutil.copytree(demo, tmp_path / "site")


def raster(path, heights):
    write_dem(path, heights, west_m=499_000, north_m=4_020_000)
    return path


def test_the_units_asked_for_reach_the_page_and_the_settings(demo):
    assert survey.settings(demo).units == "us"
    assert '"units":"us"' in (demo / "out" / "page.html").read_text(encoding="utf-8").replace(": ", ":")


@pytest.mark.parametrize("form", ["csv", "geojson", "gpx"])
def test_exported_samples_come_back_as_the_same_records(site, tmp_path, form):
    out = tmp_path / f"samples.{form}"
    assert run("export", site, "--to", form, "--what", "samples", "--out", out).exit_code == 0
    done = run("add", site, out)
    assert done.exit_code == 0, done.output
    assert "0 samples added, 99 there already." in done.output


def test_two_notebooks_merge_and_either_strikes(site, demo, tmp_path):
    other = shutil.copytree(demo, tmp_path / "other")
    first = survey.notebook(other, kind="samples")[0]
    survey.strike(other, first.id, why="a test")
    done = run("add", site, other)
    assert done.exit_code == 0, done.output
    assert first.id not in {record.id for record in survey.notebook(site)}
    assert len(survey.notebook(site, struck=True, kind="samples")) == 100


def test_a_faulty_file_does_not_hide_the_next_one(site, tmp_path):
    bad, good = tmp_path / "bad.csv", tmp_path / "good.csv"
    bad.write_text("date,lon,lat,grade\n2025-03-04,-3.008,36.326,7\n", encoding="utf-8")
    good.write_text("date,lon,lat,grade\n2025-03-04,-3.008,36.326,0.07\n", encoding="utf-8")
    done = run("add", site, bad, good)
    assert done.exit_code == 2
    assert "bad.csv, row 2: " in done.stderr
    assert "good.csv: 1 sample added." in done.stdout
    listed = json.loads(run("add", site, bad, good, "--json").stdout)
    assert [entry["already"] for entry in listed] == [0, 1]


def test_every_fault_of_a_row_is_told_at_once(site, tmp_path):
    path = tmp_path / "multi.csv"
    path.write_text("time,lon,lat,grade_percent,depth_top_in\n,-3.008,36.326,x,-3\n", encoding="utf-8")
    told = run("add", site, path).stderr
    assert "There is no time" in told
    assert "'grade_percent' of 'x'" in told
    assert "depth_top_in" in told or "depth_top_m" in told


def test_a_missing_minus_is_recognised(site):
    done = run("sample", site, "--lon", "3.008", "--lat", "36.326", "--grade", "7")
    assert done.exit_code == 2
    assert "with the sign of the longitude turned it lies inside" in done.stderr


def test_a_mass_needs_its_unit(site):
    done = run("sample", site, "--lon", "-3.008", "--lat", "36.326", "--dry-mass", "500", "--grade", "7")
    assert done.exit_code == 2
    assert "'500' is no mass. Write a number and one of the units kg, g, lb" in done.stderr


@pytest.mark.parametrize(
    "words",
    [
        ("--dry-mass", "500 g", "--magnetic-mass", "0 g"),
        ("--grade", "0"),
        ("--volume", "1 l", "--magnetic-mass", "0 g"),
        ("--wet-mass", "500 g", "--moisture", "0", "--magnetic-mass", "0 g"),
    ],
)
def test_nothing_on_the_magnet_is_a_record_and_no_missing_value(site, words):
    done = run("sample", site, *RIGHT_PLACE, *words, "--note", " ".join(words), "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.output)
    kept = next(one for one in survey.notebook(site, kind="samples") if one.id == told["id"])
    assert kept.trace
    assert not kept.grade


def test_a_layer_from_the_top_keeps_its_top(site):
    done = run("sample", site, *RIGHT_PLACE, "--grade", "7", "--top", "0 cm", "--bottom", "3 cm", "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.output)["id"]
    kept = next(one for one in survey.notebook(site, kind="samples") if one.id == told)
    assert (kept.depth_top_m, kept.depth_bottom_m) == (0.0, pytest.approx(0.03))


def test_a_slipped_point_and_a_strange_mass_are_asked_about(site):
    place = ("--lon", "-3.00805", "--lat", "36.32577", "--date", "2025-12-01")
    done = run("sample", site, *place, "--dry-mass", "300 kg", "--magnetic-mass", "295 kg")
    assert done.exit_code == 0, done.output
    done = run("check", site)
    assert done.exit_code == 1
    assert "is more than one person carries. Is it in the right unit?" in done.stdout
    assert "is nearly pure magnetics" in done.stdout
    early = run("check", site, "--on", "2025-11-30")
    assert "nearly pure" not in early.stdout


def test_reaches_without_length_are_no_tip(site):
    reaches = json.loads(run("rank", site, "--json").stdout)["reaches"]
    empty = [reach for reach in reaches if reach["length_m"] == 0]
    for reach in empty:
        assert reach["chance_top"] == 0
        assert reach["rank"] > len(reaches) / 2
        assert "nothing to dig" in reach["notes"][0]


def test_rank_refuses_a_top_of_none_either_way(site):
    for words in ((), ("--json",)):
        done = run("rank", site, "--top", "0", *words)
        assert done.exit_code == 2
        assert done.stderr == "Invalid 'top' of 0. It must be a whole number of at least 1.\n"


def test_ground_that_tells_nothing_is_refused(tmp_path):
    flat = raster(tmp_path / "flat.tif", np.full((40, 40), 100.0))
    tiny = raster(tmp_path / "tiny.tif", np.arange(4.0).reshape(2, 2))
    for path, says in (
        (flat, "The ground is flat: all its heights are 100.0 m."),
        (tiny, "The ground has 2 rows"),
    ):
        done = run("ground", tmp_path / "site", "--dem", path)
        assert done.exit_code == 2
        assert done.stderr.startswith(says)
        assert not (tmp_path / "site").exists()


def test_a_property_line_elsewhere_is_refused(tmp_path):
    slope = np.add.outer(np.arange(60.0), 0.1 * np.abs(np.arange(60.0) - 30))
    dem = raster(tmp_path / "far.tif", slope)
    with rasterio.open(dem, "r+") as file:
        file.transform = rasterio.Affine(5, 0, 520000, 0, -5, 4100000)
    done = run("ground", tmp_path / "site", "--dem", dem, "--property", FILES / "property.geojson")
    assert done.exit_code == 2
    told = re.fullmatch(
        r"property\.geojson: nothing in it lies on the ground\. It is about longitude (\S+), latitude (\S+); "
        r"the ground is about longitude (\S+), latitude (\S+)\. Is it the right file\?\n",
        done.stderr,
    )
    there = geopandas.read_file(FILES / "property.geojson").to_crs("EPSG:4326").total_bounds
    west, south, east, north = there
    assert west <= float(told[1]) <= east
    assert south <= float(told[2]) <= north
    # The middle of 60 by 60 cells, by pyproj.
    lon, lat = Transformer.from_crs("EPSG:25830", "EPSG:4326", always_xy=True).transform(520150, 4099850)
    assert (float(told[3]), float(told[4])) == (round(lon, 3), round(lat, 3))


def test_a_dem_of_elsewhere_is_doubted_while_records_are_there(site, tmp_path):
    slope = np.add.outer(np.arange(60.0), 0.1 * np.abs(np.arange(60.0) - 30))
    dem = raster(tmp_path / "far.tif", slope)
    with rasterio.open(dem, "r+") as file:
        file.transform = rasterio.Affine(5, 0, 520000, 0, -5, 4100000)
    done = run("ground", site, "--dem", dem, "--channel-area", "0.2 ha")
    assert done.exit_code == 0, done.output
    assert "99 of the 99 samples in the notebook do not lie on this ground." in done.stderr


def test_an_invented_place_stays_invented_when_it_is_rebuilt(site):
    assert run("ground", site, "--dem", FILES / "dem.tif").exit_code == 0
    assert run("page", site).exit_code == 0
    assert "Invented place" in (site / "out" / "page.html").read_text(encoding="utf-8")


def test_help_shows_its_examples_line_by_line():
    for verb, examples in (("ground", 3), ("sample", 2)):
        text = run(verb, "--help").output
        assert r"\b" not in text
        assert len(re.findall(rf"^ +washgrade {verb} ", text, re.MULTILINE)) == examples


def test_storms_digs_and_looks_are_entered_listed_and_struck(site, tmp_path):
    reach = json.loads(run("rank", site, "--top", "1", "--json").stdout)["reaches"][0]
    gauge = tmp_path / "gauge.csv"
    gauge.write_text("time,rain_mm\n2025-09-14T14:00,0\n2025-09-14T14:10,12\n2025-09-14T14:20,9\n")
    at = ("--lon", "-3.00805", "--lat", "36.32577", "--date", "2025-09-14")
    on = ("--date", "2025-09-15", "--reach", reach["reach"])
    for words, says in (
        (
            ("storm", "--date", "2025-09-14", "--rain", "1.2 in", "--over", "40 min"),
            "1.2 in of rain in 40 min",
        ),
        (("storm", "--gauge", gauge), "0.83 in of rain in 20 min, over the whole ground."),
        (("storm", "--mark-depth", "18 in", *at), "a flood mark 18 in deep, on reach "),
        (("storm", "--no-flow", *at), "no flow, on reach "),
        (("dig", *on, "--loads", "40", "--product", "9 lb"), f"9 lb of product, on reach {reach['reach']}, "),
        (("dig", *at, "--end-lon", "-3.00805", "--end-lat", "36.3260", "--volume", "0.2 m3"), "52.8 gal"),
        (("look", *on, "--seen", "buried", "--depth", "3 in"), "a streak buried 3 in deep, on reach "),
    ):
        done = run(words[0], site, *words[1:])
        assert done.exit_code == 0, done.output
        assert done.stdout.startswith("Entered ")
        assert says in done.stdout
    # The demo's own notebook has digs and storms of other days.
    dig = next(one for one in survey.records(site, "digs") if one.time == "2025-09-15")
    assert (dig.easting_m, dig.northing_m) == (reach["easting_m"], reach["northing_m"])
    stormy = json.loads(run("notebook", site, "--kind", "storms", "--json").stdout)
    assert sum(row["time"].startswith("2025-09-14") for row in stormy) == 4
    # Rain, gauge, mark and dry place of one day are one storm, of which the mark counts.
    told = json.loads(run("storm", site, "--json").stdout)["storms"]
    assert [len(one["ids"]) for one in told if one["day"] == "2025-09-14"] == [4]
    assert [one["source"] for one in told if one["day"] == "2025-09-14"] == ["mark"]
    assert "8 storms up to" in run("storm", site).stdout
    listed = json.loads(run("notebook", site, "--json").stdout)
    assert {row["kind"] for row in listed} == {"sample", "storm", "dig", "look"}
    assert [row["time"][:10] for row in listed] == sorted(row["time"][:10] for row in listed)
    assert len(json.loads(run("notebook", site, "--kind", "digs", "--json").stdout)) == 11 + 2
    assert "Struck" in run("strike", site, dig.id[:8], "--why", "the other wash").stdout
    assert len(survey.notebook(site, kind="digs")) == 11 + 1
    assert "It counts again, as" in run("strike", site, dig.id, "--undo").stdout
    assert "It counts already, as" in run("strike", site, dig.id, "--undo").stdout
    back = json.loads(run("strike", site, dig.id, "--undo", "--json").stdout)["id"]
    assert len(survey.notebook(site, kind="digs")) == 11 + 2
    assert run("strike", site, back, "--why", "the other wash").exit_code == 0
    for wrong in ((), ("--undo", "--why", "w")):
        refused = run("strike", site, dig.id, *wrong)
        assert refused.exit_code == 2
        assert "--why, or take a strike back with --undo" in refused.output + refused.stderr
    for form in ("csv", "geojson"):
        out = tmp_path / f"all.{form}"
        assert run("export", site, "--to", form, "--what", "records", "--out", out).exit_code == 0
        assert "0 samples and 0 storms and 0 digs and 0 looks added, 142 there already." in (
            run("add", site, out).output
        )
    out = tmp_path / "digs.gpx"
    assert run("export", site, "--to", "gpx", "--what", "digs", "--out", out).exit_code == 0
    assert "0 digs added, 12 there already." in run("add", site, out).output


def test_a_day_before_a_dig_does_not_know_it(site):
    run("dig", site, "--lon", "-3.00805", "--lat", "36.32577", "--date", "2025-09-14", "--loads", "4")
    before = survey.notebook(site, kind="digs", on="2025-09-13")
    assert all(dig.time < "2025-09-14" for dig in before)
    assert len(survey.records(site, "digs", on="2025-09-14")) == len(before) + 1


def test_a_wrong_dig_says_all_that_is_wrong_and_enters_nothing(site):
    before = survey.notebook(site, kind="digs")
    done = run("dig", site, "--reach", "Q99", "--purity", "130")
    assert done.exit_code == 2
    assert done.stderr.splitlines() == [
        "Invalid 'purity_percent' of 130.0. It must be a finite number of at least 0 and of at most 100.",
        "There is no amount. It must have loads, buckets, volume_litres or product_mass_kg.",
        "There is no reach 'Q99' on the ground. It must be one that `washgrade rank` lists; or give the "
        "place.",
    ]
    assert survey.notebook(site, kind="digs") == before
