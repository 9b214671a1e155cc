"""Files of rain gauges: the same rain however it is written, and the whole sentence for what is not read."""

import json
import re
from datetime import date

import pytest

from washgrade.errors import FileFaults, RecordError
from washgrade.files.gauge import read_gauge
from washgrade.files.storm import read_course
from washgrade.storm.rain import Hyetograph, gauge_series


def write(tmp_path, text, name="gauge.csv"):
    path = tmp_path / name
    path.write_text(text)
    return path


def faults_of(path, **more):
    with pytest.raises(FileFaults) as caught:
        read_gauge(path, **more)
    return list(caught.value.faults)


# One rain by hand: 2 mm in the first ten minutes, 6 in the next, none, then 1 mm in twenty minutes.
COURSE = {"time_h": [0.0, 0.16667, 0.33333, 0.5, 0.83333], "fallen_mm": [0.0, 2.0, 8.0, 8.0, 9.0]}


@pytest.mark.parametrize(
    "text",
    [
        "time,rain_mm\n2026-02-01T10:00,0\n2026-02-01T10:10,2\n2026-02-01T10:20,6\n2026-02-01T10:30,0\n"
        "2026-02-01T10:50,1\n",
        "time;total_mm\n2026-02-01 10:00;100\n2026-02-01 10:10;102\n2026-02-01 10:20;108\n"
        "2026-02-01 10:30;108\n2026-02-01 10:50;109\n",
        "time,rate_mm_h\n2026-02-01T10:00,0\n2026-02-01T10:10,12\n2026-02-01T10:20,36\n"
        "2026-02-01T10:30,0\n2026-02-01T10:50,3\n",
        "date,time,Rain (mm),Battery\n2026-02-01,10:10,2,3.6\n2026-02-01,10:20,6,3.6\n"
        "2026-02-01,10:30,0,3.6\n2026-02-01,10:50,1,3.5\n",
        "time,rain_cm\n2026-02-01T10:00,0\n2026-02-01T10:10,.2\n2026-02-01T10:20,0.6\n"
        "2026-02-01T10:30,0\n2026-02-01T10:40,\n2026-02-01T10:50,0.1\n",
    ],
    ids=["increments", "total", "rate", "increments without a dry row", "centimetres and an empty cell"],
)
def test_one_rain_however_it_is_written(tmp_path, text):
    storm = read_gauge(write(tmp_path, text))
    assert json.loads(storm.gauge) == COURSE
    assert (storm.time, storm.rain_mm, storm.duration_h) == ("2026-02-01T10:00:00", 9.0, 0.83333)
    # As the storm models read it, and as they read such a series themselves.
    time_h, fallen_mm = read_course(storm.gauge)
    rain = Hyetograph(time_h=time_h, fallen_mm=fallen_mm)
    other = gauge_series(time_h=[0, 1 / 6, 2 / 6, 3 / 6, 5 / 6], rain_mm=[2, 6, 0, 1])
    assert rain.time_h == pytest.approx(other.time_h, abs=1e-5)
    assert rain.fallen_mm == pytest.approx(other.fallen_mm)


def test_minutes_and_inches_and_steps_that_say_nothing_new(tmp_path):
    storm = read_gauge(write(tmp_path, "minutes,rain_in\n0,0\n5,0.1\n10,0.1\n15,0.1\n20,0.5\n"))
    assert json.loads(storm.gauge) == {"time_h": [0.0, 0.25, 0.33333], "fallen_mm": [0.0, 7.62, 20.32]}
    assert storm.time == ""


def test_a_logger_that_is_silent_while_dry_does_not_spread_the_rain(tmp_path):
    text = (
        "time,rain_mm\n2026-02-01T10:00,1\n2026-02-01T10:05,1\n2026-02-01T10:10,1\n2026-02-09T08:00,3\n"
        "2026-02-09T08:05,3\n"
    )
    path = write(tmp_path, text)
    storm = read_gauge(path, day=date(2026, 2, 9))
    assert (storm.time, storm.rain_mm, storm.duration_h) == ("2026-02-09T07:55:00", 6.0, 0.16667)
    assert read_gauge(path, day=date(2026, 2, 1)).rain_mm == 3.0


def test_several_storms_ask_for_a_day(tmp_path):
    text = "time,rain_mm\n" + "".join(
        f"2026-02-01T{hour:02}:00,{2 if hour in {3, 12} else 0}\n" for hour in range(1, 20)
    )
    path = write(tmp_path, text)
    listed = "2026-02-01T02:00:00: 2 mm in 1 h; 2026-02-01T11:00:00: 2 mm in 1 h"
    sentence = (
        "gauge.csv: There are 2 storms, with six dry hours or more between them "
        f"({listed}). Choose one by --date, or leave only one in the file."
    )
    assert faults_of(path) == faults_of(path, day=date(2026, 2, 1)) == [sentence]
    assert faults_of(path, day=date(2026, 2, 2)) == [
        f"gauge.csv: It did not rain on 2026-02-02. The file holds: {listed}."
    ]
    # Five dry hours make one storm of it.
    assert read_gauge(write(tmp_path, text.replace("T07:00,0", "T07:00,1"))).rain_mm == 5.0


RISING = "time,rain_mm\n" + "".join(f"2026-02-01T10:{k}0,{k}\n" for k in range(5))


def test_a_column_that_may_be_a_total_is_asked_about(tmp_path):
    path = write(tmp_path, RISING)
    assert faults_of(path) == [
        "gauge.csv: The column 'rain_mm' rises from row to row, as a running total does. Say which it is: "
        "--gauge-form total, or --gauge-form increments."
    ]
    assert read_gauge(path, form="total").rain_mm == 4.0
    assert read_gauge(path, form="increments").rain_mm == 10.0


@pytest.mark.parametrize(
    ("text", "form", "sentences"),
    [
        ("time,temperature\n2026-02-01T10:00,9\n", None, [
            "gauge.csv: There is no column for the rain. It must have rain_mm (since the row before), "
            "total_mm (in all) or rate_mm_h, in mm, cm or in."
        ]),
        ("rain_mm\n1\n2\n", None, [
            "gauge.csv: There is no column for the time. It must have time, such as 2025-03-04T10:20, or "
            "minutes or hours since the start."
        ]),
        ("time,rain_mm,rate_mm_h\n2026-02-01T10:00,1,2\n", None, [
            "gauge.csv: There are several columns of rain (rain_mm, rate_mm_h). Take out all but one, or say "
            "which with --gauge-form."
        ]),
        ("time,rain_mm\n2026-02-01T10:00,1\n2026-02-01T10:10,1\n", "rate", [
            "gauge.csv: The column 'rain_mm' is no rate. It must end in _mm_h, _cm_h or _in_h."
        ]),
        ("time,rate_in_h\n2026-02-01T10:00,1\n2026-02-01T10:10,1\n", "total", [
            "gauge.csv: The column 'rate_in_h' is a rate. Leave --gauge-form out."
        ]),
        ('time,rain_mm\n2/1/2026 10:00,1\n2026-02-01T10:10,-1\n2026-02-01T10:05,1\n'
         '2026-02-01T10:05,1\n2026-02-01T10:20Z,"1,5"\n2026-02-01T10:30Z,1\n', None, [
            "gauge.csv, row 2: Invalid time of '2/1/2026 10:00'. It must be a moment such as "
            "2025-03-04T10:20.",
            "gauge.csv, row 3: Invalid 'rain_mm' of -1.0. It must be a finite number of at least 0 and of at "
            "most 100000.",
            "gauge.csv, row 5: The time does not rise above that of the row before. It must.",
            "gauge.csv, row 6: Invalid 'rain_mm' of '1,5'. It has a decimal comma; write 1.5.",
            "gauge.csv, row 7: Some moments have a time zone and some have none. All must have one.",
        ]),
        ("time,total_mm\n2026-02-01T10:00,5\n2026-02-01T10:10,7\n2026-02-01T10:20,1\n", None, [
            "gauge.csv, row 4: The total of 1 mm is below that of the row before. A total must never fall; "
            "is it what fell since the row before?"
        ]),
        ("minutes,rain_mm\n5,1\n", None, [
            "gauge.csv: There are 1 readings. There must be two or more."
        ]),
        ("minutes,rain_mm\nfive,1\n10,1\n", None, [
            "gauge.csv, row 2: Invalid 'minutes' of 'five'. It must be a finite number."
        ]),
        ("minutes,rain_mm\n5,0\n10,0\n", None, [
            "gauge.csv: It did not rain. The file must hold rain."
        ]),
    ],
)  # fmt: skip
def test_what_is_no_gauges_file_is_said(tmp_path, text, form, sentences):
    assert faults_of(write(tmp_path, text), form=form) == sentences


def test_a_missing_gauges_file_is_said(tmp_path):
    sentence = f"no.csv: There is no such file in {tmp_path}."
    with pytest.raises(RecordError, match=f"^{re.escape(sentence)}$"):
        read_gauge(tmp_path / "no.csv")
