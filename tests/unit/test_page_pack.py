"""Packing numbers and text for the page."""

from __future__ import annotations

import base64
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from pyproj import Transformer

from washgrade.page.pack import MERCATOR_ZOOM, MISSING, mercator_pixels, pack_column, pack_integers, safe_json


def unpack_slowly(text):
    values, last, step, place = [], 0, 0, 0
    for byte in base64.b64decode(text):
        step |= (byte & 127) << (7 * place)
        place += 1
        if byte < 128:
            last += -(step + 1) // 2 if step & 1 else step // 2
            values.append(last)
            step = place = 0
    return values


def test_bytes_are_those_of_variable_length_integers():
    # Protocol Buffers' encoding guide: 150 is written 96 01, and -75 zigzags to 149, 75 to 150 (from memory).
    assert base64.b64decode(pack_integers(np.array([75]))).hex(" ") == "96 01"
    assert base64.b64decode(pack_integers(np.array([-75]))).hex(" ") == "95 01"


@given(arrays(np.int64, st.integers(0, 40), elements=st.integers(-(2**47), 2**47)))
def test_the_slow_plain_twin_reads_what_was_packed(values):
    assert unpack_slowly(pack_integers(values)) == values.tolist()


def test_a_column_is_rounded_and_keeps_what_is_missing():
    packed = pack_column(np.array([0.126, np.nan, -3.0, np.inf]), 100.0)
    assert unpack_slowly(packed) == [13, MISSING, -300, MISSING]


def test_pixels_are_those_of_the_web_mercator_projection():
    lon = np.array([-179.9, -2.34, 0.0, 100.333333, 179.9])
    lat = np.array([-84.0, 37.05, 0.0, 24.381787, 84.0])
    east, south = mercator_pixels(lon, lat)
    # PROJ by way of pyproj is the reference; a pixel is 0.3 m, half of it the rounding.
    east_m, north_m = Transformer.from_crs(4326, 3857, always_xy=True).transform(lon, lat)
    pixel_m = 2 * np.pi * 6378137.0 / (256 * 2**MERCATOR_ZOOM)
    half = 128 * 2**MERCATOR_ZOOM
    assert np.abs((east - half) * pixel_m - east_m).max() <= 0.5001 * pixel_m
    assert np.abs((half - south) * pixel_m - north_m).max() <= 0.5001 * pixel_m


@given(st.text())
def test_json_is_plain_ascii_without_markup_and_reads_back(text):
    safe = safe_json({"text": text})
    assert safe.isascii()
    assert not set(safe) & set("<>&")
    assert json.loads(safe) == {"text": text}


def test_numbers_that_json_lacks_are_refused():
    with pytest.raises(ValueError, match="not JSON compliant"):
        safe_json(float("nan"))
    with pytest.raises(TypeError, match="not JSON serializable"):
        safe_json(object())
    assert safe_json(np.float64(0.5)) == "0.5"
