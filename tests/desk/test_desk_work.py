"""What a person does on the desk, request by request: each is the library's own call and says what it did."""

from __future__ import annotations

import hashlib
import html
import os
import re
import signal
import time
from pathlib import Path

import pytest

from washgrade import survey
from washgrade.desk import fields, words
from washgrade.desk.app import page_colours
from washgrade.desk.jobs import RUNNING, Jobs
from washgrade.files.columns import KINDS
from washgrade.files.settings import Settings, changed_text, read_settings, settings_text

EAST_M, NORTH_M = 500_225.0, 4_019_700.0
MARKUP = '<img src=x onerror="alert(1)">&amp;{{7*7}}</td><script>alert(2)</script>'


def print_of(folder: Path) -> dict[str, str]:
    """Every file of a folder with a digest of its bytes."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def sample(**more):
    return {
        "time": "2026-03-01",
        "easting_m": str(EAST_M),
        "northing_m": str(NORTH_M),
        "dry_mass_kg": "2",
        "unit_of_dry_mass_kg": "lb",
        "magnetic_mass_kg": "3",
        "unit_of_magnetic_mass_kg": "oz",
        **more,
    }


def test_every_column_of_a_record_has_its_place_in_a_form():
    # Those that tell how a record came about are not typed, and the course of a rain comes from its file.
    not_typed = {"id", "source", "recorded_at", "struck_at", "struck_why", "by_reach", "dug_litres", "gauge"}
    for kind, entry in KINDS.items():
        asked = [name for _, _, names in words.GROUPS[kind] for name in names]
        assert len(asked) == len(set(asked))
        assert set(asked) == {column.name for column in entry.columns} - not_typed
        for group in fields.record_form(kind, "us"):
            for field in group.fields:
                if field.units:
                    assert field.unit in dict(field.units)


def test_every_setting_has_its_field_with_its_words():
    made = {field.name: field for field in fields.settings_form(Settings())}
    assert list(made) == list(Settings.__dataclass_fields__)
    assert "Loose sand in one shovel load" in made["shovel_litres"].hint
    assert "Default 4.0." in made["shovel_litres"].hint


def test_the_colours_are_those_of_the_page():
    css = Path(fields.__file__).with_name("assets").joinpath("desk.css").read_text()
    defined = set(re.findall(r"(--[\w-]+):", page_colours()))
    assert set(re.findall(r"var\((--[\w-]+)\)", css)) <= defined


def test_a_sample_in_us_units_is_the_record_of_the_command_line(start_desk, site):
    running = start_desk(site)
    answer = running.post("/notebook/new/samples", sample(place="bend", note="dark"))
    assert answer.status_code == 200
    assert "Entered" in answer.text
    (kept,) = survey.records(site, "samples")
    # International pound and ounce, exact by definition (Federal Register 24 FR 5348).
    assert kept.dry_mass_kg == pytest.approx(2 * 0.45359237, rel=1e-12)
    assert kept.magnetic_mass_kg == pytest.approx(3 * 0.45359237 / 16, rel=1e-12)
    same = survey.enter(site, "samples", {
        "time": "2026-03-01", "easting_m": EAST_M, "northing_m": NORTH_M, "dry_mass_lb": "2",
        "magnetic_mass_oz": "3", "place": "bend", "note": "dark",
    })  # fmt: skip
    assert not same.new
    assert same.record.id == kept.id


def test_faults_stand_beside_their_fields_and_nothing_is_entered(start_desk, site):
    running = start_desk(site)
    answer = running.post(
        "/notebook/new/samples",
        sample(
            easting_m="",
            northing_m="",
            dry_mass_kg="two",
            depth_top_m="-3",
            unit_of_depth_top_m="cm",
            time="2999-01-01",
        ),
    )
    assert answer.status_code == 200
    told = {
        name: html.unescape(text).strip()
        for name, text in re.findall(r'id="fault-field-(\w+)">([^<]*)', answer.text)
    }
    assert told["dry_mass_kg"] == (
        "Invalid dry mass (lb) of 'two'. It must be a finite number above 0 and of at most 2204.62."
    )
    assert told["lat"] == "There is no place. It must have longitude and latitude, or easting and northing."
    assert told["depth_top_m"].startswith("Invalid top of the layer (cm) of -3.0. It must be a finite number")
    assert told["time"].startswith("The time 2999-01-01 lies in the future.")
    # What was typed still stands there.
    assert 'value="two"' in answer.text
    assert survey.notebook(site) == []


@pytest.mark.parametrize(
    ("kind", "typed", "says"),
    [
        ("storms", {"rain_mm": "1.2", "unit_of_rain_mm": "in", "duration_h": "40",
                    "unit_of_duration_h": "min"},
         "30.5 mm of rain in 40 min"),
        ("digs", {"easting_m": str(EAST_M), "northing_m": str(NORTH_M), "loads": "40", "bite_m": "4",
                  "unit_of_bite_m": "in"}, "40 loads"),
        ("looks", {"easting_m": str(EAST_M), "northing_m": str(NORTH_M), "seen": "buried", "depth_m": "3",
                   "unit_of_depth_m": "in"}, "a streak buried 7.6 cm deep"),
    ],
)  # fmt: skip
def test_records_of_every_kind_are_entered(start_desk, site, kind, typed, says):
    running = start_desk(site)
    answer = running.post(f"/notebook/new/{kind}", {"time": "2026-02-01", "clock_of_time": "10:20", **typed})
    assert running.sentences(answer) == []
    (kept,) = survey.records(site, kind)
    assert kept.time == "2026-02-01T10:20:00"
    assert says in survey.tell_record(kept, "metric")


def test_a_gauge_file_is_one_storm(start_desk, site):
    running = start_desk(site)
    log = b"time,rain_mm\n2026-02-01T10:00,0\n2026-02-01T10:10,4\n2026-02-01T10:20,6\n2026-02-01T10:30,2\n"
    typed = {"time": "2026-02-01"}
    answer = running.upload("/notebook/new/storms", typed, [("gauge", ("gauge.csv", log, "text/csv"))])
    assert running.sentences(answer) == []
    (storm,) = survey.records(site, "storms")
    assert storm.rain_mm == pytest.approx(12.0)
    answer = running.upload(
        "/notebook/new/storms", typed, [("gauge", ("gauge.csv", b"a,b\n1,2\n", "text/csv"))]
    )
    assert answer.status_code == 200
    assert any("gauge.csv" in sentence for sentence in running.sentences(answer))
    assert len(survey.records(site, "storms")) == 1


CSV = (
    "time,easting_m,northing_m,dry_mass_kg,magnetic_mass_g,note\n"
    f"2026-03-01,{EAST_M},{NORTH_M},1,40,good\n"
    f"2026-03-01,{EAST_M},{NORTH_M + 20},none,40,wrong\n"
    f"2026-13-01,{EAST_M},{NORTH_M + 40},1,40,wrong\n"
)


def test_a_file_is_looked_over_row_by_row_before_anything_is_written(start_desk, site):
    running = start_desk(site)
    before = print_of(site)
    answer = running.upload("/notebook/files", {}, [("files", ("field.csv", CSV.encode(), "text/csv"))])
    rows = re.findall(r'<tr><th scope="row">(row \d+)</th><td>([^<]*)</td></tr>', answer.text)
    assert [row for row, _ in rows] == ["row 3", "row 4"]
    assert html.unescape(rows[0][1]) == (
        "Invalid 'dry_mass_kg' of 'none'. It must be a finite number above 0 and of at most 1000."
    )
    assert "1 new" in answer.text
    assert print_of(site) == before
    name = re.search(r'action="(/notebook/files/\w+)"', answer.text).group(1)
    # Taking in all of it is refused by the library as well.
    assert running.post(name, {"what": "all"}).text.count("Faults, row by row") == 1
    assert survey.notebook(site) == []
    answer = running.post(name, {"what": "keep good"})
    assert "field.csv: 1 sample added, 2 left out with faults." in answer.text
    assert [record.note for record in survey.notebook(site)] == ["good"]
    # Twice adds nothing.
    again = running.upload(
        "/notebook/files", {}, [("files", ("field.csv", "\n".join(CSV.split("\n")[:2]).encode(), "text/csv"))]
    )
    assert "0 new, 1 there already" in again.text


def test_a_record_is_struck_with_a_reason_and_entered_again(start_desk, site):
    running = start_desk(site)
    running.post("/notebook/new/samples", sample(note="slip"))
    (kept,) = survey.records(site, "samples")
    answer = running.post(f"/notebook/strike/{kept.id}", {"why": " "})
    assert answer.status_code == 200
    assert running.sentences(answer) == ["There is no reason yet. A few words are enough; they stay with it."]
    answer = running.post(f"/notebook/strike/{kept.id}", {"why": "typed wrong", "then": "again"})
    assert survey.records(site, "samples") == []
    # The form holds what the record said, in the units of the site.
    assert 'name="dry_mass_kg" value="0.9071847"' in answer.text
    typed = dict(re.findall(r'name="(\w+)" value="([^"]*)"', answer.text))
    del typed["trace"]  # a box that is not ticked is not sent
    typed |= {"unit_of_dry_mass_kg": "kg", "unit_of_magnetic_mass_kg": "g", "note": "slip"}
    answer = running.post("/notebook/new/samples", {**typed, "form_secret": running.secret})
    assert running.sentences(answer) == []
    (again,) = survey.records(site, "samples")
    assert again.id != kept.id
    assert again.dry_mass_kg == pytest.approx(kept.dry_mass_kg, rel=1e-6)
    assert again.lat == pytest.approx(kept.lat, abs=1e-7)


def test_a_strike_is_undone_once(start_desk, site):
    running = start_desk(site)
    running.post("/notebook/new/samples", sample(note="slip"))
    (kept,) = survey.records(site, "samples")
    answer = running.post(f"/notebook/strike/{kept.id}", {"why": "by mistake"})
    assert f'action="/notebook/undo/{kept.id}"' in answer.text
    for word in ("again", "already"):
        answer = running.post(f"/notebook/undo/{kept.id}")
        assert f"The sample of 2026-03-01 counts {word}." in answer.text
    (back,) = survey.records(site, "samples")
    assert back.content == kept.content
    listed = running.client.get("/notebook?struck=yes").text
    assert "counts again" in listed
    assert "/notebook/undo/" not in listed
    answer = running.post(f"/notebook/undo/{back.id}")
    assert running.sentences(answer) == [f"The record '{back.id}' is not struck: there is nothing to undo."]


def test_markup_in_names_and_notes_stays_text(start_desk, site):
    running = start_desk(site)
    answer = running.post("/notebook/new/looks", {
        "time": "2026-02-01", "easting_m": str(EAST_M), "northing_m": str(NORTH_M), "seen": "bare",
        "place": MARKUP, "note": MARKUP,
    })  # fmt: skip
    assert answer.status_code == 200
    (kept,) = survey.records(site, "looks")
    running.post(f"/notebook/strike/{kept.id}", {"why": MARKUP})
    csv = f'time,reach,seen,note\n2026-02-02,NOWHERE,"{MARKUP.replace(chr(34), "")}",x\n'
    looked = running.upload("/notebook/files", {}, [("files", ("a.csv", csv.encode(), "text/csv"))])
    wrong = running.post("/notebook/new/looks", {"time": MARKUP, "reach": MARKUP, "seen": MARKUP})
    pages = [running.client.get(f"/notebook?struck=yes&kind={MARKUP}"), looked, wrong,
             running.client.get(f"/notebook/strike/{kept.id}"), running.client.get(f"/reach/{MARKUP[:20]}"),
             running.client.get("/walk", params={"hours": MARKUP, "point": MARKUP}),
             running.post("/settings", {"shovel_litres": MARKUP}),
             running.post("/ground", {"dem_crs": MARKUP})]  # fmt: skip
    for page in pages:
        assert "<img src=x" not in page.text
        assert "<script>alert" not in page.text
        assert "49" not in re.findall(r"&amp;amp;(\S{1,4})", page.text)
    assert html.escape(MARKUP, quote=False).split("onerror")[0] in pages[0].text


def test_settings_are_changed_and_their_faults_told(start_desk, site):
    running = start_desk(site)
    path = site / "site.toml"
    path.write_text(
        "# mine, to stay\n" + path.read_text().replace("bite_m = 0.1\n", "bite_m = 0.1  # a hand\n")
    )
    page = running.client.get("/settings").text
    typed = {name: html.unescape(value) for name, value in re.findall(r'name="(\w+)" value="([^"]*)"', page)}
    typed = {name: value for name, value in typed.items() if name in Settings.__dataclass_fields__}
    wrong = running.post("/settings", {**typed, "shovel_litres": "0", "porosity": "much"})
    assert wrong.status_code == 200
    assert running.sentences(wrong)[-2:] == [
        "Invalid 'shovel_litres' of 0.0. It must be a finite number above 0 and of at most 50.",
        "Invalid 'porosity' of 'much'. It must be a finite number above 0 and below 1.",
    ]
    assert read_settings(path) == Settings()
    good = running.post("/settings", {**typed, "shovel_litres": "6", "bite_m": "0.07"})
    assert good.status_code == 200
    assert read_settings(path) == Settings(shovel_litres=6.0, bite_m=0.07)
    assert path.read_text().startswith("# mine, to stay\n")
    assert "bite_m = 0.07  # a hand" in path.read_text()


def test_any_settings_survive_a_change_of_their_text():
    text = settings_text(Settings())
    changes = {"units": "us", "top_reaches": 9, "cutoff_grade": 0.25, "channel_area_m2": 1e5}
    import tomllib

    assert Settings(**tomllib.loads(changed_text(text, changes))) == Settings(**changes)
    assert Settings(**tomllib.loads(changed_text("", changes))) == Settings(**changes)


def test_the_switch_of_units_is_the_sites_setting(start_desk, site):
    running = start_desk(site)
    running.post("/units", {"to": "us", "back": "/notebook"})
    assert survey.settings(site).units == "us"
    assert 'value="us" aria-pressed="true"' in running.client.get("/").text


def test_an_empty_site_says_what_to_do_next(start_desk, tmp_path):
    running = start_desk(tmp_path / "new")
    for path in (
        "/rank",
        "/map",
        "/walk",
        "/where",
        "/settings",
        "/take-along",
        "/check",
        "/day",
        "/storms",
        "/sheet.pdf",
    ):
        assert 'href="/ground"' in running.client.get(path).text
    assert "Build the ground first" in running.client.get("/notebook").text
    assert "Lay out the invented valley" in running.client.get("/").text
    answer = running.post("/ground", {})
    assert answer.status_code == 200
    assert "There is no height model yet. Upload one, or tick one of the files." in answer.text
    assert not (tmp_path / "new").exists()


def test_a_wrong_dem_is_told_and_leaves_no_site(start_desk, tmp_path):
    running = start_desk(tmp_path / "new")
    answer = running.upload("/ground", {}, [("dem", ("valley.tif", b"no raster at all", "image/tiff"))])
    answer = running.ready(answer.url.path)
    assert answer.status_code == 200
    assert running.sentences(answer)[0].startswith("valley.tif")
    assert not (tmp_path / "new" / "site.gpkg").exists()


def test_a_ground_is_built_and_answers_follow(start_desk, tmp_path, valley):
    running = start_desk(tmp_path / "new", picked_folder=valley.parent)
    head = {"channel_area_m2": "1", "unit_of_channel_area_m2": "acres"}
    answer = running.post("/ground", {"picked_dem": "valley.tif", **head})
    answer = running.ready(answer.url.path)
    assert answer.url.path == "/ground/report"
    # An acre is 43,560 square feet of exactly 0.3048 m.
    assert "Channels begin at 4,047 m²" in answer.text
    running.post("/notebook/new/samples", sample())
    ranked = running.ready("/rank?rows=100")
    wanted = survey.rank(survey.estimate(tmp_path / "new")).as_json(top=100)["reaches"]
    shown = re.findall(r'<a href="/reach/(\w+)">', ranked.text)
    assert shown == [row["reach"] for row in wanted]
    reach = running.ready(f"/reach/{shown[0]}")
    assert "What it rests on" in reach.text
    assert running.client.get(f"/reach?reach={shown[0].lower()}").url.path == f"/reach/{shown[0]}"
    where = running.ready("/where")
    assert "of the doubt that matters" in where.text.lower()
    point = survey.next_samples(survey.estimate(tmp_path / "new"))[0]
    walk = running.ready(f"/walk?hours=1&point={point.lon},{point.lat}")
    assert 'id="stops"' in walk.text, running.sentences(walk)
    gpx = running.ready(re.search(r'href="(/walk.gpx[^"]*)"', walk.text).group(1).replace("&amp;", "&"))
    assert gpx.headers["content-disposition"] == 'attachment; filename="walk.gpx"'
    assert gpx.text.count("<wpt") == len(re.findall(r'<th scope="row"><a href="/reach', walk.text))
    day = running.ready(f"/day?product=5&unit_of_product=lb&point={point.lon},{point.lat}&sure=yes")
    plan = survey.plan_digging_day(
        survey.rank(survey.estimate(tmp_path / "new")),
        product_kg=5 * 0.45359237,
        start=f"{point.lon},{point.lat}",
        sure=True,
    )
    table = day.text.partition('id="dug"')[2].partition("</table>")[0]
    assert re.findall(r'href="/reach/(\w+)"', table) == [dug.reach for dug in plan.dug]
    assert plan.dug
    assert all(html.escape(sentence)[:40] in day.text for sentence in plan.sentences("metric"))
    gpx = running.ready(re.search(r'href="(/day.gpx[^"]*)"', day.text).group(1).replace("&amp;", "&"))
    assert f"<name>1 {plan.dug[0].reach}</name>" in gpx.text
    running.post("/notebook/new/storms", {"time": "2026-03-05", "rain_mm": "30", "duration_h": "1"})
    assert "30 mm in 1 h" in running.ready("/storms").text
    sheet = running.ready(f"/sheet.pdf?walk=hours%3D1%26point%3D{point.lon},{point.lat}")
    assert sheet.content.startswith(b"%PDF-"), running.sentences(sheet)
    page = running.ready("/map/page.html")
    assert "frame-ancestors 'self'" in page.headers["content-security-policy"]
    assert "script-src 'sha256-" in page.headers["content-security-policy"]
    kept = running.ready("/map/page.html?keep=yes")
    assert kept.headers["content-disposition"].startswith('attachment; filename="new-')
    for form in ("csv", "geojson", "gpx"):
        for what in ("reaches", "samples"):
            assert running.ready(f"/export?form={form}&what={what}").headers["content-disposition"] == (
                f'attachment; filename="{what}.{form}"'
            )
    assert running.sentences(running.ready("/export?form=csv&what=digs")) == [
        "The notebook holds no dig to write. Enter one, or add a file of them."
    ]
    assert "site.gpkg is whole." in running.ready("/check").text
    assert "There is no such file to take along." in running.client.get("/export?form=exe&what=reaches").text


def test_faults_of_a_walk_stand_beside_their_fields(start_desk, site):
    running = start_desk(site)
    answer = running.client.get("/day?hours=long")
    assert running.sentences(answer) == ["Invalid value of 'long'. It must be a number from 0 to 24."]
    answer = running.client.get("/walk?hours=99&pairs=1.5")
    assert answer.status_code == 200
    assert running.sentences(answer) == [
        "Invalid value of '99'. It must be a number from 0 to 24.",
        "Invalid value of '1.5'. It must be a whole number from 0 to 100.",
    ]


def wait_for(happened, patience_s=200.0):
    until_s = time.monotonic() + patience_s
    while not happened():
        assert time.monotonic() < until_s
        time.sleep(0.01)


@pytest.mark.parametrize("rebuild", [False, True], ids=["first", "again"])
def test_cancelling_a_build_leaves_the_site_as_it_was(start_desk, tmp_path, site, valley, rebuild):
    folder = site if rebuild else tmp_path / "new"
    running = start_desk(folder, picked_folder=valley.parent)
    before = print_of(folder) if rebuild else {}
    answer = running.post("/ground", {"picked_dem": "valley.tif"})
    job = running.desk.jobs.find(answer.url.path.rsplit("/", 1)[1])
    wait_for(lambda: job.step)
    # Held, or the work might be over before the word to cancel comes.
    os.kill(running.desk.jobs._process.pid, signal.SIGSTOP)
    answer = running.post(f"/jobs/{job.name}/cancel")
    assert "Cancelled. The site is as it was before." in answer.text
    assert job.state == "cancelled"
    assert (print_of(folder) if folder.exists() else {}) == before
    # The desk goes on, and the next build runs to its end.
    answer = running.post("/ground", {"picked_dem": "valley.tif"})
    assert running.ready(answer.url.path).url.path == "/ground/report"
    assert "It was too late to cancel" in running.post("/jobs/2/cancel").text


def test_a_crash_of_the_work_does_not_take_the_desk(start_desk, site):
    running = start_desk(site)
    running.desk.jobs._ready()
    process = running.desk.jobs._process
    # Held, so that it is struck down in the midst of its work, however quick it is.
    os.kill(process.pid, signal.SIGSTOP)
    running.client.get("/rank")
    wait_for(lambda: any(job.state == RUNNING for job in running.desk.jobs._jobs.values()))
    time.sleep(0.5)
    process.kill()
    answer = running.ready("/rank")
    assert answer.status_code == 200
    assert running.sentences(answer)[0].startswith("The work stopped before its end; the desk goes on")
    assert running.ready("/rank").status_code == 200


def test_the_same_question_is_asked_once_and_a_new_record_asks_again(start_desk, site):
    running = start_desk(site)
    running.ready("/rank")
    asked = len(running.desk.jobs._jobs)
    running.ready("/rank")
    assert len(running.desk.jobs._jobs) == asked
    stamp = running.client.get("/state").json()["stamp"]
    # A record that the command line brings.
    survey.enter(site, "looks", {"easting_m": EAST_M, "northing_m": NORTH_M, "seen": "bare"})
    assert running.client.get("/state").json()["stamp"] != stamp
    running.ready("/rank")
    assert len(running.desk.jobs._jobs) == asked + 1
    # Reading changes nothing, or pages would show themselves again for ever.
    stamp = running.client.get("/state").json()["stamp"]
    for path in ("/", "/notebook", "/ground/report", "/rank"):
        running.ready(path)
    assert running.client.get("/state").json()["stamp"] == stamp


def test_closing_the_desk_ends_it(start_desk, site):
    running = start_desk(site)
    answer = running.post("/stop")
    assert "The desk is closed" in answer.text
    assert "Everything is kept. You can close this window." in answer.text


def test_what_waits_can_be_cancelled_before_it_begins():
    jobs = Jobs(start_early=False)
    try:
        first = jobs.ask("check", {"site": Path("nowhere")}, title="one", leads_to="/")
        second = jobs.ask("check", {"site": Path("nowhere")}, title="two", leads_to="/")
        assert jobs.cancel(second)
        assert second.state == "cancelled"
        first.over.wait(120)
        assert first.state == "refused"
        assert "nowhere" in first.faults[0]
    finally:
        jobs.close()
