"""IBIS files: every keyword taken over, both orders of a table, damage told by line, and anything at all survived."""

from __future__ import annotations

import contextlib
import math
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcopper.errors import ReadError
from quietcopper.formats.ibis import parse_ibis, read_ibis

PART = """\
[IBIS Ver]   5.0
[Comment Char]  #_char
[File Name]  part.ibs     # invented
[Component]  SENDER
[Manufacturer] Nobody
[Package]
R_pkg  10m 5m 20m
[Pin] signal_name model_name R_pin L_pin C_pin
1   CLK   STRONG   10m 2nH 0.5pF
2   DATA  CHOICE
3   VCC   POWER
4   GND   GND
[Model Selector] CHOICE
WEAK    two milliamperes
STRONG  eight milliamperes
[Model]  STRONG
Model_type  Output
Vmeas = 1.5V
C_comp   3.0pF  2.0pF  4.0pF
[Voltage Range]  3.3V 3.0V 3.6V
[Pulldown]
0.0   0      0      0
1.0   40mA   30mA   50mA
3.3   80mA   60mA   100mA
[Pullup]
3.3   -80mA  -60mA  -100mA
1.0   -40mA  -30mA  -50mA
0.0   0      0      0
[GND Clamp]
-1.0  -10mA  NA  NA
0.0   0      NA  NA
[Ramp]
dV/dt_r  1.2/0.60n  1.0/0.9n  1.4/0.4n
dV/dt_f  1.2/0.75n  NA        1.4/0.5n
R_load = 50
[Rising Waveform]
R_fixture = 50
V_fixture = 0.0
V_fixture_min = 0.0
0.0n  0.0  0.0  0.0
0.5n  0.1  NA   0.2
1.0n  1.0  0.5  1.5
1.5n  1.9  1.5  2.4
2.0n  2.0  1.8  2.5
[Model]  WEAK
Model_type  I/O
[Voltage Range]  3.3V NA NA
[Submodel]  SOMETHING
[Pulldown]
0.0 0 0 0
1.0 9 9 9
[End]
not read any more
"""


def parsed(text: str = PART):
    return parse_ibis(text.encode(), "part.ibs")


def test_what_is_taken_over() -> None:
    ibis = parsed()
    assert ibis.version == "5.0"
    assert dict(ibis.components["SENDER"].pins) == {
        "1": ("CLK", "STRONG"),
        "2": ("DATA", "CHOICE"),
        "3": ("VCC", "POWER"),
        "4": ("GND", "GND"),
    }
    assert ibis.selectors["CHOICE"] == (("WEAK", "two milliamperes"), ("STRONG", "eight milliamperes"))
    strong = ibis.models["STRONG"]
    assert (strong.kind, strong.drives, strong.receives) == ("output", True, False)
    assert strong.c_comp == pytest.approx((3e-12, 2e-12, 4e-12))
    assert strong.supply == (3.3, 3.0, 3.6)
    assert strong.rise[1] == pytest.approx((0.6e-9, 0.9e-9, 0.4e-9))
    assert math.isnan(strong.fall[0][1])
    assert strong.pulldown[:, 1] == pytest.approx([0, 0.04, 0.08])
    assert strong.pullup[:, 0] == pytest.approx([0, 1.0, 3.3])  # turned round
    (wave,) = strong.rising
    assert (wave.resistance, wave.voltage[0]) == (50.0, 0.0)
    assert wave.time[-1] == pytest.approx(2e-9)
    assert math.isnan(wave.volts[1, 1])


def test_a_submodel_puts_nothing_into_the_model_before_it() -> None:
    assert parsed().models["WEAK"].pulldown is None
    assert parsed().skipped["['submodel']"] == 1


def test_keywords_are_read_in_any_case_and_with_underscores() -> None:
    text = PART.replace("[Voltage Range]", "[voltage_RANGE]").replace("[IBIS Ver]", "[ibis_ver]")
    assert parsed(text).models["STRONG"].supply == (3.3, 3.0, 3.6)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("[IBIS Ver]   5.0", "[IBIS Ver]   five", "part.ibs:1: found version 'five'; expected one such as 5.0"),
        ("[IBIS Ver]   5.0", "hello", "part.ibs:1: found 'hello'; expected \\[IBIS Ver\\]"),
        ("1.0   40mA", "1.0   forty", "part.ibs:23: found 'forty' where a figure should stand"),
        ("1.2/0.60n", "1.2", "part.ibs:33: found the slope '1.2'; expected volts over seconds"),
        ("1.2/0.60n", "1.2/0", "part.ibs:33: found the slope '1.2/0'"),
        ("1.0   40mA", "9.0   40mA", "part.ibs:21: found a table whose voltages go up and down"),
        ("0.5n  0.1", "5.5n  0.1", "part.ibs:36: found a waveform whose times do not rise"),
        ("[Model]  WEAK", "[Model]  STRONG", "part.ibs:45: found model 'STRONG' a second time"),
        ("[Component]  SENDER", "[Component]", "part.ibs:4: found a component without a name"),
        ("R_load = 50", "R_load = 0", "part.ibs:35: found R_load '0'; expected more than 0 ohm"),
        ("3.3V 3.0V", "1e99V 3.0V", "part.ibs:20: found the figure '1e99V'"),
        ("1.0   40mA", "1.0" + " 1" * 3000, "part.ibs:23: found a line of 60"),
    ],
)  # fmt: skip
def test_damage_is_told_by_its_line(old: str, new: str, message: str) -> None:
    assert old in PART
    with pytest.raises(ReadError, match=message):
        parsed(PART.replace(old, new, 1))


def test_files_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="cannot be read"):
        read_ibis(tmp_path / "absent.ibs")
    with pytest.raises(ReadError, match=r"no \[IBIS Ver\]"):
        parse_ibis(b"\n| nothing\n", "x.ibs")


@given(st.lists(st.sampled_from(PART.splitlines()), max_size=40), st.binary(max_size=60))
@settings(max_examples=150, deadline=None)
def test_any_lines_are_read_or_refused(lines: list[str], tail: bytes) -> None:
    data = b"[IBIS Ver] 4.2\n" + "\n".join(lines).encode() + b"\n" + tail
    with contextlib.suppress(ReadError):
        assert parse_ibis(data, "x.ibs").version in ("4.2", "5.0")


def test_public_samples() -> None:
    """Every public sample beside the checkout is read; one's resistances agree with its own ramps (see below)."""
    beside = Path(__file__).resolve().parents[3] / "shared" / "boards"
    folder = Path(os.environ.get("QUIETCOPPER_BOARDS", beside)) / "ibis-samples"
    if not folder.is_dir():
        pytest.skip("no IBIS samples beside the checkout: set QUIETCOPPER_BOARDS")
    files = sorted(folder.rglob("*.ibs"))
    read = [read_ibis(path) for path in files]
    assert len(read) == 19
    assert sum(len(ibis.models) for ibis in read) > 40
