"""Damaged and hostile files: each refused with its sentence, or read with a note of what was left out."""

from __future__ import annotations

import gzip
import importlib.util
import io
import re
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from quietcopper.board import Board
from quietcopper.errors import ReadError
from quietcopper.formats import archive, read_board

_spec = importlib.util.spec_from_file_location("ipc2581_text", Path(__file__).with_name("ipc2581_text.py"))
assert _spec is not None
assert _spec.loader is not None
ipc = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(ipc)

GOOD = ipc.ipc2581()
BOMB = (
    '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True))
    + "]>"
)


def line(**attributes: str) -> str:
    """A stroke on copper with some attributes other than they should be."""
    good = {"startX": "5", "startY": "5", "endX": "15", "endY": "5", **attributes}
    width = good.pop("lineWidth", "0.2")
    text = " ".join(f'{k}="{v}"' for k, v in good.items() if v != "absent")
    return ipc.on_top(ipc.feature(f'<Line {text}><LineDesc lineEnd="ROUND" lineWidth="{width}"/></Line>'))


def polygon(point: str) -> str:
    return ipc.on_top(ipc.feature(f'<Contour><Polygon><PolyBegin x="0" y="0"/>\n{point}</Polygon></Contour>'))


def pad(shape: str, place: str = '<Location x="5" y="5"/>') -> str:
    return ipc.on_top(f"<Pad>{place}{shape}</Pad>")


def entry(shape: str) -> str:
    return f'<DictionaryStandard units="MILLIMETER"><EntryStandard id="P">{shape}</EntryStandard></DictionaryStandard>'


USED = pad('<StandardPrimitiveRef id="P"/>')
GROUPS = "".join(  # each of 25 groups names the next one ten times: 10^25 sheets
    f'<StackupGroup name="G{i}">' + f'<StackupLayer layerOrGroupRef="G{i + 1}" thickness="0"/>' * 10 + "</StackupGroup>"
    for i in range(25)
)
DEEP = "<A>" * 100 + "</A>" * 100
FILE = ipc.ipc2581

REFUSED: dict[str, tuple[str | bytes, str]] = {
    # --- what is no board file at all
    "empty": ("", "found an empty file"),
    "blank": ("   \n", "found a file of an unknown kind; expected an IPC-2581 file"),
    "text": ("hello", "found a file of an unknown kind"),
    "binary": (b"\x00\x01\x02" * 50, "found a binary file of an unknown kind"),
    "another XML": ("<html><body/></html>", "found an XML file that does not begin with <IPC-2581>"),
    "IPC-2581 inside another root": (
        f"<wrap>{GOOD.split('?>')[1]}</wrap>",
        r":1: found <wrap> first; expected <IPC-2581>",
    ),
    "root named inside out": ("<Content><IPC-2581/></Content>", r":1: found <Content> first; expected <IPC-2581>"),
    "Gerber": ("%FSLAX46Y46*%\n%MOMM*%\nM02*\n", "found copper layers on which nothing is drawn"),
    # --- broken XML
    "cut in the middle": (GOOD[: len(GOOD) // 2], r":\d+: found XML that breaks off in <\w+> \((no element|unclosed)"),
    "cut inside a tag": (GOOD[: GOOD.index("<Line ") + 12], r"breaks off in <Features> \(unclosed token\)"),
    "cut after the last set": (GOOD[: GOOD.index("</Step>")], r"breaks off in <Step> \(no element found\)"),
    "mismatched tag": (GOOD.replace("</Features>", "</Feature>"), r"breaks off in <Features> \(mismatched tag\)"),
    "attribute twice": (GOOD.replace('startX="5"', 'startX="5" startX="6"'), "duplicate attribute"),
    "bare ampersand": (GOOD.replace('net="A"', 'net="A & B"'), "not well-formed"),
    "control character": (GOOD.replace('net="A"', 'net="A\x01"'), "not well-formed"),
    "two roots": (GOOD + "<IPC-2581/>", "junk after document element"),
    "unknown encoding": (GOOD.replace("UTF-8", "KLINGON"), "unknown encoding"),
    "bytes that are no UTF-8": (GOOD.encode().replace(b'net="A"', b'net="\xff\xfe"'), "not well-formed"),
    "undefined entity": (GOOD.replace('net="A"', 'net="&boom;"'), "undefined entity"),
    # --- document types
    "entity bomb": (
        FILE(before=BOMB).replace('net="A"', 'net="&i;"'),
        r":1: found a document type or entity declaration",
    ),
    "external entity": (
        FILE(before='<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>').replace('net="A"', 'net="&e;"'),
        "found a document type or entity declaration; expected plain XML",
    ),
    "plain document type": (FILE(before="<!DOCTYPE IPC-2581>"), "found a document type or entity declaration"),
    # --- without a layout
    "nothing inside": ("<IPC-2581/>", "found a file without a layout; expected a <Step> in <CadData>"),
    "parts list only": (FILE("", content='<FunctionMode mode="BOM"/>'), "found a file for parts lists only"),
    "no copper": (FILE("<Package name='P'/>"), r"board.xml:\d+: found a layout without any copper"),
    "copper not understood": (FILE(pad("<Moire/>")), r"without any copper, and not read: Pad: Moire \(1\)"),
    "no layers": (
        FILE(layers="", stackup=""),
        "found a layout without any copper, and not read: LayerFeature of a layer",
    ),
    "no copper layer": (
        FILE(ipc.PACKAGE + ipc.part("U1", 1, 1), layers=ipc.TWO_LAYERS.replace("SIGNAL", "DOCUMENT"), stackup=""),
        "found a file that declares no copper layer; expected a board's layout",
    ),
    # --- units
    "no units": (FILE(units=""), "found <CadHeader> without units; expected MILLIMETER or INCH or MICRON"),
    "unknown unit": (FILE(units='units="FURLONG"'), 'found units="FURLONG" in <CadHeader>'),
    "two units": (
        GOOD.replace("<CadData>", '<CadHeader units="INCH"/><CadData>'),
        "found a second <CadHeader> in INCH; expected one, in MILLIMETER",
    ),
    "step before units": (
        GOOD.replace("<CadHeader units", "<Nothing units").replace("</CadHeader>", "</Nothing>"),
        "found <Step> before any units",
    ),
    "unknown unit of a dictionary": (
        FILE(content='<DictionaryStandard units="EL"/>'),
        'found units="EL" in <DictionaryStandard>',
    ),
    # --- numbers
    "NaN": (FILE(line(startX="NaN")), 'found startX="NaN" in <Line>; expected a length in MILLIMETER below 10 m'),
    "infinity": (FILE(line(endY="-inf")), 'found endY="-inf" in <Line>'),
    "overflow": (FILE(line(endY="1e999")), 'found endY="1e999" in <Line>'),
    "ten metres and more": (FILE(line(endX="10001")), 'found endX="10001" in <Line>'),
    "a word": (FILE(line(startY="five")), 'found startY="five" in <Line>'),
    "decimal comma": (FILE(line(startY="1,5")), 'found startY="1,5" in <Line>'),
    "missing coordinate": (FILE(line(startY="absent")), "found no startY attribute in <Line>"),
    "negative width": (
        FILE(line(lineWidth="-0.2")),
        r'lineWidth="-0.2" in <LineDesc>; expected a length that is not neg',
    ),
    "NaN in a polygon": (
        FILE(polygon('<PolyStepSegment x="nan" y="1"/>')),
        r':\d+: found x="nan" in <PolyStepSegment>',
    ),
    "far point of a polygon": (FILE(polygon('<PolyStepSegment x="1" y="1e7"/>')), 'found y="1e7" in <PolyStepSegment>'),
    "point without y": (FILE(polygon('<PolyStepSegment x="1"/>')), "found no y attribute in <PolyStepSegment>"),
    "curve without centre": (FILE(polygon('<PolyStepCurve x="1" y="1"/>')), "no centerX attribute in <PolyStepCurve>"),
    "angle": (
        FILE(pad('<Circle diameter="1"/>', '<Xform rotation="up"/><Location x="1" y="1"/>')),
        'rotation="up" in <Xf',
    ),
    "angle beyond reason": (
        FILE(pad('<Circle diameter="1"/>', '<Xform rotation="1e9"/><Location x="1" y="1"/>')),
        "an angle in degrees",
    ),
    "scale": (FILE(pad('<Circle diameter="1"/>', '<Xform scale="0"/><Location x="1" y="1"/>')), 'found scale="0"'),
    "negative diameter": (FILE(USED, content=entry('<Circle diameter="-1"/>')), 'found diameter="-1" in <Circle>'),
    "missing size": (FILE(USED, content=entry('<RectCenter width="1"/>')), "found no height attribute in <RectCenter>"),
    "spokes": (
        FILE(
            USED, content=entry('<Thermal outerDiameter="2" innerDiameter="1" spokeCount="1000000" spokeWidth="0.1"/>')
        ),
        "found 1000000 spokes in <Thermal>; expected 0 to 36",
    ),
    "thickness": (FILE(stackup=ipc.STACKUP.replace("1.53", "thick")), 'found thickness="thick" in <StackupLayer>'),
    "negative thickness": (FILE(stackup=ipc.STACKUP.replace("1.53", "-1")), 'found thickness="-1" in <StackupLayer>'),
    "layer without name": (
        FILE(layers=ipc.TWO_LAYERS.replace('name="SILK"', "")),
        "found no name attribute in <Layer>",
    ),
    "net without name": (FILE("<LogicalNet/>" + ipc.TRACE), "found no name attribute in <LogicalNet>"),
    "pin reference without pin": (
        FILE(pad('<Circle diameter="1"/><PinRef componentRef="U1"/>')),
        "found no pin attribute in <PinRef>",
    ),
    "repeat of a word": (FILE(ipc.TRACE + '<StepRepeat stepRef="b" nx="lots"/>'), 'found nx="lots" in <StepRepeat>'),
    "negative repeat": (FILE(ipc.TRACE + '<StepRepeat stepRef="b" ny="-3"/>'), 'found ny="-3" in <StepRepeat>'),
    "repeat of many digits": (
        FILE(ipc.TRACE + f'<StepRepeat stepRef="b" nx="{"9" * 5000}"/>'),
        "expected a whole number",
    ),
    # --- nesting
    "deep elements": (FILE(DEEP + ipc.TRACE), "found elements nested more than 64 deep"),
    "deep elements on a layer that is passed over": (FILE(ipc.on_top(DEEP, "", "SILK")), "nested more than 64 deep"),
    "sheets that multiply": (
        FILE(stackup=f"<Stackup>{GROUPS}</Stackup>"),
        "found more than 1000 sheets in <StackupLayer>",
    ),
    "user primitives in a circle": (
        FILE(
            ipc.TRACE + pad('<UserPrimitiveRef id="U"/>'),
            content='<DictionaryUser units="MILLIMETER"><EntryUser id="U"><UserSpecial><UserPrimitiveRef id="U"/>'
            "</UserSpecial></EntryUser></DictionaryUser>",
        ),
        "primitives nested more than 8 deep",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_with_its_sentence(tmp_path: Path, name: str) -> None:
    """One sentence that names the file, the line where there is one, what was found and what was expected."""
    content, sentence = REFUSED[name]
    path = tmp_path / "board.xml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(ReadError) as caught:
        read_board(path)
    message = str(caught.value)
    assert re.search(sentence, message), message
    assert message.startswith(str(path))
    assert "\n" not in message


BOW = (
    '<Contour><Polygon><PolyBegin x="5" y="5"/><PolyStepSegment x="9" y="9"/><PolyStepSegment x="9" y="5"/>'
    '<PolyStepSegment x="5" y="9"/></Polygon></Contour>'
)
CROSSED = (
    '<Profile><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="50" y="30"/><PolyStepSegment x="50" y="0"/>'
    '<PolyStepSegment x="0" y="30"/></Polygon></Profile>'
)
MANY = "".join(f"<Contour>{ipc.rectangle(k, 0, k + 0.5, 1)}</Contour>" for k in range(9000))
TWICE = (  # nine thousand pieces, and the same again above them
    f'<DictionaryUser units="MICRON"><EntryUser id="U"><UserSpecial>{MANY}</UserSpecial></EntryUser>'
    '<EntryUser id="V"><UserSpecial><Location x="0" y="9"/><UserPrimitiveRef id="U"/></UserSpecial></EntryUser>'
    '<EntryUser id="W"><UserSpecial><UserPrimitiveRef id="U"/><UserPrimitiveRef id="V"/></UserSpecial></EntryUser>'
    "</DictionaryUser>"
)

READ_WITH_A_NOTE: dict[str, tuple[str, str]] = {
    "another namespace": (
        FILE(namespace='xmlns="http://example.org/board"'),
        "The file states the namespace http://example.org/board where IPC-2581 has http://webstds.ipc.org/2581",
    ),
    "no namespace": (FILE(namespace=""), "The file states no namespace where IPC-2581 has"),
    "unknown revision": (
        FILE(revision='revision="Z"'),
        "The file states revision Z of IPC-2581; it was read as B and C",
    ),
    "no revision": (FILE(revision=""), "The file states no revision of IPC-2581"),
    "missing stackup": (FILE(stackup=""), "The file has no stackup: thicknesses and materials are assumed."),
    "missing profile": (FILE(profile=""), "board outline"),
    "unusable profile": (FILE(profile="<Profile/>"), "The board outline at line 1[0-9]* is not usable"),
    "crossed profile": (FILE(profile=CROSSED), "crosses itself; it was mended"),
    "crossed contour": (
        FILE(ipc.TRACE + ipc.on_top(ipc.feature(BOW))),
        "Contours that cross or touch themselves, mended: 1",
    ),
    "contour of two points": (
        FILE(ipc.TRACE + polygon('<PolyStepSegment x="1" y="1"/>')),
        "Contour with fewer than three corners",
    ),
    "contour without area": (
        FILE(ipc.TRACE + polygon('<PolyStepSegment x="1" y="1"/><PolyStepSegment x="2" y="2"/>')),
        "Contour without area",
    ),
    "polyline of one point": (
        FILE(ipc.TRACE + ipc.on_top(ipc.feature(f'<Polyline><PolyBegin x="1" y="1"/>{ipc.ROUND}</Polyline>'))),
        "Polyline with fewer than two points",
    ),
    "zero-width trace": (FILE(ipc.TRACE + line(lineWidth="0")), "Line of no width on copper"),
    "hole of no diameter": (FILE(ipc.TRACE + ipc.hole(1, 1, diameter=0)), "Hole of no diameter"),
    "pad of no area": (FILE(ipc.TRACE + USED, content=entry('<Circle diameter="0"/>')), "Pad: Circle without area"),
    "primitive that no dictionary has": (FILE(ipc.TRACE + USED), "Pad: StandardPrimitiveRef that no dictionary has"),
    "dictionary entry twice": (
        FILE(content=entry('<Circle diameter="1"/>') + entry('<Circle diameter="2"/>')),
        "EntryStandard in DictionaryStandard",
    ),
    "user primitive of too many pieces": (
        FILE(ipc.TRACE + pad('<UserPrimitiveRef id="W"/>'), content=TWICE),
        "user primitive of more than 10000 pieces",
    ),
    "step and repeat of 10^7": (
        FILE(more_cad='<Step name="panel"><StepRepeat stepRef="board" nx="10000" ny="1000" dx="1" dy="1"/></Step>'),
        "panel repeats board 10,000,000 times; one board of it is reviewed.",
    ),
    "layer twice": (FILE(layers=ipc.TWO_LAYERS * 2), "Layer TOP is declared twice; the first declaration holds."),
    "stackup group in itself": (
        FILE(
            stackup='<Stackup><StackupGroup name="G"><StackupLayer layerOrGroupRef="TOP"/>'
            '<StackupLayer layerOrGroupRef="G"/></StackupGroup></Stackup>'
        ),
        "Stackup group G contains itself",
    ),
    "part of a package that is missing": (
        FILE(ipc.TRACE + ipc.part("U1", 1, 1)),
        "Component of a package that is not in the file",
    ),
    "pad on a silk screen": (FILE(ipc.TRACE + pad("").replace("TOP", "SILK")), "drawings on SILKSCREEN layers"),
    "hole on a layer that is no drill layer": (
        FILE(ipc.TRACE + ipc.hole(1, 1, layer="SILK")),
        "drawings on SILKSCREEN",
    ),
    "feature on a layer that is missing": (
        FILE(ipc.TRACE + line().replace("TOP", "GONE")),
        "LayerFeature of a layer that",
    ),
    "unknown element": (FILE("<Novelty/>" + ipc.TRACE), "Novelty in Step"),
}


@pytest.mark.parametrize("name", READ_WITH_A_NOTE)
def test_read_with_a_note_of_what_is_wrong(tmp_path: Path, name: str) -> None:
    content, note = READ_WITH_A_NOTE[name]
    path = tmp_path / "board.xml"
    path.write_text(content)
    board = read_board(path)
    said = [*board.problems, *(u.what for u in board.unread), *(a.what for a in board.assumptions)]
    assert any(re.search(note, sentence) for sentence in said), said
    assert len(board.traces) == 1


def test_the_tables_are_long_enough() -> None:
    assert len(REFUSED) + len(READ_WITH_A_NOTE) >= 80


# ---- archives ------------------------------------------------------------------------------------


def zipped(path: Path, members: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in members.items():
            packed.writestr(name, content)
    return path


def same(a: Board, b: Board) -> bool:
    return len(a.traces) == len(b.traces) and a.nets == b.nets and a.layers == b.layers


def test_plain_gz_and_zip_are_the_same_board(tmp_path: Path) -> None:
    """Told apart by what is in them, not by their names; a .gz inside a .zip as well."""
    plain = tmp_path / "board.xml"
    plain.write_text(GOOD)
    packed = gzip.compress(GOOD.encode())
    (tmp_path / "board.cvg").write_bytes(packed)
    names = [tmp_path / "board.cvg"]
    names.append(zipped(tmp_path / "a.zip", {"notes/readme.txt": b"hello", "data/board.xml": GOOD.encode()}))
    names.append(zipped(tmp_path / "b.zip", {"board.xml.gz": packed, "__MACOSX/._board.xml": b"\0\1"}))
    assert all(same(read_board(name), read_board(plain)) for name in names)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_other_encodings(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "board.xml"
    path.write_bytes(
        GOOD.replace("UTF-8", encoding.removesuffix("-sig")).replace('net="A"', 'net="Ä"').encode(encoding)
    )
    assert read_board(path).nets == ("", "Ä")


ESCAPES = ["../evil.xml", "/etc/evil.xml", "a/../../evil.xml", "..\\evil.xml", "C:\\evil.xml"]


@pytest.mark.parametrize("name", ESCAPES)
def test_zip_with_path_escape(tmp_path: Path, name: str) -> None:
    path = zipped(tmp_path / "board.zip", {name: GOOD.encode()})
    with pytest.raises(ReadError, match="found a name that points outside the archive; pack the board's files anew"):
        read_board(path)
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["board.zip"]


def test_damaged_archives(tmp_path: Path) -> None:
    packed = gzip.compress(GOOD.encode())
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive_file:
        archive_file.writestr("board.xml", GOOD * 20)
    whole = stream.getvalue()
    middle = whole[:200] + bytes(b ^ 0xFF for b in whole[200:260]) + whole[260:]
    cases = {
        "cut.gz": (packed[: len(packed) // 2], "found data that cannot be read after"),
        "wrong.gz": (
            packed[:40] + b"\xff" * 40 + packed[80:],
            "found (data that cannot be read after|a file that cannot be opened)",
        ),
        "cut.zip": (whole[: len(whole) // 2], "found a damaged zip archive"),
        "wrong.zip": (middle, "found (data that cannot be read after|a file that cannot be opened)"),
    }
    for name, (content, sentence) in cases.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(ReadError, match=sentence):
            read_board(tmp_path / name)


def test_zips_of_the_wrong_kind(tmp_path: Path) -> None:
    two = zipped(tmp_path / "two.zip", {"a.xml": GOOD.encode(), "b.xml": GOOD.encode()})
    with pytest.raises(
        ReadError, match=r"found 2 IPC-2581 files \(a.xml, b.xml\); expected one board; name one of them"
    ):
        read_board(two)
    with pytest.raises(ReadError, match="found a zip of 1 files, none of them board data"):
        read_board(zipped(tmp_path / "text.zip", {"a.txt": b"hello"}))
    with pytest.raises(ReadError, match="found a zip archive without files"):
        read_board(zipped(tmp_path / "empty.zip", {}))
    path = zipped(tmp_path / "secret.zip", {"a.xml": GOOD.encode()})
    content = bytearray(path.read_bytes())
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        content[content.index(mark) + offset] |= 1  # the flag of an encrypted member
    path.write_bytes(bytes(content))
    with pytest.raises(ReadError, match="found an encrypted member"):
        read_board(path)


def test_bombs_stop_at_their_bounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By ratio, by size, by number of members; the bounds are lowered here so that the test is quick."""
    bomb = tmp_path / "bomb.gz"
    bomb.write_bytes(gzip.compress(GOOD.encode() + b" " * (4 << 20)))
    monkeypatch.setattr(archive, "RATIO_FREE", 1 << 20)
    with pytest.raises(ReadError, match="found data that unpacks to more than 400 times its size"):
        read_board(bomb)
    monkeypatch.setattr(archive, "MAX_BYTES", 1000)
    with pytest.raises(ReadError, match="found more than 1000 bytes once unpacked"):
        read_board(bomb)
    with pytest.raises(ReadError, match=r"member 'a.xml': found \d+ bytes once unpacked; expected at most 1000"):
        read_board(zipped(tmp_path / "large.zip", {"a.xml": GOOD.encode()}))
    monkeypatch.setattr(archive, "MAX_MEMBERS", 3)
    with pytest.raises(ReadError, match="found 5 members; expected at most 3"):
        read_board(zipped(tmp_path / "many.zip", {f"{i}.txt": b"x" for i in range(5)}))


def test_paths_that_are_no_file(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match=r"nowhere.xml: found nothing at this path; check the name"):
        read_board(tmp_path / "nowhere.xml")
    with pytest.raises(ReadError, match="found a folder without files"):
        read_board(tmp_path)


def test_folder_with_one_board_file(tmp_path: Path) -> None:
    (tmp_path / "board.xml").write_text(GOOD)
    (tmp_path / "readme.txt").write_text("hello")
    assert read_board(tmp_path).name == "board"


def test_progress_is_told(tmp_path: Path) -> None:
    path = tmp_path / "board.xml"
    path.write_text(GOOD)
    told: list[tuple[str, int, int]] = []
    tell: Callable[[str, int, int], None] = lambda stage, done, total: told.append((stage, done, total))  # noqa: E731
    read_board(path, progress=tell)
    assert told == [("reading", len(GOOD), len(GOOD))]


def test_line_numbers_do_not_end_at_65535(tmp_path: Path) -> None:
    path = tmp_path / "board.xml"
    path.write_text(FILE("\n" * 100_000 + line(startX="NaN")))
    with pytest.raises(ReadError, match=r"board\.xml:1000\d\d: found startX"):
        read_board(path)
