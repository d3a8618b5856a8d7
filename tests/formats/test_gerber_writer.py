"""Boards written as Gerber sets and read back: every table, and the demo's review through both formats."""

from __future__ import annotations

import dataclasses
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon

from quietcopper.board import Board, Mask
from quietcopper.build import BoardBuilder, chip, header, small_board
from quietcopper.demo import SETTINGS, revision_a, revision_b
from quietcopper.electrical.settings import load_settings
from quietcopper.errors import CallError
from quietcopper.formats import read_board
from quietcopper.formats.gerber.contours import sound
from quietcopper.formats.gerber.parser import read_image
from quietcopper.formats.gerber_text import LayerText, escaped, one_contour
from quietcopper.formats.gerber_writer import write_gerber_set
from quietcopper.review import review

GRID = 1e-8  # m; places are written to a nanometre


def rows(board: Board, table: str, *columns: str) -> Counter[tuple[object, ...]]:
    """Rows of a table with the net's name, lengths on a grid."""
    t = getattr(board, table)
    values = [getattr(t, name) for name in columns]
    values = [np.round(np.nan_to_num(v) / GRID).astype(int) if v.dtype == np.float64 else v for v in values]
    return Counter(zip([board.nets[n] for n in t.net], *(v.tolist() for v in values), strict=True))


def same_tables(old: Board, new: Board) -> None:
    assert set(new.nets) == set(old.nets)
    assert [layer.name for layer in new.layers] == [layer.name for layer in old.layers]
    ends = ("x0", "y0", "x1", "y1", "xc", "yc")
    # what is drawn twice comes back once
    assert set(rows(new, "traces", "layer", *ends, "turn", "width")) == set(
        rows(old, "traces", "layer", *ends, "turn", "width")
    )
    holes = ("x", "y", "x1", "y1", "drill", "first", "last", "plated")
    assert rows(new, "vias", *holes) == rows(old, "vias", *holes)
    assert rows(new, "pads", "layer", "x", "y") == rows(old, "pads", "layer", "x", "y")
    for layer in range(len(old.layers)):
        for name in old.nets:
            here = [
                shapely.union_all(b.areas.shape[(b.areas.layer == layer) & (b.areas.net == b.net_index[name])])
                for b in (old, new)
            ]
            assert here[0].symmetric_difference(here[1]).area <= 1e-9 * (here[0].length + 1e-3)
    assert old.outline.symmetric_difference(new.outline).area < 1e-9 * old.outline.length


def pins(board: Board) -> dict[str, tuple[object, ...]]:
    p = board.pins
    return {
        board.pin_label(i): (board.nets[p.net[i]], round(p.x[i], 8), round(p.y[i], 8), int(p.layer[i]))
        for i in range(len(p))
    }


def parts(board: Board) -> dict[str, tuple[object, ...]]:
    p = board.parts
    return {
        p.ref[i]: (p.value[i], p.package[i], int(p.side[i]), round(p.x[i], 8), round(p.y[i], 8),
                   round(float(p.rotation[i]) % (2 * np.pi), 6))
        for i in range(len(p))
    }  # fmt: skip


# ---- whole boards --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Board, Board]:
    """The demo as built, and as it comes back from its Gerber set."""
    board = revision_a()
    folder = tmp_path_factory.mktemp("set")
    write_gerber_set(board, folder)
    return board, read_board(folder)


def test_the_demo_comes_back(demo: tuple[Board, Board]) -> None:
    old, new = demo
    same_tables(old, new)
    assert len(new.areas) == len(old.areas)
    assert pins(new) == pins(old)
    assert parts(new) == parts(old)
    for a, b in zip(old.layers, new.layers, strict=True):
        assert (b.thickness, b.function) == (pytest.approx(a.thickness), a.function)
    for s, t in zip(old.dielectrics, new.dielectrics, strict=True):
        assert (t.thickness, t.er, t.tan_d, t.material) == (pytest.approx(s.thickness), s.er, s.tan_d, s.material)
    assert new.mask_top is not None
    assert old.mask_top is not None
    assert dataclasses.astuple(new.mask_top) == pytest.approx(dataclasses.astuple(old.mask_top))
    assert new.problems == ()
    assert [a.what for a in new.assumptions] == ["conductivity of copper layers"]


def test_the_demos_review_is_the_same_through_both_formats(demo: tuple[Board, Board], tmp_path: Path) -> None:
    """Same findings, same causes, same figures to 1e-3; the settings state what Gerber cannot carry."""
    path = tmp_path / "demo.toml"
    path.write_text(SETTINGS, encoding="utf-8")
    stated = load_settings(path)
    old, new = (review(board, stated) for board in demo)
    before, after = ({f.id: f for f in result.findings} for result in (old, new))
    assert list(before) == list(after)
    assert len(before) > 40
    for name, finding in before.items():
        assert after[name].predicted == pytest.approx(finding.predicted, rel=1e-3), name
        assert after[name].excess_db == pytest.approx(finding.excess_db, abs=1e-3), name
    assert [c.id for c in new.causes] == [c.id for c in old.causes]


def test_revision_b_comes_back(tmp_path: Path) -> None:
    board = revision_b()
    write_gerber_set(board, tmp_path)
    new = read_board(tmp_path)
    same_tables(board, new)
    assert pins(new) == pins(board)


def test_writing_twice_gives_the_same_bytes_and_what_was_read_can_be_written(
    demo: tuple[Board, Board], tmp_path: Path
) -> None:
    old, new = demo
    first, again = (
        {path.name: path.read_bytes() for path in write_gerber_set(old, tmp_path / name)} for name in ("a", "b")
    )
    assert first == again
    write_gerber_set(new, tmp_path / "c")
    third = read_board(tmp_path / "c")
    same_tables(new, third)
    assert pins(third) == pins(new)


def board_with_everything() -> BoardBuilder:
    b = small_board(layers=4, ground=(2,))
    b.part("R1", chip("0603"), (10, 10), nets=("A", "GND"), value='1 k, 5 % "*"', turn_deg=30)
    b.part("C1", chip("0402"), (20, 10), nets=("A", ""), side="bottom", turn_deg=210)
    b.part("J1", header(2, pitch_mm=2.54, drill_mm=1.0, pad_mm=1.7), (30, 15), nets=("A", "GND"))
    b.arc("A", 1, (5, 20), (9, 20), (7, 20), turn=-1, width=0.3)
    b.arc("B*,%\\", 1, (15, 25), (15, 25), (17, 25), turn=1, width=0.2)
    b.via("GND", (3, 3))
    return b


def test_names_of_any_kind_arcs_and_sides(tmp_path: Path) -> None:
    board = board_with_everything().build()
    write_gerber_set(board, tmp_path)
    new = read_board(tmp_path)
    same_tables(board, new)
    assert pins(new) == pins(board)
    assert parts(new) == parts(board)


def test_blind_unplated_and_slotted_holes_come_back(tmp_path: Path) -> None:
    board = board_with_everything().build()
    vias = board.vias
    x1 = vias.x1.copy()
    x1[0] += 1e-3
    first, last = np.zeros(len(vias), int), np.full(len(vias), 3)
    last[1], first[2] = 1, 2
    plated = np.ones(len(vias), bool)
    plated[-1] = False
    changed = dataclasses.replace(board, vias=vias.replace(x1=x1, first=first, last=last, plated=plated))
    write_gerber_set(changed, tmp_path)
    holes = ("x", "y", "x1", "y1", "drill", "first", "last", "plated")
    new = read_board(tmp_path)
    strip = [{row[1:] for row in rows(b, "vias", *holes)} for b in (changed, new)]
    assert strip[0] == strip[1]


def test_a_board_without_masks_parts_or_holes(tmp_path: Path) -> None:
    b = small_board(layers=2)
    b.trace("A", 1, [(5, 5), (15, 5)])
    board = dataclasses.replace(b.build(), mask_top=None, mask_bottom=Mask(20e-6, 3.5))
    files = write_gerber_set(board, tmp_path)
    assert not [f for f in files if f.suffix == ".drl" or "parts" in f.name]
    new = read_board(tmp_path)
    same_tables(board, new)
    assert (new.mask_top, new.mask_bottom is not None) == (None, True)


def test_what_cannot_be_written_is_told(tmp_path: Path) -> None:
    board = dataclasses.replace(small_board(layers=2).build(), outline=Polygon())
    with pytest.raises(CallError, match="it has no outline"):
        write_gerber_set(board, tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(CallError, match="cannot be written"):
        write_gerber_set(small_board(layers=2).build(), tmp_path / "file")


# ---- contours and names --------------------------------------------------------------------------


@st.composite
def polygons_with_holes(draw: st.DrawFn) -> Polygon:
    """Plates with holes of many forms, as antipads lie in a plane."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    plate = shapely.box(0, 0, 30e-3, 20e-3)
    count = draw(st.integers(0, 40))
    centres = rng.uniform((1e-3, 1e-3), (29e-3, 19e-3), (count, 2))
    if draw(st.booleans()):
        centres = np.round(centres, 3)  # many at one height, as on a grid
    holes = shapely.buffer(
        shapely.points(centres), rng.uniform(0.1e-3, 0.9e-3, count), quad_segs=draw(st.integers(1, 6))
    )
    left = plate.difference(shapely.union_all(holes))
    return max(shapely.get_parts(left), key=lambda p: p.area)


@given(polygons_with_holes())
@settings(max_examples=150, deadline=None)
def test_one_contour_holds_a_polygon_with_its_holes(polygon: Polygon) -> None:
    contour = one_contour(polygon)
    assert (contour[0] == contour[-1]).all()
    assert sound(contour).symmetric_difference(polygon).area < 1e-15
    text = LayerText({})
    text.region(polygon, "Conductor")
    image = read_image(text.text().encode(), "x.gbr")
    assert sound(image.region_points).symmetric_difference(polygon).area < 1e-9 * polygon.length


@given(st.text(max_size=30))
@settings(max_examples=200, deadline=None)
def test_names_survive_as_attributes(name: str) -> None:
    out = LayerText({})
    out.attributes({".N": (name,)})
    out.line(0, 0, 1e-3, 0, 1e-4)
    text = out.text()
    assert escaped(name).isascii()
    try:
        name.encode()
    except UnicodeEncodeError:
        return  # lone surrogates are no text
    image = read_image(text.encode(), "x.gbr")
    assert image.nets[image.net[0]] == name.strip(" ")
