"""Mark-up for the layout: read back, at the right places, on the board's own origin, with nothing of the file in it."""

from __future__ import annotations

import copy
import csv
import io
import re
import shutil
import subprocess

import ezdxf
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcopper.findings import Decision
from quietcopper.findings.document import to_document
from quietcopper.report import words
from quietcopper.report.markup import COLUMNS, dxf, gerber, mark_up, places_to_change, table, write_markup
from quietcopper.report.strokes import FIGURES, size, strokes


@pytest.fixture(scope="module")
def marked(invented):
    result, document = invented
    return mark_up(document, result.drawing)


def objects(text):
    """{place: [(kind, points, aperture)]} of a Gerber file of lines and full circles, mm; fails on anything else."""
    scale = 10.0 ** -int(re.search(r"%FSLAX\d(\d)Y\d\1\*%", text)[1])
    assert "%MOMM*%" in text
    assert text.rstrip().endswith("M02*")
    found, place, aperture, at, mode = {}, None, None, None, "G01"
    for line in text.splitlines():
        if line.startswith("%TO"):
            place = int(re.fullmatch(r"%TOPlace,(\d+)\*%", line)[1])
        elif line.startswith("%TD"):
            place = None
        elif line in {"D10*", "D11*"}:
            aperture = line[:3]
        elif line in {"G01*", "G03*", "G75*"}:
            mode = line[:3]
        elif line.startswith("X"):
            x, y, i, _, code = re.fullmatch(r"X(-?\d+)Y(-?\d+)(?:I(-?\d+)J(-?\d+))?D0([12])\*", line).groups()
            point = (int(x) * scale, int(y) * scale)
            if code == "1":
                kind = "ring" if mode == "G03" else "line"
                centre = (point[0] + int(i) * scale, point[1]) if i else None
                found.setdefault(place, []).append((kind, centre or (at, point), aperture))
                assert kind == "line" or at == point  # a full turn
            at = point
        else:
            assert line.startswith(("%TF", "%TA", "%AD", "%FS", "%MO", "%LP", "G04", "M02")), line
    return found


def test_every_place_to_change_has_a_ring_at_its_point_and_its_number(invented, marked):
    _, document = invented
    chosen = places_to_change(document)
    assert [n for n, _ in chosen] == [
        n for n, f in enumerate(document["findings"], start=1) if words.over(f["excess_db"])
    ]
    assert len(chosen) >= 5
    found = objects(gerber(marked))
    assert set(found) == {n for n, _ in chosen}
    for number, finding in chosen:
        (ring,) = [o for o in found[number] if o[0] == "ring"]
        assert ring[1] == pytest.approx(finding["at_mm"], abs=1e-6)
        assert ring[2] == ("D11" if finding["grade"] == "change it" else "D10")
        drawn = sum(len(stroke) - 1 for digit in str(number) for stroke in FIGURES[digit])
        assert len(found[number]) - 1 in {drawn, drawn + 1}  # with a line from place to number


def test_the_layer_carries_no_time_and_nothing_of_the_board_s_names(invented, marked, monkeypatch):
    text = gerber(marked)
    assert text.isascii()
    assert "CreationDate" not in text
    for net in ("SCK", "MOSI", "CLK_32M", "ANT"):
        assert net not in text
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1764061200")
    assert "%TF.CreationDate,2025-11-25T09:00:00+00:00*%" in gerber(marked)


@pytest.mark.skipif(shutil.which("gerbv") is None, reason="gerbv is not installed")
def test_another_reader_draws_it(marked, tmp_path):
    (tmp_path / "places.gbr").write_text(gerber(marked), encoding="ascii")
    call = ["gerbv", "-x", "png", "-D", "300", "-B", "0", "-b", "#000000", "-f", "#ffffff", "-o", "p.png", "places.gbr"]
    subprocess.run(call, cwd=tmp_path, check=True, capture_output=True)
    head = (tmp_path / "p.png").read_bytes()[16:24]
    pixels = np.array([int.from_bytes(head[:4]), int.from_bytes(head[4:])])
    figures = np.vstack([line for s in marked.signs for line in s.number_lines])
    places, around = np.array([s.at for s in marked.signs]), marked.radius + marked.stroke
    low = np.minimum(figures.min(axis=0) - marked.stroke / 2, places.min(axis=0) - around)
    high = np.maximum(figures.max(axis=0) + marked.stroke / 2, places.max(axis=0) + around)
    # within a millimetre: the picture's rim is rounded to pixels and thin rings end nearer than assumed
    assert pixels / 300 * 25.4 == pytest.approx(high - low, abs=1.0)


def test_the_drawing_reads_back_in_millimetres_on_the_same_places(invented, marked):
    result, document = invented
    made = ezdxf.read(io.StringIO(dxf(document, result.drawing, marked).decode("ascii")))
    assert made.dxfversion == "AC1015"
    assert made.header["$INSUNITS"] == 4  # millimetres
    audit = made.audit()
    assert not audit.has_errors
    assert not audit.has_fixes
    circles = made.modelspace().query("CIRCLE")
    chosen = places_to_change(document)
    assert len(circles) == len(chosen)
    for circle, (_, finding) in zip(circles, chosen, strict=True):
        assert circle.dxf.center.vec2.isclose(tuple(finding["at_mm"]), abs_tol=1e-9)
        number = document["board"]["layers"].index(finding["layers"][0]) + 1
        assert circle.dxf.layer == f"REVIEW_PLACES_LAYER_{number}"
    (outline,) = made.modelspace().query('LWPOLYLINE[layer=="REVIEW_OUTLINE"]')
    xy = np.array(outline.get_points("xy"))
    assert (xy.min(axis=0), xy.max(axis=0)) == (pytest.approx([0, 0]), pytest.approx([88, 56]))
    shapes = [e for e in made.modelspace().query("LWPOLYLINE") if e.dxf.layer.startswith("REVIEW_SHAPES")]
    assert len(shapes) >= 5


def test_same_review_same_bytes(invented, build_result, tmp_path):
    for name in ("a", "b"):
        result = build_result()
        write_markup(to_document(result), result.drawing, tmp_path / name)
    for file in ("places.gbr", "places.dxf", "places.csv"):
        first = (tmp_path / "a" / file).read_bytes()
        assert first
        assert first == (tmp_path / "b" / file).read_bytes()


def test_the_table_has_the_same_places_with_their_figures(invented):
    _, document = invented
    rows = list(csv.DictReader(io.StringIO(table(document).decode("utf-8-sig"))))
    chosen = places_to_change(document)
    assert [int(row["number"]) for row in rows] == [n for n, _ in chosen]
    for row, (_, finding) in zip(rows, chosen, strict=True):
        assert tuple(row) == COLUMNS
        assert (float(row["x_mm"]), float(row["y_mm"])) == tuple(finding["at_mm"])
        assert float(row["excess_db"]) == finding["excess_db"]
        assert float(row["predicted"]) == finding["predicted"]
        assert row["id"] == finding["id"]
        assert row["proposal"]


@pytest.mark.parametrize("text", ["=HYPERLINK(1)", "+3V3", "-12V", "@SUM(A1)", "\t=1", "\r\n=2", 'a"b,c\nd', "\ud800"])
def test_no_name_becomes_a_formula_a_column_or_a_row(invented, text):
    _, document = invented
    bad = copy.deepcopy(document)
    for finding in bad["findings"]:
        finding |= {"title": text, "message": text, "nets": [text], "parts": [text], "layers": [text], "id": text}
        for remedy in finding["remedies"]:
            remedy["change"]["text"] = text
    data = table(bad).decode("utf-8-sig")
    rows = list(csv.reader(io.StringIO(data)))
    assert len(rows) == 1 + len(places_to_change(bad))
    for row in rows[1:]:
        assert len(row) == len(COLUMNS)
        for column, cell in zip(COLUMNS, row, strict=True):
            if column not in {"x_mm", "y_mm", "excess_after_db"}:  # numbers of ours
                assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))


def test_what_was_set_aside_and_what_is_within_the_allowance_is_not_marked(build_result):
    result = build_result()
    first, second = result.findings[0].id, result.findings[1].id
    decided = {
        first: Decision(first, "not applicable", "test jig only", "A. Weber", "2025-11-25T09:00:00Z"),
        second: Decision(second, "agreed", "", "A. Weber", "2025-11-25T09:00:00Z"),
    }
    document = to_document(build_result(decisions=decided))
    numbers = [n for n, _ in places_to_change(document)]
    assert numbers[0] == 2
    assert all(document["findings"][n - 1]["excess_db"] >= 0 for n in numbers)
    rows = list(csv.DictReader(io.StringIO(table(document).decode("utf-8-sig"))))
    assert rows[0]["decision"] == "agreed (A. Weber, 2025-11-25)"


def test_nothing_to_change_is_an_empty_layer_that_says_so(build_result, tmp_path):
    result = build_result(findings=[])
    document = to_document(result)
    write_markup(document, result.drawing, tmp_path / "markup")
    text = (tmp_path / "markup" / "places.gbr").read_text(encoding="ascii")
    assert "No place is left to change" in text
    assert objects(text) == {}
    made = ezdxf.readfile(tmp_path / "markup" / "places.dxf")
    assert len(made.modelspace().query("CIRCLE")) == 0
    assert len((tmp_path / "markup" / "places.csv").read_text(encoding="utf-8-sig").splitlines()) == 1


@settings(deadline=None)  # a slow machine is no fault of the mark-up
@given(st.lists(st.tuples(st.floats(-50, 138), st.floats(-20, 76)), min_size=1, max_size=30))
def test_no_number_lies_on_another_or_on_a_ring(invented, points):
    result, document = invented
    first = document["findings"][0]
    crowd = [{**first, "at_mm": list(p), "shape": None} for p in points]
    marked = mark_up({**document, "findings": crowd}, result.drawing)
    assert len(marked.signs) == len(points)
    lines = [np.vstack(sign.number_lines) for sign in marked.signs]
    boxes = np.array([[*xy.min(axis=0), *xy.max(axis=0)] for xy in lines])
    centres = np.array([sign.at for sign in marked.signs])
    rings = np.hstack([centres - marked.radius, centres + marked.radius])
    for i, box in enumerate(boxes):
        for taken in (np.delete(boxes, i, axis=0), rings):
            apart = (taken[:, :2] >= box[2:]).any(axis=1) | (taken[:, 2:] <= box[:2]).any(axis=1)
            assert apart.all()


def test_a_far_origin_gets_the_digits_it_needs(invented, build_result):
    result, document = invented
    far = {**document["findings"][0], "at_mm": [25400.0, -31000.5]}
    text = gerber(mark_up({**document, "findings": [far]}, result.drawing))
    assert "%FSLAX66Y66*%" in text
    (place,) = objects(text).values()
    assert next(o[1] for o in place if o[0] == "ring") == pytest.approx((25400.0, -31000.5), abs=1e-6)


def test_figures_fill_their_box_and_differ():
    seen = set()
    for digit in "0123456789":
        lines = strokes(digit, 10.0, 20.0, 3.0)
        xy = np.vstack(lines)
        wide, high = size(digit, 3.0)
        assert (xy >= (10 - 1e-9, 20 - 1e-9)).all()
        assert (xy <= (10 + wide + 1e-9, 20 + high + 1e-9)).all()
        assert np.ptp(xy[:, 1]) == pytest.approx(3.0)
        seen.add(xy.tobytes())
    assert len(seen) == 10
    assert size("42", 3.0)[0] > 2 * size("4", 3.0)[0]
    with pytest.raises(KeyError):
        strokes("x", 0, 0, 1)
