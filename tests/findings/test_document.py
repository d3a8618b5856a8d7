"""The JSON document: SI ends here, nothing that JSON cannot carry gets in, same result same bytes."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon

from quietcopper.findings.document import decibels, dumps, plain, rounded, rounded_all, schema, shape_mm


def test_rounding_keeps_six_digits_and_turns_what_json_lacks_into_null():
    assert rounded(12.3456789) == 12.3457
    assert rounded(-0.0000123456789) == -1.23457e-05
    assert rounded(742_000_000.0) == 742_000_000
    assert isinstance(rounded(3.0), int)
    for value in (math.inf, -math.inf, math.nan):
        assert rounded(value) is None


def test_an_excess_that_is_zero_but_for_rounding_is_zero():
    assert str(decibels(-1.9e-15)) == "0"
    assert decibels(12.796998) == 12.797
    assert decibels(-math.inf) is None


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=1e-300))
def test_rounding_is_within_half_of_the_sixth_digit_and_settled(value):
    short = rounded(value)
    if short is None:  # the largest floats round up out of the range
        assert value > 1.7e308
    else:
        assert short == pytest.approx(value, rel=5e-6)  # half of the sixth digit is 5e-6 of the smallest mantissa
        assert rounded(short) == short


HALVES = st.builds(lambda n, e: float(f"{n}5e{e}"), st.integers(-(10**6), 10**6), st.integers(-30, 20))


@given(st.lists(st.floats() | HALVES | st.integers(-(10**7), 10**7).map(float), min_size=40, max_size=60))
def test_many_figures_are_rounded_as_one_is(values):
    many, each = rounded_all(values), [rounded(value) for value in values]
    assert many == each
    assert [type(value) for value in many] == [type(value) for value in each]


def test_evidence_becomes_plain_data_in_its_own_order():
    values = {"b_mm": np.float32(0.5), "a": (1, np.int64(2)), "flag": np.bool_(True), "grid": np.eye(2), "x": None}
    found = plain(values)
    assert list(found) == ["b_mm", "a", "flag", "grid", "x"]
    assert found == {"b_mm": 0.5, "a": [1, 2], "flag": True, "grid": [[1, 0], [0, 1]], "x": None}
    assert type(found["flag"]) is bool
    with pytest.raises(TypeError, match="plain data expected, found Point"):
        plain({"where": Point(0, 0)})


def test_shapes_are_millimetres_and_lose_the_points_of_flattened_arcs():
    assert shape_mm(None) is None
    assert shape_mm(Polygon()) is None
    assert shape_mm(Point(0.012, -0.0340001)) == {"type": "Point", "coordinates": [12, -34.0001]}
    disc = Point(0.01, 0.02).buffer(0.5e-3, quad_segs=64)
    thin = shape_mm(disc)
    assert len(thin["coordinates"][0]) < 100 < len(disc.exterior.coords)
    # 1 µm of sag on a rim of 3.1 mm cannot cost more than rim times sag
    assert shapely.geometry.shape(thin).area == pytest.approx(disc.area * 1e6, abs=3.2 * 1e-3)
    both = shape_mm(shapely.GeometryCollection([Point(0, 0), LineString([(0, 0), (1e-3, 0)])]))
    assert [part["type"] for part in both["geometries"]] == ["Point", "LineString"]
    with pytest.raises(ValueError, match="a finite number was expected"):
        shape_mm(Point(math.inf, 0.0))


def test_text_has_one_line_an_entry_and_refuses_infinities():
    text = dumps({"format": "x", "findings": [{"a": 1}, {"a": 2}], "causes": []})
    lines = ["{", ' "format": "x",', ' "findings": [', '  {"a": 1},', '  {"a": 2}', " ],", ' "causes": []', "}"]
    assert text.splitlines() == lines
    with pytest.raises(ValueError, match="not JSON compliant"):
        dumps({"a": math.inf})


def test_schema_is_closed_everywhere_but_where_it_says_so():
    """Every object forbids unknown keys, except the user's settings, the arguments of a change and evidence."""
    open_ones = []

    def walk(node, name):
        if isinstance(node, dict):
            if node.get("type") == "object" and node.get("additionalProperties") is not False:
                open_ones.append(name)
            for key, value in node.items():
                walk(value, key)
        elif isinstance(node, list):
            for value in node:
                walk(value, name)

    walk(schema(), "")
    assert sorted(open_ones) == ["arguments", "checks", "evidence", "settings"]
    assert json.loads(json.dumps(schema())) == schema()
