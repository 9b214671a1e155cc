"""The field sheet of the demo: what it prints is what the other verbs say."""

from __future__ import annotations

import importlib.util
import json

import pypdf
import pytest
from click.testing import CliRunner

from washgrade import survey
from washgrade.cli import main


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sheet") / "demo"
    survey.run_demo(folder)
    return folder


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_it_prints_the_ranking_and_the_walk_that_the_verbs_tell(site):
    done = run("sheet", site, "--walk-hours", "2", "--top", "8")
    assert done.exit_code == 0, done.output
    assert done.output.startswith(f"The sheet is {site / 'out' / 'sheet.pdf'}")
    pages = [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(site / "out/sheet.pdf").pages]
    ranked = json.loads(run("rank", site, "--json", "--top", "8").stdout)["reaches"]
    for row in ranked:
        assert f"{row['lat']:.5f}, {row['lon']:.5f}" in pages[0]
    walk = json.loads(run("walk", site, "--hours", "2", "--json").stdout)
    for stop in walk["stops"]:
        assert f"{stop['lat']:.5f}, {stop['lon']:.5f}" in pages[1]
    assert all("INVENTED PLACE" in page for page in pages)
    # Reaches all over the ground need several maps, and an index of them.
    done = run("sheet", site, "--top", "60", "--to", site / "out" / "wide.pdf")
    assert done.exit_code == 0, done.output
    wide = [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(site / "out/wide.pdf").pages]
    assert any("index of maps" in page for page in wide)


def test_the_paper_follows_the_units(site, tmp_path):
    done = run("sheet", site, "--units", "us", "--to", tmp_path / "us.pdf", "--title", "Another name")
    assert done.exit_code == 0, done.output
    page = pypdf.PdfReader(tmp_path / "us.pdf").pages[0]
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx((612.0, 792.0), abs=0.1)
    assert "Another name" in page.extract_text()


def test_wrong_values_are_said(site):
    done = run("sheet", site, "--scale", "3000")
    assert done.exit_code == 2
    assert done.output.startswith("Invalid 'scale' of 3000. It must be one of 500, 1000,")
    done = run("sheet", site, "--top", "0")
    assert done.exit_code == 2
    assert done.output == "Invalid 'listed' of 0. It must be a whole number of at least 1.\n"


def test_without_the_library_for_paper_it_says_what_to_install(site, monkeypatch):
    there = importlib.util.find_spec
    monkeypatch.setattr(
        "washgrade.survey.printed.find_spec", lambda name: None if name == "reportlab" else there(name)
    )
    done = run("sheet", site)
    assert done.exit_code == 2
    assert done.output == (
        "The field sheet needs reportlab, which is not installed. Install it beside washgrade: pip install "
        "reportlab.\n"
    )


def test_it_prints_the_digging_day_that_the_verb_tells(site, tmp_path):
    done = run("sheet", site, "--day-hours", "4", "--to", tmp_path / "day.pdf")
    assert done.exit_code == 0, done.output
    text = " ".join(pypdf.PdfReader(tmp_path / "day.pdf").pages[1].extract_text().split())
    told = json.loads(run("day", site, "--hours", "4", "--json").stdout)
    assert told["reaches"]
    for row in told["reaches"]:
        assert f"{row['lat']:.5f}, {row['lon']:.5f}" in text
    done = run("sheet", site, "--day-hours", "4", "--walk-hours", "2")
    assert done.exit_code == 2
    assert done.output.startswith("Give either the hours of a walk or those of a digging day, not both")


def test_plans_go_to_kml_where_the_name_ends_so(site, tmp_path):
    import pyogrio
    import shapely

    walk = json.loads(run("walk", site, "--hours", "2", "--json", "--gpx", tmp_path / "walk.kml").stdout)
    meta, _, blobs, fields = pyogrio.raw.read(tmp_path / "walk.kml")
    columns = {name.lower(): column.tolist() for name, column in zip(meta["fields"], fields, strict=True)}
    shapes = shapely.from_wkb(blobs)
    points = [shape for shape in shapes if shape.geom_type == "Point"]
    assert [(place.x, place.y) for place in points] == [
        pytest.approx((stop["lon"], stop["lat"]), abs=1e-7) for stop in walk["stops"]
    ]
    assert [shape.geom_type for shape in shapes[len(points) :]] == ["LineString"]
    assert columns["name"][0] == f"1 {walk['stops'][0]['reach']}"
    assert "settles" in columns["description"][0]


@pytest.mark.parametrize("form", ["csv", "geojson", "gpx", "kml", "gpkg"])
def test_exported_samples_come_back_the_same(site, tmp_path, form):
    out = tmp_path / f"samples.{form}"
    done = run("export", site, "--to", form, "--what", "samples", "--out", out)
    assert done.exit_code == 0, done.output
    again = survey.add(site, out)
    assert not again.added
    assert len(again.already) == len(survey.records(site, "samples"))
    done = run("export", site, "--to", form, "--top", "9", "--out", tmp_path / f"best.{form}")
    assert done.exit_code == 0, done.output
