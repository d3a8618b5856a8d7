"""Real sets against what their files say on a plain look, and against what is known of them."""

from __future__ import annotations

import os
import re
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from quietcopper.board import Board
from quietcopper.errors import ReadError
from quietcopper.formats import read_board

BOARDS = Path(os.environ.get("QUIETCOPPER_BOARDS", Path(__file__).parents[3] / "shared" / "boards"))
ATTRIBUTED = ("gerber-2layer-small", "gerber-2layer-usb-d356-evt2", "gerber-4layer-fpga-revC0", "gerber-4layer-radio",
              "gerber-4layer-interposer", "gerber-4layer-blind-vias-d356")  # fmt: skip
TEN = "gerber-10layer-plain-d356"
LARGEST = ("gerber-6layer-scope-rev52", "gerber-6layer-ddr-computer", TEN)
COPPER = re.compile(r"(?:%|#@! )TF\.FileFunction,Copper")


@pytest.fixture(scope="module")
def sample() -> Callable[[str], Path]:
    def find(name: str) -> Path:
        if not (BOARDS / name).exists():
            pytest.skip(f"sample board {name} is not beside the checkout nor at QUIETCOPPER_BOARDS")
        return BOARDS / name

    return find


@pytest.fixture(scope="module")
def timed(sample: Callable[[str], Path]) -> Callable[[str], tuple[Board, float]]:
    """Boards read once each, with the processor's seconds."""
    known: dict[str, tuple[Board, float]] = {}

    def reader(name: str) -> tuple[Board, float]:
        path = sample(name)
        if name not in known:
            began = time.process_time()
            known[name] = read_board(path), time.process_time() - began
        return known[name]

    return reader


@pytest.fixture(scope="module")
def read(timed: Callable[[str], tuple[Board, float]]) -> Callable[[str], Board]:
    return lambda name: timed(name)[0]


def copper_texts(folder: Path) -> list[str]:
    texts = [p.read_text(encoding="utf-8", errors="replace") for p in sorted(folder.iterdir()) if p.suffix != ".drl"]
    return [text for text in texts if COPPER.search(text)]


def places(text: str) -> int:
    """Lines of a drill file that drill or cut something."""
    body = text.partition("\n%")[2]
    cut = len(re.findall(r"^G01X", body, re.MULTILINE))
    return cut + len(re.findall(r"^X[-\d.]+Y[-\d.]+(?:G85.*)?$", body, re.MULTILINE))


@pytest.mark.parametrize("name", ATTRIBUTED)
def test_nets_pins_and_parts_are_those_that_the_attributes_name(
    read: Callable[[str], Board], sample: Callable[[str], Path], name: str
) -> None:
    board, texts = read(name), copper_texts(sample(name))
    named = {m for text in texts for m in re.findall(r"TO\.N,([^*]*)\*", text)} - {"", "N/C"}
    assert set(board.nets) - {""} == named
    pins = {tuple(m.split(",")[:2]) for text in texts for m in re.findall(r"TO\.P,([^*]*)\*", text)}
    pins = {(ref, pin) for ref, pin in pins if pin}  # tabs of a part that are no pin have an empty name
    found = {tuple(board.pin_label(i).split(".", 1)) for i in range(len(board.pins))}
    assert pins <= found
    assert {ref for ref, _ in pins} <= set(board.parts.ref)


@pytest.mark.parametrize("name", [*ATTRIBUTED, *LARGEST[:2], "gerber-4layer-fpga-revC2"])
def test_every_drilled_place_is_a_hole(read: Callable[[str], Board], sample: Callable[[str], Path], name: str) -> None:
    drills = [p.read_text(encoding="utf-8", errors="replace") for p in sample(name).glob("*.drl")]
    assert len(read(name).vias) == sum(places(text) for text in drills)


@pytest.mark.parametrize("name", ATTRIBUTED)
def test_each_plated_hole_has_its_pads(read: Callable[[str], Board], name: str) -> None:
    board = read(name)
    plated = np.flatnonzero(board.vias.plated)
    held = np.bincount(board.pads.via[board.pads.via >= 0], minlength=len(board.vias))[plated]
    assert (held >= 2).mean() > 0.99 if len(plated) else True
    assert (board.vias.net[plated] > 0).all()


@pytest.mark.parametrize("name", ["gerber-4layer-fpga-revC0", "gerber-4layer-radio"])
def test_nets_rebuilt_from_copper_divide_it_as_the_names_do(
    read: Callable[[str], Board], sample: Callable[[str], Path], tmp_path: Path, name: str
) -> None:
    """The same files without their net attributes: every rebuilt net is one named net, and the other way round."""
    for path in sample(name).iterdir():
        if path.is_file():
            text = path.read_bytes()
            (tmp_path / path.name).write_bytes(re.sub(rb"(?:%|G04 #@! )TO\.N,[^*]*\*%?", b"", text))
    plain, named = read_board(tmp_path), read(name)
    assert not set(plain.nets) & set(named.nets) - {""}
    key = [list(zip(b.pads.layer.tolist(), b.pads.x.tolist(), b.pads.y.tolist(), strict=True)) for b in (plain, named)]
    of = dict(zip(key[1], named.pads.net.tolist(), strict=True))
    forward, backward = defaultdict(set), defaultdict(set)
    for where, net in zip(key[0], plain.pads.net.tolist(), strict=True):
        other = of[where]
        if net and other:
            forward[net].add(other)
            backward[other].add(net)
    assert all(len(members) == 1 for members in forward.values())
    split = sum(len(members) > 1 for members in backward.values())
    assert split == 0
    assert len(forward) > 0.6 * (len(named.nets) - 1)  # the rest are lone pads, which are no nets without a name


@pytest.mark.parametrize(
    ("name", "shift"),
    [
        ("gerber-4layer-blind-vias-d356", (17.05, -26.55)),
        ("gerber-2layer-usb-d356-evt2", (25.0, -80.0)),
        ("gerber-2layer-usb-d356-evt3", (25.0, -80.0)),
    ],
)
def test_the_netlists_origin_is_found(read: Callable[[str], Board], name: str, shift: tuple[float, float]) -> None:
    told = next(a for a in read(name).assumptions if a.what.startswith("origin of"))
    assert [float(v) for v in str(told.value).split(",")] == pytest.approx(shift, abs=0.03)
    assert "100 % of its holes" in told.why


def test_blind_and_buried_spans(read: Callable[[str], Board]) -> None:
    vias = read("gerber-4layer-blind-vias-d356").vias
    spans = sorted(zip(vias.first.tolist(), vias.last.tolist(), strict=True))
    assert {span: spans.count(span) for span in set(spans)} == {(0, 1): 29, (1, 2): 53, (2, 3): 167}


def test_ten_plain_layers_with_a_netlist(read: Callable[[str], Board], sample: Callable[[str], Path]) -> None:
    board = read(TEN)
    assert (len(board.layers), len(board.nets) - 1) == (10, 640)
    assert "MPCIE_CLKREQ3_B" in board.net_index  # an alias in the records
    assert len(board.parts) == 881
    # 1873 vias and 94 pin holes from the drill file, nine slots from the route file
    assert int(board.vias.plated.sum()) == 1873 + 94 + 9
    records = re.findall(
        r"^3[12]7SD3_CLK {7}   (\S+) *-(\S+)", next(sample(TEN).glob("*.ipc")).read_text(), re.MULTILINE
    )
    assert len(records) >= 2
    clock = np.flatnonzero(board.pins.net == board.net_index["SD3_CLK"])
    assert {board.pin_label(i) for i in clock} == {f"{ref}.{pin}" for ref, pin in records if ref != "VIA"}


def test_the_scopes_stackup_from_its_job_file(read: Callable[[str], Board]) -> None:
    board = read("gerber-6layer-scope-rev52")
    assert [d.er for d in board.dielectrics] == [3.23, 3.66, 4.5, 3.66, 3.23]
    assert [round(d.thickness * 1e3, 4) for d in board.dielectrics] == [0.1107, 0.1016, 0.9256, 0.1107, 0.1]
    assert [layer.name for layer in board.layers][1:3] == ["Int1 (GND)", "Int2 (Sign)"]
    assert not [a for a in board.assumptions if "dielectric constant between" in a.what]


def test_pours_drawn_as_strokes_are_areas(read: Callable[[str], Board]) -> None:
    """22 600 strokes of one layer are the edge of its regions, which with the pours between vias of ball grids are two
    pieces of copper; hatched pours are few areas; traces are left."""
    ddr = read("gerber-6layer-ddr-computer")
    assert int((ddr.traces.layer == 1).sum()) < 500
    assert int((ddr.areas.layer == 1).sum()) == 2
    plain = read("gerber-4layer-plain-stroked-pours")
    assert np.bincount(plain.areas.layer).tolist()[1:3] == [1, 1]
    assert 0.9 < plain.areas.shape[plain.areas.layer == 1][0].area / plain.outline.area < 1


@pytest.mark.parametrize("name", LARGEST)
def test_the_largest_sets_are_read_in_time(timed: Callable[[str], tuple[Board, float]], name: str) -> None:
    """Under 20 s each on two shared cores is what is promised; here the processor's own time counts."""
    assert timed(name)[1] < 20


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("gerber-odd-no-unit", "copper layers whose order nothing states (gnd.grb, pow.grb, pow3.grb)"),
        ("gerber-odd-negative-plane-thermals", "2 files that claim to be layer 1 (bpB.GP1, dsp.GP1)"),
        ("gerber-odd-macros", "6 layer files and nothing that says which they are"),
    ],
)
def test_folders_that_need_an_answer(sample: Callable[[str], Path], name: str, words: str) -> None:
    with pytest.raises(ReadError, match=r"\[files\]") as caught:
        read_board(sample(name))
    assert words in str(caught.value)


def test_an_answer_makes_a_board_of_them(sample: Callable[[str], Path]) -> None:
    answers = {"bpB.GP1": "Copper,L1,Top", "dsp.GP1": "Copper,L2,Bot"}
    board = read_board(sample("gerber-odd-negative-plane-thermals"), files=answers)
    assert [layer.name for layer in board.layers] == ["bpB", "dsp"]
