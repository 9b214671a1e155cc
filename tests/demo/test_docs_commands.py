"""Every command line that the documents show runs, on a copy of the demo.

Commands stand in fenced or indented blocks, on lines that begin with `washgrade`, and in the running text
between backquotes. Each page's are run in their order inside one folder that holds a copy of the demo as
`mysite` and the files that the pages mention. What a page shows of the output, in a block marked `text` below
a command, must be in the output: its words, not its figures.
"""

from __future__ import annotations

import json
import re
import shlex
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from washgrade.cli import main

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]

# Verbs that a test cannot run to their end, and why. Their options are looked up all the same.
NOT_RUN = {"desk": "serves until it is closed; tests/desk runs it in a browser"}
# Verbs that change a site run wherever they stand; what only reads runs where it first stands, to save time.
WRITES = {"demo", "ground", "add", "sample", "storm", "dig", "look", "strike"}
# Exit codes other than 0 that are an answer.
ANSWERS = {"check": {0, 1}}  # 1: something needs a person's eye
# Words that stand for something of the reader's own.
STAND_INS = {"SITE": "mysite", "REACH": "A7"}
FILES = {"ground": "valley.tif", "add": "samples.csv", "storm": "gauge.csv"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A command that a page shows, the line it stands on, and what of its output the page shows."""

    line: int
    command: str
    output: tuple[str, ...] = ()


def shown_commands(text: str) -> list[Shown]:
    """Commands of a page in their order; between backquotes also names alone, such as `washgrade add`."""
    found: list[Shown] = []
    fence = waiting = ""
    running: list[str] = []  # the running text, line by line, blocks left empty
    for number, line in enumerate(text.split("\n"), start=1):
        mark = line.lstrip().startswith("```")
        in_block = bool(fence) or mark or line.startswith("    ")
        running.append("" if in_block else line)
        if mark:
            fence = "" if fence else line.strip().strip("`") or "sh"
        elif fence == "text":
            if found and line.strip():
                found[-1] = replace(found[-1], output=(*found[-1].output, line.strip()))
        elif in_block:
            command = waiting + line.strip()
            waiting = ""
            if re.match(r"washgrade\b", command):
                if command.endswith("\\"):
                    waiting = command[:-1]
                else:
                    found.append(Shown(line=number, command=shlex.join(shlex.split(command, comments=True))))
    prose = "\n".join(running)
    for span in re.finditer(r"`(washgrade [a-z][^`]*)`", prose):
        line_number = prose[: span.start()].count("\n") + 1
        found.append(Shown(line=line_number, command=" ".join(span.group(1).split())))
    return sorted(found, key=lambda shown: shown.line)


def shape(line: str) -> str:
    """A line's words, its figures and widths of columns left out."""
    return re.sub(r"\s+", " ", re.sub(r"[-+]?\d[\d.,]*", "#", line)).strip()


def faults_of(page: str, text: str, folder: Path, run_before: set[str]) -> list[str]:
    """What is wrong with the commands of a page: where, which, and what the program said."""
    faults = []
    for shown in shown_commands(text):
        verb, *words = [STAND_INS.get(word, word) for word in shlex.split(shown.command)][1:]
        where = f"{page}, line {shown.line}: {shown.command}"
        if verb not in main.commands:
            faults.append(f"{where}: no such verb")
            continue
        if verb != "demo" and all(word.startswith("-") for word in words):
            known = {name for option in main.commands[verb].params for name in option.opts} | {"--help"}
            faults += [f"{where}: no such option" for word in words if word not in known]
            continue
        words = [FILES[verb] if word == "FILE" else word for word in words]
        words = [an_id(folder) if word == "ID" else word for word in words]
        if verb not in WRITES and not shown.output:
            # The tutorial's site, demo, is as good as the others'.
            command = shlex.join([verb, *words]).replace(" demo", " mysite")
            if command in run_before:
                continue
            run_before.add(command)
        if verb in NOT_RUN:
            # click looks up all options before it answers --help.
            words.append("--help")
        done = CliRunner().invoke(main, [verb, *words])
        if done.exit_code not in ANSWERS.get(verb, {0}):
            faults.append(f"{where}: exit {done.exit_code}: {done.output[-300:]} {done.exception!r}")
            continue
        said = {shape(line) for line in done.output.split("\n")}
        faults += [f"{where}: not in its output: {line}" for line in shown.output if shape(line) not in said]
    return faults


def an_id(folder: Path) -> str:
    """The id of a record that stands in the notebook of the folder's site."""
    done = CliRunner().invoke(main, ["notebook", str(folder / "mysite"), "--json"])
    return json.loads(done.output)[0]["id"]


def supply(folder: Path) -> None:
    """Put the files that the pages mention beside the site."""
    files = folder / "mysite" / "files"
    shutil.copy(files / "dem.tif", folder / "valley.tif")
    (folder / "tiles").mkdir()
    shutil.copy(files / "dem.tif", folder / "tiles")
    shutil.copy(files / "samples.csv", folder)
    for ours, theirs in {"property": "land", "no_go": "closed", "access": "parking"}.items():
        shutil.copy(files / f"{ours}.geojson", folder / f"{theirs}.geojson")
    (folder / "gauge.csv").write_text(
        "time,rain_mm\n2025-09-14T15:00,0\n2025-09-14T15:20,18\n2025-09-14T15:40,12\n", encoding="utf-8"
    )
    (folder / "mine.csv").write_text(
        "pass,feed_kg,concentrate_kg,tailings_kg,concentrate_grade_percent,tailings_grade_percent\n"
        "first,20.0,4.9,15.0,81,0.6\nlater,4.9,4.1,0.8,95,12\n",
        encoding="utf-8",
    )
    ring = [[-3.009, 36.324], [-3.006, 36.324], [-3.006, 36.327], [-3.009, 36.327], [-3.009, 36.324]]
    rock = ({"type": "Polygon", "coordinates": [ring]}, {"grade_percent": 20})
    look = (
        {"type": "Point", "coordinates": [-3.00805, 36.32577]},
        {"kind": "look", "time": "2026-02-14T18:20:00+01:00", "seen": "fresh streak"},
    )
    for name, (shape_drawn, fields) in {"rock": rock, "entries-2026-02-14-1830": look}.items():
        feature = {"type": "Feature", "geometry": shape_drawn, "properties": fields}
        text = json.dumps({"type": "FeatureCollection", "features": [feature]})
        (folder / f"{name}.geojson").write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    from washgrade import survey

    site = tmp_path_factory.mktemp("docs") / "mysite"
    survey.run_demo(site)
    return site


@pytest.fixture(scope="module")
def run_before():
    """Commands that only read, and ran for a page before."""
    return set()


@pytest.fixture
def bench(demo, tmp_path, monkeypatch):
    """A folder with a site and the files that the pages mention; the working folder of the test."""
    shutil.copytree(demo, tmp_path / "mysite")
    supply(tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_every_command_of_a_page_runs(page, bench, run_before):
    assert faults_of(page.name, page.read_text(encoding="utf-8"), bench, run_before) == []


def test_each_exception_is_shown_somewhere():
    shown = [shown.command for page in PAGES for shown in shown_commands(page.read_text(encoding="utf-8"))]
    for verb in NOT_RUN:
        assert any(command.startswith(f"washgrade {verb} ") for command in shown), verb


WRONG = """
```sh
washgrade rank mysite --top 3
washgrade rank mysite --no-such-option
washgrade desk mysite --no-such-option   # not run, but looked at
washgrade notebook \\
    nosite
```

Say `washgrade dance` or `washgrade export mysite
--to nonsense`; `washgrade storm --nonsense` and not `washgrade storm --gauge`.

    washgrade notebook mysite --kind digs

```text
There never was such a line.
```
"""


def test_a_wrong_page_is_found_out(bench):
    faults = faults_of("wrong.md", WRONG, bench, set())
    assert [fault.split(": ", 2)[1] for fault in faults] == [
        "washgrade rank mysite --no-such-option",
        "washgrade desk mysite --no-such-option",
        "washgrade notebook nosite",
        "washgrade dance",
        "washgrade export mysite --to nonsense",
        "washgrade storm --nonsense",
        "washgrade notebook mysite --kind digs",
    ]
    assert faults[-1].endswith("not in its output: There never was such a line.")
