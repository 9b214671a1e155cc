"""The house agrees with itself: imports, docs, help texts, and what may not stand in a file."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from washgrade.cli import main
from washgrade.files.columns import KINDS
from washgrade.files.exchange import FORMATS
from washgrade.files.settings import Settings, settings_text

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
VERBS = sorted(main.commands)


def test_imports_go_one_way():
    tool = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([tool, "--no-cache"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
    assert "0 broken" in done.stdout


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_a_help_text_and_stands_in_the_readme(verb):
    done = CliRunner().invoke(main, [verb, "--help"])
    assert done.exit_code == 0
    command = main.commands[verb]
    assert command.short_help
    assert len(command.help.split()) > 5
    assert f"washgrade {verb}" in README or f"make {verb}" in README
    for option in command.params:
        assert isinstance(option, click.Argument) or option.help, f"{verb} {option.name} has no help"


def test_help_lists_the_verbs_in_the_order_of_the_job():
    text = CliRunner().invoke(main, ["--help"]).output
    places = [
        text.index(f"\n  {verb} ") for verb in ("demo", "ground", "add", "grade", "rank", "page", "check")
    ]
    assert places == sorted(places)
    assert "flood channel" in text


@pytest.mark.parametrize("kind", KINDS)
def test_every_column_of_a_record_stands_in_the_docs(kind):
    text = (ROOT / "docs" / "records.md").read_text(encoding="utf-8")
    sections = dict(re.findall(r"^## (.+)\n((?:(?!## ).*\n)*)", text, re.MULTILINE))
    rows = [
        row
        for heading in ("Every kind", kind.capitalize())
        for row in re.findall(r"^\| `([a-z_0-9]+)` \| (.+) \| (.*)\|$", sections[heading], re.MULTILINE)
    ]
    assert {name: re.findall(r"`(\w+)`", others) for name, _, others in rows} == {
        column.name: [name for name in column.names if name != column.name] for column in KINDS[kind].columns
    }
    assert {name: words for name, words, _ in rows} == {
        column.name: column.words for column in KINDS[kind].columns
    }


def test_every_format_of_export_stands_in_the_readme():
    assert FORMATS
    for form in FORMATS:
        assert f"--to {form}" in README
        assert form in main.commands["export"].short_help.lower()


def test_settings_written_are_settings_read(tmp_path):
    from washgrade.files.settings import read_settings

    path = tmp_path / "site.toml"
    path.write_text(settings_text(Settings(bite_m=0.07)), encoding="utf-8")
    assert read_settings(path) == Settings(bite_m=0.07)


def test_help_imports_nothing_heavy():
    heavy = (
        "numpy",
        "numba",
        "scipy",
        "pandas",
        "geopandas",
        "rasterio",
        "folium",
        "pyproj",
        "shapely",
        "rich",
    )
    code = (
        "import sys; from click.testing import CliRunner; from washgrade.cli import main; "
        "print(CliRunner().invoke(main, ['--help']).exit_code); "
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[:2] == ["0", "[]"]


def test_no_file_names_a_registry_or_a_path_of_a_machine():
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True)
    if listed.returncode:
        pytest.skip("not a git checkout")
    # Written in pieces, so that this file does not find itself.
    hosts = ["py" + "pi.org", "python" + "hosted", "registry.npm" + "js", "deb." + "debian"]
    machine = re.compile(r"(^|[^A-Za-z0-9._-])/(work|root|farm)/")
    found = []
    for name in listed.stdout.decode().split("\0"):
        path = ROOT / name
        if not name or path.suffix in {".tif", ".png"} or not path.is_file() or "assets/leaflet" in name:
            continue
        text = path.read_text(encoding="utf-8")
        if path != Path(__file__).resolve() and (any(host in text for host in hosts) or machine.search(text)):
            found.append(name)
    assert found == []


def test_the_python_of_the_readme_runs(tmp_path, monkeypatch, capsys):
    from washgrade import survey

    survey.run_demo(tmp_path / "mysite")
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    assert blocks
    for block in blocks:
        exec(block, {})  # noqa: S102 - our own README
    assert "'rank': 1" in capsys.readouterr().out
