"""What the writer writes, the reader takes back: every column, in the same order, to the last bit."""

from __future__ import annotations

import dataclasses
import math
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietcopper.board import Areas, Board, Dielectric, Layer, Mask, Pads, Parts, Pins, Traces, Vias
from quietcopper.errors import CallError
from quietcopper.formats import read_board
from quietcopper.formats.ipc2581.features import NO_NET
from quietcopper.formats.ipc2581.markup import degrees, mm
from quietcopper.formats.ipc2581.values import MILLIMETER, radians_of
from quietcopper.formats.ipc2581.writer import write_ipc2581

PAD_FORM = 1e-12  # m; pad shapes are written once per form on a grid of 1e-13 m


def differences(a: Board, b: Board) -> list[str]:
    """Names of what differs between two boards, apart from where they came from."""
    names = ("name", "layers", "dielectrics", "nets", "mask_top", "mask_bottom", "net_classes", "impedances")
    out = [name for name in names if getattr(a, name) != getattr(b, name)]
    if not shapely.equals_exact(a.outline, b.outline, 0):
        out.append("outline")
    for name in ("traces", "vias", "pads", "areas", "parts", "pins"):
        one, two = getattr(a, name), getattr(b, name)
        if len(one) != len(two):
            out.append(f"{name}: {len(one)} rows and {len(two)}")
            continue
        for column in dataclasses.fields(one):
            u, v = getattr(one, column.name), getattr(two, column.name)
            if column.name == "shape":
                same = shapely.equals_exact(u, v, PAD_FORM if name == "pads" else 0).all()
            elif u.dtype == object:
                same = list(u) == list(v)
            else:
                same = np.array_equal(u, v, equal_nan=u.dtype.kind == "f")
            if not same:
                out.append(f"{name}.{column.name}")
    return out


def there_and_back(board: Board, suffix: str = ".xml") -> Board:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"board{suffix}"
        write_ipc2581(board, path)
        assert [p.name for p in Path(folder).iterdir()] == [path.name]
        return read_board(path)


# ---- boards of any kind --------------------------------------------------------------------------

names = st.text(st.characters(exclude_categories=("Cs", "Cn"), exclude_characters="\x7f"), max_size=8).filter(
    lambda s: all(c >= " " or c in "\t\n\r" for c in s) and not any(c in "\ufffe\uffff" for c in s)
)
net_names = names.filter(lambda s: s.strip().lower() not in NO_NET)
seeds = st.integers(0, 2**32 - 1)


def some(rng: np.random.Generator, count: int) -> np.ndarray:
    """Coordinates within 40 mm: on a grid of 10 µm, or any float at all."""
    return np.where(rng.random(count) < 0.5, rng.integers(-4000, 4000, count) * 1e-5, rng.uniform(-0.04, 0.04, count))


def form(rng: np.random.Generator, x: float, y: float) -> shapely.Geometry:
    """A pad's shape: disc, rectangle, turned rectangle, ring, two pieces."""
    w, h = rng.integers(1, 100, 2) * 1e-5
    match rng.integers(5):
        case 0:
            return shapely.Point(x, y).buffer(w, quad_segs=8)
        case 1:
            return shapely.box(x - w, y - h, x + w, y + h)
        case 2:
            box, turn = shapely.box(-w, -h, w, h), rng.uniform(0, 7)
            matrix = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
            return shapely.transform(box, lambda xy: xy @ matrix.T + np.array([x, y]))
        case 3:
            return shapely.Point(x, y).buffer(w).difference(shapely.Point(x, y).buffer(w / 2))
        case _:
            return shapely.MultiPolygon(
                [shapely.box(x - 2 * w, y, x - w, y + h), shapely.box(x + w, y, x + 2 * w, y + h)]
            )


def polygon(rng: np.random.Generator) -> shapely.Polygon:
    """An area with a hole, its corners anywhere on two rings."""
    x, y = some(rng, 2)
    turns = np.sort(rng.uniform(0, 2 * math.pi, 7))
    rings = [np.stack([x + r * np.cos(turns), y + r * np.sin(turns)], axis=-1) for r in (4e-3, 1e-3)]
    found = shapely.Polygon(rings[0], [rings[1][::-1]])
    return found if found.is_valid else shapely.box(x, y, x + 1e-3, y + 1e-3)


@st.composite
def boards(draw: st.DrawFn) -> Board:
    rng = np.random.default_rng(draw(seeds))
    layer_names = draw(st.lists(names, min_size=1, max_size=4, unique=True))
    count = len(layer_names)
    words = ["", "signal", "plane", "mixed", "Signal", "copper pour"]
    layers = tuple(
        Layer(n, rng.uniform(1e-6, 1e-4), str(rng.choice(words)), rng.uniform(1e6, 6e7)) for n in layer_names
    )
    sheets = tuple(
        Dielectric(
            rng.uniform(1e-5, 2e-3), rng.uniform(1, 12), rng.uniform(0, 0.1), draw(names), 10 ** rng.uniform(6, 11)
        )
        for _ in range(count - 1)
    )
    nets = ("", *draw(st.lists(net_names, max_size=5, unique=True)))

    def whole(high: int, rows: int, low: int = 0) -> np.ndarray:
        return rng.integers(low, high, rows) if rows and high > low else np.full(rows, low)

    n = draw(st.integers(0, 12))
    turn = whole(2, n, -1)
    arc = np.where(turn != 0, 1.0, np.nan)
    traces = Traces(
        whole(len(nets), n), whole(count, n), some(rng, n), some(rng, n), some(rng, n), some(rng, n),
        some(rng, n) * arc, some(rng, n) * arc, turn, np.abs(some(rng, n)) + 1e-5,
    )  # fmt: skip
    if n > 2:  # some segments follow the one before them, as they do on boards
        x0, y0 = traces.x0.copy(), traces.y0.copy()
        x0[1::2], y0[1::2] = traces.x1[:-1][::2][: len(x0[1::2])], traces.y1[:-1][::2][: len(y0[1::2])]
        traces = traces.replace(x0=x0, y0=y0, width=np.full(n, traces.width[0]) if rng.random() < 0.5 else traces.width)
    refs = draw(st.lists(names, max_size=4, unique=True))
    p = len(refs)
    parts = Parts(
        refs, draw(st.lists(names, min_size=p, max_size=p)), draw(st.lists(names, min_size=p, max_size=p)),
        whole(2, p), some(rng, p), some(rng, p), rng.choice([0, math.pi / 2, -1.5, 5.5, 9.9, 1e-9], p),
    )  # fmt: skip
    k = draw(st.integers(0, 8)) if p else 0
    pins = Pins(
        whole(p, k), [f"{i}{draw(names)}" for i in range(k)], whole(len(nets), k), some(rng, k), some(rng, k),
        whole(count, k, -1),
    )  # fmt: skip
    v = draw(st.integers(0, 6))
    ends = np.sort(np.stack([whole(count, v), whole(count, v)]), axis=0)
    x, y = some(rng, v), some(rng, v)
    slot = rng.random(v) < 0.3
    vias = Vias(
        whole(len(nets), v), x, y, np.where(slot, some(rng, v), x), np.where(slot, some(rng, v), y),
        rng.integers(1, 300, v) * 1e-5, ends[0], ends[1], rng.random(v) < 0.7,
        np.where(rng.random(v) < 0.5, rng.integers(1, 300, v) * 1e-5, np.nan), whole(k, v, -1),
    )  # fmt: skip
    d = draw(st.integers(0, 10))
    px, py, pin = some(rng, d), some(rng, d), whole(k, d, -1)
    under = (pin >= 0) & (rng.random(d) < 0.6)  # most pads lie under their pin
    if k:
        px, py = np.where(under, pins.x[pin], px), np.where(under, pins.y[pin], py)
    pads = Pads(
        whole(len(nets), d), whole(count, d), px, py, [form(rng, a, b) for a, b in zip(px, py, strict=True)],
        whole(v, d, -1), pin,
    )  # fmt: skip
    a = draw(st.integers(0, 5))
    areas = Areas(whole(len(nets), a), whole(count, a), [polygon(rng) for _ in range(a)])
    outline = shapely.box(-0.1, -0.1, 0.1, 0.1)
    if draw(st.booleans()):
        outline = shapely.MultiPolygon(
            [outline.difference(shapely.box(0.05, 0.05, 0.06, 0.07)), shapely.box(1, 1, 2, 2)]
        )
    masks = [Mask(*rng.uniform(1e-5, 5e-5, 1), rng.uniform(1, 5), 0.01) if draw(st.booleans()) else None for _ in "ab"]
    classes = {net: str(rng.choice(["ground", "power", "clk"])) for net in nets[1:] if rng.random() < 0.5}
    ohms = {net: float(rng.choice([50.0, 37.5, 1 / 3 * 100])) for net in nets[1:] if rng.random() < 0.5}
    return Board(
        name=draw(names), source="", layers=layers, dielectrics=sheets, nets=nets, outline=outline, traces=traces,
        vias=vias, pads=pads, areas=areas, parts=parts, pins=pins, mask_top=masks[0], mask_bottom=masks[1],
        net_classes=classes, impedances=ohms,
    )  # fmt: skip


@given(boards())
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_board_comes_back(board: Board) -> None:
    """Rows of all tables in any order, links that no inference would find, names of any characters, any floats."""
    if not (len(board.traces) or len(board.areas) or len(board.pads) or len(board.vias) or len(board.parts)):
        return  # nothing on it: the reader rightly refuses it
    back = there_and_back(board)
    assert differences(board, back) == []
    assert (back.assumptions, back.unread, back.problems) == ((), (), ())


@pytest.mark.parametrize(
    "folder",
    [
        "ipc2581-6layer-rev-a",
        "ipc2581-4layer-panel-rev-b",
        "ipc2581-18layer-outer-only-rev-c",
        "ipc2581-2layer-handwritten",
    ],
)
def test_sample_boards_come_back(sample: Callable[[str], Path], folder: str) -> None:
    """And a second time: the file written from what was read is the same file, byte by byte."""
    board = read_board(sample(folder))
    back = there_and_back(board)
    assert differences(board, back) == []
    assert (back.assumptions, back.unread) == ((), ())
    with tempfile.TemporaryDirectory() as name:
        for k, one in enumerate((board, back)):
            write_ipc2581(one, Path(name) / f"{k}.xml")
        assert (Path(name) / "0.xml").read_bytes() == (Path(name) / "1.xml").read_bytes()


# ---- numbers -------------------------------------------------------------------------------------


@given(st.floats(-10, 10))
def test_lengths_are_exact(value: float) -> None:
    assert MILLIMETER.metres(mm(value)) == value


def test_round_lengths_are_short() -> None:
    assert [mm(x) for x in (1e-4, 0.0254, 35e-6, 0.0, -1.25e-3)] == ["0.1", "25.4", "0.035", "0.0", "-1.25"]


@given(st.floats(-50, 50).filter(lambda a: a == 0 or abs(a) > 1e-20), st.booleans())
def test_turns_are_exact(value: float, mirrored: bool) -> None:
    text, turns = degrees(value, mirrored=mirrored)
    assert radians_of(text, mirrored, turns) == value
    assert 0 <= float(text) <= 360


# ---- files ---------------------------------------------------------------------------------------


def plain_board(**changes: object) -> Board:
    board = Board(
        name="plain",
        source="",
        layers=(Layer("TOP", 35e-6, "signal"), Layer("BOT", 35e-6, "plane")),
        dielectrics=(Dielectric(1.5e-3, 4.3, 0.02),),
        nets=("", "A"),
        outline=shapely.box(0, 0, 0.05, 0.03),
        traces=Traces([1], [0], [1e-3], [1e-3], [9e-3], [1e-3], [math.nan], [math.nan], [0], [2e-4]),
    )
    return dataclasses.replace(board, **changes)  # type: ignore[arg-type]


def test_packed_files_are_packed_and_the_same_each_time(tmp_path: Path) -> None:
    board = plain_board()
    for name in ("a.xml.gz", "b.xml.gz", "c.xml"):
        write_ipc2581(board, tmp_path / name)
    assert (tmp_path / "a.xml.gz").read_bytes() == (tmp_path / "b.xml.gz").read_bytes()
    assert (tmp_path / "a.xml.gz").stat().st_size < (tmp_path / "c.xml").stat().st_size / 2
    assert differences(board, read_board(tmp_path / "a.xml.gz")) == []


def test_an_old_file_stays_until_the_new_one_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "board.xml"
    path.write_text("old")
    with pytest.raises(CallError, match="found a character that an IPC-2581 file cannot hold"):
        write_ipc2581(plain_board(nets=("", "A\x00")), path)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]
    write_ipc2581(plain_board(), path)
    assert path.read_text().startswith("<?xml")


TWO_PINS = {
    "parts": Parts(["U1"], [""], [""], [0], [0.0], [0.0], [0.0]),
    "pins": Pins([0, 0], ["1", "1"], [0, 1], [0.0, 1e-3], [0.0, 0.0], [0, 0]),
}


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"nets": ("", "No Net")}, "net 'No Net': this name means 'no net' in IPC-2581 files"),
        ({"layers": (Layer("L", 1e-5), Layer("L", 1e-5))}, "two layers have the same name"),
        (TWO_PINS, "pin U1.1: two pins of this name have different nets"),
    ],
)
def test_boards_that_the_format_cannot_hold(tmp_path: Path, changes: dict[str, object], sentence: str) -> None:
    with pytest.raises(CallError, match=sentence):
        write_ipc2581(plain_board(**changes), tmp_path / "board.xml")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_missing(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="there is no folder"):
        write_ipc2581(plain_board(), tmp_path / "nowhere" / "board.xml")


def test_a_trace_of_no_length_comes_back_as_a_dot() -> None:
    board = plain_board()
    dot = board.traces.replace(x1=board.traces.x0, y1=board.traces.y0)
    back = there_and_back(dataclasses.replace(board, traces=dot))
    assert (len(back.traces), len(back.areas)) == (0, 1)
    assert back.areas.shape[0].area == pytest.approx(math.pi * 1e-8, rel=3e-2)
