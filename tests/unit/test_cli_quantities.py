"""Quantities typed on the command line, and what the verbs print.

Exact sizes: foot 0.3048 m and pound 0.45359237 kg by the international yard and pound agreement (1959);
acre 43,560 square feet and ounce 1/16 pound by definition; US gallon 231 cubic inches (NIST Handbook 44,
appendix C).
"""

from __future__ import annotations

import json

import click
import pytest
from click.testing import CliRunner

from washgrade.cli import main
from washgrade.cli.options import AREA, DEPTH, DURATION, LENGTH, MASS, RAIN, VOLUME, echo_json


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        (AREA, "5 acres", 5 * 43560 * 0.3048**2),
        (AREA, "2ha", 20_000.0),
        (AREA, "12000", 12_000.0),
        (MASS, "1.9 lb", 1.9 * 0.45359237),
        (MASS, "2.5 oz", 2.5 * 0.45359237 / 16),
        (MASS, "750 G", 0.75),
        (DEPTH, "2 in", 0.0508),
        (DEPTH, ".1m", 0.1),
        (LENGTH, ".5", 0.5),
        (RAIN, "1.2 in", 30.48),
        (RAIN, "3cm", 30.0),
        (DURATION, "40 min", 2 / 3),
        (DURATION, "1.5h", 1.5),
        (VOLUME, "5 gal", 5 * 231 * 0.0254**3 * 1000),
        (VOLUME, "2 ft3", 2 * 0.3048**3 * 1000),
        (VOLUME, "0.2 m3", 200.0),
    ],
)
def test_a_quantity_with_its_unit(kind, text, value):
    assert kind.convert(text, None, None) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["5 stone", "much", "", "1 2 lb", "500"])
def test_no_quantity_gets_a_sentence(text):
    with pytest.raises(
        click.BadParameter, match=r"is no mass\. Write a number and one of the units kg, g, lb"
    ):
        MASS.convert(text, None, None)


def test_a_decimal_comma_is_told():
    with pytest.raises(
        click.BadParameter, match=r"^'1,9 lb' is no mass\. Write a number with a decimal point"
    ):
        MASS.convert("1,9 lb", None, None)


def test_json_is_plain_even_where_numbers_are_not(capsys):
    echo_json({"bad": float("nan"), "far": float("inf"), "list": (1, 2.5), "text": "ñ"})
    text = capsys.readouterr().out
    assert json.loads(text) == {"bad": None, "far": None, "list": [1, 2.5], "text": "ñ"}
    assert "ñ" in text


def test_unknown_words_exit_with_two():
    for words in (["dig-here"], ["rank"], ["rank", "site", "--units", "cubits"], ["ground", "site"]):
        assert CliRunner().invoke(main, words).exit_code == 2
