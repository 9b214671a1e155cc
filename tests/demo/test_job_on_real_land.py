"""The main job by the command line on real land: the SRTM tile that matplotlib ships.

Source: ``jacksboro_fault_dem.npz``, Shuttle Radar Topography Mission, public domain, 3 arc-seconds; without
a CRS (geographic, WGS 84), ymin and ymax swapped. The samples are made up here: they test the job, not
the place.
"""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
import rasterio
from click.testing import CliRunner
from matplotlib.cbook import get_sample_data

from washgrade.cli import main


def run(*words):
    done = CliRunner().invoke(main, [str(word) for word in words])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


@pytest.fixture(scope="module")
def dem_file(tmp_path_factory):
    with get_sample_data("jacksboro_fault_dem.npz") as data:
        heights = data["elevation"]
        west, east = sorted((float(data["xmin"]), float(data["xmax"])))
        south, north = sorted((float(data["ymin"]), float(data["ymax"])))
    path = tmp_path_factory.mktemp("real") / "land.tif"
    rows, cols = heights.shape
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=rows,
        width=cols,
        count=1,
        dtype=heights.dtype,
        crs="EPSG:4326",
        transform=rasterio.Affine((east - west) / cols, 0, west, 0, (south - north) / rows, north),
    ) as file:
        file.write(heights, 1)
    return path


@pytest.fixture(scope="module")
def site(dem_file, tmp_path_factory):
    folder = tmp_path_factory.mktemp("site") / "valley"
    done = run("ground", folder, "--dem", dem_file, "--max-reach", "500 m")
    assert done.exit_code == 0, done.output
    return folder


def test_the_ground_is_in_its_utm_zone(site):
    found = json.loads(run("rank", site, "--json").stdout)
    # Zone floor((-84.2 + 180) / 6) + 1 = 16, north: EPSG:32616 (EPSG registry).
    assert found["crs"] == "EPSG:32616"
    assert len(found["reaches"]) > 100
    assert {reach["support"] for reach in found["reaches"]} == {"prior"}


def test_from_samples_to_page(site, tmp_path):
    reaches = json.loads(run("rank", site, "--json").stdout)["reaches"]
    rng = np.random.default_rng(7)
    chosen = [reaches[k] for k in rng.choice(len(reaches), 12, replace=False)]
    path = tmp_path / "samples.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter=";")
        writer.writerow(
            ["date", "lon", "lat", "dry_mass_lb", "magnetic_mass_oz", "depth_top_in", "depth_bottom_in"]
        )
        for reach in chosen:
            writer.writerow(
                ["2025-03-04", reach["lon"], reach["lat"], 2.0, round(rng.uniform(0.5, 9), 2), 0, 4]
            )
    done = run("add", site, path)
    assert done.exit_code == 0, done.output
    assert "12 samples added" in done.output
    assert "0 samples added, 12 there already" in run("add", site, path).output

    ranked = json.loads(run("rank", site, "--json").stdout)["reaches"]
    sampled = {reach["reach"] for reach in ranked if reach["support"] == "sampled"}
    assert sampled == {reach["reach"] for reach in chosen}
    assert len({reach["grade"]["mean"] for reach in ranked}) > len(ranked) / 2

    assert run("page", site).exit_code == 0
    text = (site / "out" / "page.html").read_text(encoding="utf-8")
    # The table that needs no script begins with the best reach.
    assert f"<tr><td>1</td><th scope=row>{ranked[0]['reach']}</th>" in text
    for form in ("csv", "geojson", "gpx"):
        done = run("export", site, "--to", form)
        assert done.exit_code == 0, done.output
        assert (site / "out" / f"reaches.{form}").stat().st_size > 1000
    done = run("check", site)
    assert "Good: site.gpkg is whole.\nGood: terrain.tif and the channels belong together.\n" in done.output
    assert "Note: 12 samples counted, 0 struck; 12 readings used, on " in done.output
    assert done.exit_code == int("Look: " in done.output)


def test_rebuilding_the_ground_keeps_the_notebook(site, dem_file):
    before = run("notebook", site, "--json").stdout
    assert run("ground", site, "--dem", dem_file, "--max-reach", "800 m").exit_code == 0
    after = run("notebook", site, "--json").stdout
    assert json.loads(before) == json.loads(after)
    assert len(json.loads(after)) == 12


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("rank", "{nowhere}"), "The site folder {nowhere} is not there."),
        (("add", "{site}", "{nowhere}.csv"), "nowhere.csv: There is no such file in {folder}."),
        (("strike", "{site}", "zzz", "--why", "x"), "No record goes by the id 'zzz'."),
        (
            ("rank", "{site}", "--on", "yesterday"),
            "Invalid 'on' of 'yesterday'. It must be a date such as 2025-03-04.",
        ),
        (("export", "{site}", "--to", "shp"), "Invalid 'to' of 'shp'. It must be one of"),
        (
            ("ground", "{nowhere}", "--dem", "{nowhere}.tif"),
            "nowhere.tif: There is no such file in {folder}.",
        ),
    ],
)
def test_bad_input_gets_one_sentence_and_exit_code_two(site, tmp_path, words, says):
    names = {"nowhere": str(tmp_path / "nowhere"), "site": str(site), "folder": str(tmp_path)}
    done = run(*(word.format(**names) for word in words))
    assert done.exit_code == 2
    assert says.format(**names) in done.stderr
    assert "Traceback" not in done.output
