"""The file itself: same bytes, one file, nothing that leads outside, light."""

from __future__ import annotations

import base64
import hashlib
import os
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from washgrade.page.build import render_page


@pytest.fixture(scope="module")
def html(dendritic):
    return render_page(dendritic.sample_view()).decode("utf-8")


class _Elements(HTMLParser):
    def __init__(self, html):
        super().__init__()
        self.seen = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))


def test_same_view_same_bytes_in_another_process(dendritic, html, tmp_path):
    script = (
        "import importlib.util, sys\n"
        "spec = importlib.util.spec_from_file_location('dendritic', sys.argv[1])\n"
        "module = importlib.util.module_from_spec(spec)\n"
        "spec.loader.exec_module(module)\n"
        "from washgrade.page.build import render_page\n"
        "sys.stdout.buffer.write(render_page(module.sample_view()))\n"
    )
    environment = os.environ | {"PYTHONHASHSEED": "12345", "PYTHONPATH": os.pathsep.join(sys.path)}
    where = str(Path(__file__).with_name("dendritic.py"))
    again = subprocess.run(
        [sys.executable, "-c", script, where], capture_output=True, check=True, env=environment
    ).stdout
    assert again == html.encode("utf-8")


def test_another_view_is_another_page(dendritic, html):
    assert render_page(dendritic.sample_view(day="2026-02-15")).decode("utf-8") != html


def test_no_element_leads_outside(html):
    elements = _Elements(html).seen
    pointers = [
        value
        for _, attributes in elements
        for name, value in attributes.items()
        if name in {"src", "href", "srcset", "action", "data", "poster", "style"}
    ]
    assert pointers
    assert [text for text in pointers if not text.startswith(("data:", "#"))] == []
    assert "url(" not in re.sub(r"url\(#default#VML\)", "", html.split("</style>")[0])
    assert "sourceMappingURL" not in html


def test_policy_allows_exactly_the_script_and_style_that_are_there(html):
    policy = next(
        attributes["content"]
        for tag, attributes in _Elements(html).seen
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    )
    rules = dict(rule.split(" ", 1) for rule in policy.split("; "))

    def source(text):
        return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"

    scripts = re.findall(r"<script>(.*?)</script>", html, flags=re.DOTALL)
    styles = re.findall(r"<style>(.*?)</style>", html, flags=re.DOTALL)
    assert [rules["script-src"]] == [source(text) for text in scripts]
    assert [rules["style-src"]] == [source(text) for text in styles]
    assert (
        rules["default-src"] == rules["connect-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    )
    assert rules["img-src"] == "data: blob:"
    # The policy must stand before anything that it governs.
    assert html.index("Content-Security-Policy") < min(html.index("<style>"), html.index("<link"))


def test_leaflet_comes_with_its_licence(html):
    assert "Leaflet 1.9.4" in html
    assert html.count("Redistribution and use in source and binary forms") == 2


def test_five_thousand_reaches_weigh_little_beside_the_relief(dendritic):
    view = dendritic.large_view()
    assert len(view.reach_id) >= 5000
    relief = len(base64.b64encode(view.relief_png))
    # Another day and each reach's past are asked for on top.
    view = replace(view, other=None, history=None)
    assert len(render_page(view)) - relief < 1_250_000


def test_fifty_thousand_reaches_stay_under_five_megabytes(dendritic):
    view = dendritic.huge_view()
    assert len(view.reach_id) >= 50_000
    assert len(render_page(view)) < 5_000_000


def lightness(colour):
    """CIE 1976 lightness (CIE 15:2004, L*) from the relative luminance of WCAG 2.1."""
    light = luminance(colour)
    return 116 * light ** (1 / 3) - 16 if light > (6 / 29) ** 3 else light * (29 / 3) ** 3


def luminance(colour):
    """Relative luminance, WCAG 2.1, definition of the term."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """Contrast ratio, WCAG 2.1, definition of the term."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_dark_is_rich_also_in_grey(html):
    colours = dict(re.findall(r"--([a-z-]+[0-9]?): (#[0-9a-f]{6});", html))
    light = [lightness(colours[f"grade-{n}"]) for n in range(5)]
    assert all(before - after >= 15 for before, after in pairwise(light))
    # WCAG 2.1, 1.4.11: a line keeps 3 : 1 against its edge; 1.4.3: text keeps 4.5 : 1.
    edges = ["casing-dark", "casing-dark", "casing-light", "casing-light", "casing-light"]
    assert all(contrast(colours[f"grade-{n}"], colours[edge]) >= 3.0 for n, edge in enumerate(edges))
    for text, ground in (("ink", "paper"), ("quiet", "paper"), ("quiet", "raised"), ("paper", "ink")):
        assert contrast(colours[text], colours[ground]) >= 4.5
