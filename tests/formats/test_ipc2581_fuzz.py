"""Files damaged at random: a board that holds together, or one sentence; never another error, never a long wait."""

from __future__ import annotations

import importlib.util
import re
import tempfile
from pathlib import Path

import numpy as np
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietcopper.board import Board
from quietcopper.errors import ReadError
from quietcopper.formats import read_board

_spec = importlib.util.spec_from_file_location("ipc2581_text", Path(__file__).with_name("ipc2581_text.py"))
assert _spec is not None
assert _spec.loader is not None
ipc = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(ipc)

STACK = """<PadStackDef name="VIA"><PadstackHoleDef name="VIA" diameter="0.3" platingStatus="VIA" x="0" y="0"/>
<PadstackPadDef layerRef="TOP" padUse="REGULAR"><Location x="0" y="0"/><Circle diameter="0.6"/></PadstackPadDef>
<PadstackPadDef layerRef="BOT" padUse="ANTIPAD"><Location x="0" y="0"/><Circle diameter="1.1"/></PadstackPadDef>
</PadStackDef><PadStack net="A"><LayerHole name="V" diameter="0.3" platingStatus="VIA" x="20" y="20">
<Span fromLayer="TOP" toLayer="BOT"/></LayerHole><LayerPad layerRef="TOP"><Xform rotation="90"/>
<Location x="20" y="20"/><StandardPrimitiveRef id="RECT"/></LayerPad></PadStack>"""
USER = """<DictionaryUser units="MILLIMETER"><EntryUser id="U"><UserSpecial><Location x="1" y="0"/>
<Arc startX="1" startY="0" endX="0" endY="1" centerX="0" centerY="0"><LineDesc lineEnd="ROUND" lineWidth="0.1"/></Arc>
<Donut shape="ROUND" outerDiameter="2" innerDiameter="1"/></UserSpecial></EntryUser></DictionaryUser>"""
USED = ipc.feature('<UserPrimitiveRef id="U"/>', '<Location x="45" y="15"/>')
NETS = """<LogicalNet name="A" netClass="GROUND"><PinRef componentRef="U1" pin="1"/></LogicalNet><PhyNetGroup>
<PhyNet name="A"><PhyNetPoint x="7" y="7" layerRef="TOP" via="TRUE"/></PhyNet></PhyNetGroup>"""
CURVE = """<Polyline><PolyBegin x="10" y="10"/><PolyStepSegment x="12" y="10"/>
<PolyStepCurve x="13" y="11" centerX="12" centerY="11" clockwise="false"/><LineDesc lineEnd="ROUND" lineWidth="0.2"/>
</Polyline>"""
PLANE = f"<Contour>{ipc.rectangle(2, 2, 40, 25)}{ipc.rectangle(5, 5, 8, 8, 'Cutout')}</Contour>"
SLOT = """<SlotCavity name="S" platingStatus="PLATED"><Location x="30" y="9"/>
<Oval width="3" height="1"/></SlotCavity>"""
RICH = ipc.ipc2581(
    STACK
    + ipc.PACKAGE
    + ipc.part("U1", 10, 10, 'rotation="90" mirror="true"', "BOT")
    + NETS
    + ipc.on_top(ipc.feature(CURVE) + ipc.feature(PLANE) + USED)
    + ipc.on_top(ipc.feature('<Circle diameter="3"/>', '<Location x="20" y="10"/>'), 'polarity="NEGATIVE"')
    + ipc.on_top('<Pad padstackDefRef="VIA"><Location x="7" y="7"/></Pad><SpecRef id="FR4"/>')
    + ipc.pads_of("U1", [(10, 9), (11, 12)], "BOT")
    + ipc.hole(7, 7)
    + ipc.on_top(SLOT, "", "DRILL"),
    content=ipc.PAD_DICTIONARY + USER,
    more_cad='<Step name="panel"><StepRepeat stepRef="board" nx="2" ny="3"/></Step>',
    bom='<Bom><BomItem><RefDes name="U1" populate="true"/><Characteristics/></BomItem></Bom>',
)
TAGS = re.findall(r"<[^>]+>", RICH)
VALUES = sorted(set(re.findall(r'="([^"]*)"', RICH)))
HOSTILE = ["", " ", "NaN", "-inf", "1e308", "-1", "0", "9" * 40, "1e-320", "TRUE", "TOP", "A", "½", "1,5", "U", "board"]


def check(content: bytes) -> Board | None:
    """Reads it; a board that comes out is consistent in itself."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "board.xml"
        path.write_bytes(content)
        try:
            board, message = read_board(path), ""
        except ReadError as error:
            board, message = None, str(error)
        assert board is not None or message.startswith(str(path))
    if board is None:
        return None
    for table in (board.pads, board.areas):
        assert shapely.is_valid(table.shape).all()
        assert np.isfinite(shapely.get_coordinates(table.shape)).all()
    assert (shapely.get_type_id(board.areas.shape) == 3).all()
    assert (board.pads.via < len(board.vias)).all()
    assert (board.pads.pin < len(board.pins)).all()
    assert (board.vias.pin < len(board.pins)).all()
    assert (board.traces.width > 0).all()
    assert all(sheet.thickness > 0 and sheet.er >= 1 for sheet in board.dielectrics)
    return board


quick = settings(max_examples=150, deadline=5000, suppress_health_check=[HealthCheck.too_slow])


def test_the_file_to_damage_is_whole() -> None:
    """Every table has rows, or damaging it would show little."""
    board = check(RICH.encode())
    assert board is not None
    assert board.problems == ()
    assert min(len(t) for t in (board.traces, board.vias, board.pads, board.areas, board.parts, board.pins)) > 0


@quick
@given(st.lists(st.tuples(st.integers(0, len(VALUES) - 1), st.sampled_from(HOSTILE)), min_size=1, max_size=3))
def test_values_exchanged(changes: list[tuple[int, str]]) -> None:
    content = RICH
    for index, value in changes:
        content = content.replace(f'="{VALUES[index]}"', f'="{value}"')
    check(content.encode())


@quick
@given(st.lists(st.tuples(st.integers(0, len(TAGS) - 1), st.integers(0, len(TAGS) - 1)), min_size=1, max_size=3))
def test_elements_exchanged(changes: list[tuple[int, int]]) -> None:
    """Empty elements put in place of others: well-formed, but nothing is where it should be."""
    tags = list(TAGS)
    for into, source in changes:
        if tags[into].endswith("/>"):
            tags[into] = re.sub(r"\s*/?>$", "/>", TAGS[source]) if not TAGS[source].startswith(("</", "<?")) else ""
    check("".join(tags).encode())


@quick
@given(st.lists(st.tuples(st.integers(0, len(TAGS) - 1), st.sampled_from(["drop", "twice", "rename"])), max_size=3))
def test_elements_dropped_doubled_renamed(changes: list[tuple[int, str]]) -> None:
    tags = list(TAGS)
    for index, change in changes:
        if change == "drop":
            tags[index] = ""
        elif change == "twice":
            tags[index] *= 2
        else:
            tags[index] = re.sub(r"^(</?)\w+", r"\1Set", tags[index])
    check("".join(tags).encode())


@quick
@given(st.lists(st.tuples(st.integers(0, len(RICH) - 1), st.binary(max_size=4)), min_size=1, max_size=4))
def test_bytes_overwritten(changes: list[tuple[int, bytes]]) -> None:
    content = bytearray(RICH.encode())
    for index, piece in changes:
        content[index : index + len(piece)] = piece
    check(bytes(content))


@quick
@given(st.integers(0, len(RICH)))
def test_cut_anywhere(length: int) -> None:
    assert check(RICH.encode()[:length]) is None or length == len(RICH)


@quick
@given(st.binary(max_size=300))
def test_any_bytes(content: bytes) -> None:
    assert check(content) is None
    assert check(b"<IPC-2581>" + content) is None
