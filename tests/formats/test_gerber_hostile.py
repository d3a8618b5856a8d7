"""Layer files made to exhaust or to mislead: each is refused with one sentence or read with a note, quickly."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietcopper.errors import OutOfRange, ReadError
from quietcopper.formats.gerber.graphics import GerberImage
from quietcopper.formats.gerber.parser import read_image
from quietcopper.formats.gerber.shapes import copper

HEAD = "%FSLAX26Y26*%%MOMM*%"
DISC = HEAD + "%ADD10C,1*%D10*"
DRAW = "X0Y0D03*M02*"


def read(text: str | bytes) -> GerberImage:
    return read_image(text if isinstance(text, bytes) else text.encode(), "bad.gbr")


DEEP_BLOCKS = "".join(f"%ABD{i + 1}*%D{i}*X0Y0D03*X1000Y0D03*%AB*%" for i in range(100, 160))
SQUARES = "".join(f"${i}=${i - 1}x${i - 1}*" for i in range(2, 20))
BOMB_SUM = "+".join(["1"] * 2000)

REFUSED = {
    "a step and repeat of 10^9": (
        DISC + "%SRX1000000000Y1I0.1J0*%X0Y0D03*%SR*%M02*",
        r"bad.gbr:1: found a step and repeat of 1000000000 x 1 copies of 1 objects; expected a layer of a board",
    ),
    "the same, never closed": (
        DISC + "%SRX100000Y100000I0.1J0*%X0Y0D03*M02*",
        "100000 x 100000 copies of 1 objects",
    ),
    "blocks that double sixty times": (
        DISC.replace("D10*", "") + "%ABD100*%D10*X0Y0D03*%AB*%" + DEEP_BLOCKS + "D160*" + DRAW,
        "more than 1000000 graphical objects",
    ),
    "blocks in blocks": (DISC + "".join(f"%ABD{i}*%" for i in range(100, 200)), "blocks nested more than 32 deep"),
    "step and repeat of contours": (
        DISC + "%SRX900000Y1I0.1J0*%G36*X0Y0D02*" + "X1Y1D01*X2Y0D01*" * 20 + "G37*%SR*%M02*",
        "contours of more than 8000000 corners",
    ),
    "a sum of 2000 terms": (
        HEAD + f"%AMB*1,1,{BOMB_SUM},0,0*%%ADD10B*%D10*" + DRAW,
        "an expression of more than 1000 terms, at line 1 in macro B",
    ),
    "a thousand brackets": (
        HEAD + f"%AMB*1,1,{'(' * 1000}1{')' * 1000},0,0*%%ADD10B*%D10*" + DRAW,
        "an expression nested more than 50 deep",
    ),
    "a thousand signs": (
        HEAD + f"%AMB*1,1,{'-' * 1000}1,0,0*%%ADD10B*%D10*" + DRAW,
        "an expression nested more than 50 deep",
    ),
    "values that overflow": (
        HEAD + f"%AMB*{SQUARES}1,1,$19,0,0*%%ADD10B,99999*%D10*" + DRAW,
        "an expression without a finite value",
    ),
    "a division by zero": (HEAD + "%AMB*1,1,1/$2,0,0*%%ADD10B,1*%D10*" + DRAW, "a division by zero in macro B"),
    "a macro of many primitives used often": (
        HEAD + "%AMB*" + "1,1,$1+$2+$3+$4,0,0*" * 4000 + "%" + "".join(f"%ADD{i}B*%" for i in range(10, 400)) + DRAW,
        "uses of macros with more than 2000000 steps together",
    ),
    "a macro of too many primitives": (
        HEAD + "%AMB*" + "1,1,1,0,0*" * 6000 + "%%ADD10B*%D10*" + DRAW,
        "a macro of more than 5000 statements",
    ),
    "an outline that announces a billion corners": (
        HEAD + "%AMB*4,1,1000000000,0,0,1,0,1,1,0,0,0*%%ADD10B*%D10*" + DRAW,
        r"an outline that announces 1e\+09 corners and gives 3",
    ),
    "a target of a billion rings": (
        HEAD + "%AMB*6,0,0,1,0,0,1000000000,0.1,1,0*%%ADD10B*%D10*" + DRAW,
        r"a moiré target of 1e\+09 rings",
    ),
    "a polygon of a billion corners": (
        HEAD + "%ADD10P,1X1000000000*%D10*" + DRAW,
        r"a polygon of 1e\+09 corners",
    ),
    "an aperture as large as a house": (HEAD + "%ADD10C,1e5*%D10*" + DRAW, r"a size of 100000; expected a definition"),
    "an aperture without a size": (HEAD + "%ADD10C,nan*%D10*" + DRAW, "'nan' where a number belongs"),
    "an aperture of endless size": (HEAD + "%ADD10C,1e999*%D10*" + DRAW, "'1e999', which is beyond any size"),
    "an aperture of negative size": (HEAD + "%ADD10R,1X-1*%D10*" + DRAW, "a size of -1"),
    "a template that is not there": (HEAD + "%ADD10NONE*%D10*" + DRAW, "the template 'NONE', which is neither"),
    "more apertures than any layer has": (
        HEAD + "".join(f"%ADD{i}C,1*%" for i in range(10, 100_020)) + DRAW,
        "more than 100000 apertures",
    ),
    "coordinates far away": (
        DISC + "X999999999999999Y0D03*M02*",
        "1 objects further than 100 m from the origin; expected a board; check the format statement",
    ),
    "coordinates of twenty digits": (DISC + "X12345678901234567890Y0D03*M02*", "a coordinate of 20 digits"),
    "a step of endless length": (
        DISC + f"%SRX2Y1I{'9' * 20}J0*%X0Y0D03*%SR*%M02*",
        "1 objects further than 100 m",
    ),
    "a scale of nothing": (DISC + "%LS0*%" + DRAW, "the scale 'LS0'"),
    "a rotation that is no number": (DISC + "%LRnan*%" + DRAW, "the rotation 'LRnan'"),
    "a polarity that is none": (DISC + "%LPX*%" + DRAW, "the polarity 'LPX'; expected LPD or LPC"),
    "a mirror that is none": (DISC + "%LMZ*%" + DRAW, "the mirror setting 'LMZ'"),
    "a unit that is none": (HEAD + "%MOFT*%", "the unit 'MOFT'; expected MOMM or MOIN"),
    "a format that is none": ("%FSLAX2*%", "the format statement 'FSLAX2'"),
    "a step and repeat that is none": (DISC + "%SRXaY1*%", "the step and repeat 'SRXaY1'"),
    "an aperture definition that is none": (HEAD + "%ADDC,1*%", "the aperture definition 'ADDC,1'"),
    "a block without a number": (HEAD + "%ABX*%", "the command 'ABX'; expected one such as ABD12"),
    "the end of no block": (HEAD + "%AB*%", "the end of an aperture block that was never opened"),
    "a block that never ends": (DISC + "%ABD99*%X0Y0D03*M02*", "an aperture block that is never closed"),
    "half a coordinate": (DISC + "X1Y--3D03*M02*", "the command 'X1Y--3D03'; expected codes and numbers"),
    "a scaled-up move": (DISC + "G10X1Y1D01*M02*", "code G10 in 'G10X1Y1D01'; expected G01, G02 or G03"),
    "an image scale of nothing": (HEAD + "%SFA0B1*%" + DRAW, "the scale factor A0B1"),
    "an image turned by one degree": (HEAD + "%IR1*%" + DRAW, "'1' where 0 or 90 or 180 or 270 belongs"),
    "arcs scaled unevenly": (
        DISC + "%SFA1B2*%G75*G03*X0Y0D02*X1000000Y1000000I1000000J0D01*M02*",
        "arcs under a scale factor that differs in x and y",
    ),
    "too many attributes at once": (
        DISC + "".join(f"%TOa{i},1*%" for i in range(100)) + DRAW,
        "more than 64 attributes in force at once",
    ),
    "too many macros": (HEAD + "".join(f"%AMm{i}*1,1,1,0,0*%" for i in range(10_010)), "10000 aperture macros"),
    "apertures in a list elsewhere": (
        HEAD + "D10*X0Y0D03*X5D01*M02*",
        r"bad.gbr: found 2 operations with apertures that are nowhere defined; expected aperture definitions \(%AD\)",
    ),
    "nothing at all": ("", r"bad.gbr: found 0 Gerber commands and nothing drawn; expected a Gerber layer file"),
    "a letter": ("Dear board house,\nplease find enclosed the board.\n", "0 Gerber commands and nothing drawn"),
    "bytes": (bytes(range(256)) * 40, "found"),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_refused_in_one_sentence_and_quickly(name: str) -> None:
    text, sentence = REFUSED[name]
    began = time.process_time()
    with pytest.raises(ReadError, match=sentence) as found:
        read(text)
    assert "\n" not in str(found.value)
    assert len(str(found.value)) < 300
    assert time.process_time() - began < 5  # processor time; most take less than a second


NOTED = {
    "Windows line ends": (DISC.replace("*", "*\r\n") + "X0Y0D03*\r\nM02*\r\n", ""),
    "old Macintosh line ends": (DISC.replace("*", "*\r") + "X0Y0D03*\rM02*\r", ""),
    "lower case": ((DISC + DRAW).lower(), ""),
    "a mark of the byte order": (b"\xef\xbb\xbf" + (DISC + DRAW).encode(), ""),
    "zero bytes at the end": ((DISC + DRAW).encode() + b"\0\0\x1a", ""),
    "spaces": (HEAD + "%ADD10C , 1 *% D10 * X 0 Y 0 D03 * M02 *", ""),
    "no percent signs": ((DISC + DRAW).replace("%", ""), ""),
    "an end without an asterisk": (DISC + "X0Y0D03*M02", "Commands that do not end with an asterisk: 1"),
    "no end": (DISC + "X0Y0D03*", "(M02) is missing"),
    "an unknown command": (DISC + "%ZZTOP*%" + DRAW, "unknown command"),
    "text before the header": ("Layer 1 of my board*" + DISC + DRAW, "unknown command"),
    "an unknown G code": (DISC + "G99*" + DRAW, "unknown G code"),
    "an unknown M code": (DISC + "M99*" + DRAW, "unknown M code"),
    "D04": (DISC + "D04*" + DRAW, "code D04"),
    "an unused aperture that makes no sense": (HEAD + "%ADD11C,-1*%%ADD10C,1*%D10*" + DRAW, "never used"),
    "an unused macro that makes no sense": (HEAD + "%AMB*1,1*%%ADD10C,1*%D10*" + DRAW, ""),
    "a decimal point in coordinates": (DISC + "X0.0Y0D03*M02*", "Coordinates with a decimal point"),
    "the unit behind the first aperture": ("%FSLAX26Y26*%%ADD10C,1*%%MOMM*%D10*" + DRAW, "stated after it is first"),
    "a square by one size": (HEAD + "%ADD10R,1*%D10*" + DRAW, "defined by one size"),
    "two units": (DISC + "X0Y0D03*%MOIN*%M02*", "Changes of the unit"),
    "two formats": (DISC + "%FSLAX25Y25*%" + DRAW, "Format statements that differ"),
    "a flash inside a region": (DISC + "X0Y0D03*G36*X0Y0D03*G37*M02*", "flash inside a region statement"),
    "a region that is never closed": (DISC + "X0Y0D03*G36*X0Y0D02*X9D01*Y9D01*M02*", "Regions that are never closed"),
    "G37 alone": (DISC + "G37*" + DRAW, "G37 without a G36"),
    "an open contour": (DISC + "X0Y0D03*G36*X0Y0D02*X9D01*Y9D01*G37*M02*", "Contours that are not closed"),
    "a contour of two corners": (DISC + "X0Y0D03*G36*X0Y0D02*X9D01*X0D01*G37*M02*", "fewer than three corners"),
    "an aperture that is not defined": (DISC + "X0Y0D03*D77*X9D03*M02*", "Aperture D77 is used and never defined"),
    "an arc without G74 or G75": (DISC + "X0Y0D03*G03X0Y0I9J0D01*M02*", "neither G74 nor G75"),
    "an arc round its own end": (DISC + "X0Y0D03*G75*G03X5Y0I0J0D01*M02*", "Arcs round their own end"),
    "an arc off its centre": (DISC + "X0Y0D03*G75*G03X5000000Y0I100J0D01*M02*", "different distances from their"),
    "coordinates alone": (DISC + "X0Y0D03*X5Y5*M02*", "Coordinates without an operation code"),
    "a stroke with an oval": (DISC + "X0Y0D03*%ADD11O,2X1*%D11*X5D01*M02*", "Strokes with aperture template O"),
    "a file attribute twice": ("%TF.A,1*%%TF.A,2*%" + DISC + DRAW, "given again with another value"),
    "an attribute without a name": (DISC + "%TO*%" + DRAW, "attribute without a name"),
    "a primitive that is none": (HEAD + "%AMB*1,1,1,0,0*99,1*%%ADD10B*%D10*" + DRAW, "'99' is no primitive"),
    "a comment behind a line number": (HEAD + "N10G04 X is a letter*%ADD10C,1*%D10*" + DRAW, ""),
    "another file included": (DISC + "%IFother.gbr*%" + DRAW, "Command IF (inclusion of another file)"),
    "a macro used inside itself": (HEAD + "%AMB*1,1,1,0,0*B*%%ADD10B*%D10*" + DRAW, "'B' is no primitive 1"),
    "more after the end": (DISC + DRAW + "hello", "characters after the end of the file"),
    "a figure that is no digit": (HEAD + "%AM²*²,1,1*²²,1*%%ADD10C,1*%D10*" + DRAW, "'²' is no primitive 1"),
    "IC": (DISC + "%ICAS*%" + DRAW, "command IC"),
}  # fmt: skip


@pytest.mark.parametrize("name", NOTED)
def test_read_with_a_note(name: str) -> None:
    text, note = NOTED[name]
    image = read(text)
    assert len(image.objects) >= 1
    assert (image.objects.x0[0], image.objects.y0[0], image.apertures[-1].number >= 10) == (0, 0, True)
    notes = " ".join([*image.problems, *(f"{u.what} {u.count} {u.where}" for u in image.unread)])
    if note:
        assert note in notes
    else:
        assert not notes


def test_counts_and_first_lines_are_told() -> None:
    image = read(DISC + "\nX0Y0D03*\n%ZZ*%\nG99*\n%YY*%\nX1Y1*\nX2Y2*\nM02*\n")
    assert [(u.what, u.count, u.where) for u in image.unread] == [
        ("unknown command", 2, "line 3"),
        ("unknown G code", 1, "line 4"),
    ]
    assert image.problems == (
        "Coordinates without an operation code that are not in a row of draws: 2 (the first at line 6).",
    )
    assert image.objects.line.tolist() == [2, 6, 7]


@pytest.mark.parametrize(
    ("sizes", "unit", "why"),
    [
        ("0.004", "inch", "0.004 mm, which nobody makes"),
        ("0.3", "mm", "0.3 inch, which is too coarse"),
        ("0.1", "inch", "old files"),
    ],
)
def test_a_missing_unit_is_assumed_aloud(sizes: str, unit: str, why: str) -> None:
    image = read(f"%FSLAX23Y23*%%ADD10C,{sizes}*%D10*X1000Y0D03*M02*")
    (assumed,) = image.assumptions
    assert (image.unit, assumed.value) == (unit, unit)
    assert why in assumed.why


@pytest.mark.parametrize(
    "text",
    [
        HEAD + "X1" * 2_000_000,
        HEAD + "%" * 1_000_000,
        HEAD + " " * 5_000_000 + "*",
        HEAD + "a b " * 1_000_000,
        HEAD + "G0" * 1_000_000,
        HEAD + "%AM" * 500_000,
        HEAD + "G04 " * 1_000_000,
        HEAD + "%ADD10C," + "1X" * 1_000_000 + "*%",
        HEAD + "%TO.N," + "a," * 1_000_000 + "*%",
        HEAD + "%FSLA" + "N2" * 500_000 + "*%",
        HEAD + "(" * 1_000_000 + "*",
        HEAD + "*\n" * 1_000_000,
        HEAD + "ZZ*" * 1_000_000,
        HEAD + "D99*D03*" * 200_000,
        DISC + "".join(f"%TO.N,n{i}*%D03*" for i in range(100_000)),
        DISC + "".join(f"%LR{i}.5*%D03*" for i in range(100_000)),
        DISC + "G36*" + "D02*X1D01*Y1D01*X0Y0D01*" * 100_000 + "G37*",
        DISC + "G75*G36*" + "G03*X0Y0I90000000D01*" * 2_000 + "G37*",
    ],
    ids=range(18),
)  # fmt: skip
def test_long_lines_and_many_of_a_kind_take_no_time(text: str) -> None:
    began = time.process_time()
    with contextlib.suppress(ReadError):
        read(text)
    assert time.process_time() - began < 20  # alone below 3 s; a quadratic reader would take minutes


def test_a_million_flashes_hold_less_than_a_gigabyte() -> None:
    """Just inside the bound on objects, in a process of its own; getrusage would begin with its parent's."""
    code = (
        "import re\n"
        "from quietcopper.formats.gerber.parser import read_image\n"
        "text = b'%FSLAX26Y26*%%MOMM*%%ADD10C,1*%D10*%SRX1000Y999I0.1J0.1*%X0Y0D03*%SR*%M02*'\n"
        "assert len(read_image(text, 'x').objects) == 999000\n"
        "print(re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1])\n"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert int(found.stdout) < 1_000_000  # kB


WORDS = st.sampled_from(
    [
        "%FSLAX26Y26*%", "%FSTIX24Y24*%", "%MOMM*%", "%MOIN*%", "G70*", "%ADD10C,0.5*%", "%ADD11R,1X2X0.5*%",
        "%ADD12P,2X5X30*%", "%AMM*21,1,$1,$2-2x$3,0,0,30*$4=($1+1)/2*1,0,$4,0,0*%", "%ADD13M,1X2X0.1*%",
        "%ADD14O,1X2X0.1X0.2*%",
        "D10*", "D11*", "D12*", "D13*", "D20*", "D21*", "G01*", "G02*", "G03*", "G74*", "G75*", "G36*", "G37*", "G91*",
        "X1000000Y0D02*", "X0Y1000000D01*", "X500000Y500000I250000J0D01*", "X0Y0D03*", "D03*", "D01*", "D02*", "X7*",
        "%LPC*%", "%LPD*%", "%LR30*%", "%LMXY*%", "%LS0.5*%", "%SRX3Y2I1J1*%", "%SR*%", "%ABD20*%", "%ABD21*%", "%AB*%",
        "%TO.N,GND*%", "%TA.AperFunction,ViaPad*%", "%TD*%", "G04 #@! TO.P,U1,1*", "%IPNEG*%", "%IR90*%", "%MIA1*%",
        "%SFA2*%", "%OFA1*%", "M02*", "%", "*", "\n",
    ]
)  # fmt: skip


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.one_of(WORDS, st.text(alphabet="GDXYIJM0123456789.*%-+,$()/x\n ", max_size=8)), max_size=40))
def test_words_in_any_order_make_an_image_or_one_sentence(words: list[str]) -> None:
    text = DISC + "".join(words)
    try:
        shape = copper(read(text))
    except (ReadError, OutOfRange):
        return
    assert shape.is_valid
    assert np.isfinite(shape.area)
