"""Drivers from IBIS models: figures of an ideal stage, two ways to one resistance, and their way to nets."""

from __future__ import annotations

import math
import os
from pathlib import Path

import numpy as np
import pytest

from quietcopper.build import chip, small_board, soic
from quietcopper.electrical.drivers import net_drivers
from quietcopper.electrical.outputs import edge_time, output_of
from quietcopper.electrical.part_models import part_models
from quietcopper.electrical.roles import net_roles
from quietcopper.electrical.settings import NetSettings, PartSettings, Settings, load_settings
from quietcopper.electrical.settings_text import settings_text
from quietcopper.electrical.spans import excess_range, extreme
from quietcopper.electrical.view import View
from quietcopper.errors import ReadError, SettingsError
from quietcopper.formats.ibis import parse_ibis, read_ibis
from quietcopper.formats.ibis.model import Waveform

HEAD = "[IBIS Ver] 4.2\n[Component] {name}\n[Pin] signal_name model_name\n{pins}\n"
STAGE = """\
[Model] {name}
Model_type {kind}
[Voltage Range] 3.3 3.0 3.6
[Pulldown]
-3.3  {a}
0     0 0 0
3.3   {b}
6.6   {b}
[Pullup]
-3.3  {b}
0     0 0 0
3.3   {a}
6.6   {a}
[Ramp]
dV/dt_r {r}
dV/dt_f {f}
"""


def stage(
    name="BUF", kind="Output", ohms=(25.0, 50.0, 20.0), rise="1.32/0.6n 1.0/1.2n 1.5/0.3n", fall="1.32/0.9n NA NA"
):
    """A buffer whose both stages are resistors, typ, min, max."""
    a, b = (" ".join(f"{sign * 3.3 / r:.9g}" for r in ohms) for sign in (-1, 1))
    return STAGE.format(name=name, kind=kind, a=a, b=b, r=rise, f=fall)


def figures(text: str, name: str = "BUF"):
    return output_of(parse_ibis(("[IBIS Ver] 4.2\n" + text).encode(), "x.ibs").models[name])


def test_a_stage_of_resistors_gives_its_resistance_and_its_supply() -> None:
    """Exact: a resistor's curve crosses every load line at its own resistance."""
    out = figures(stage())
    assert out.source == pytest.approx((25.0, 50.0, 20.0))
    assert out.swing == pytest.approx((3.3, 3.0, 3.6))


def test_the_faster_ramp_counts_as_a_straight_edge() -> None:
    """20 to 80 % is 0.6 of a straight edge and 10 to 90 % 0.8, exact; a corner that is NA takes the typical one."""
    assert figures(stage()).rise == pytest.approx((0.8e-9, 1.6e-9, 0.4e-9))
    assert figures(stage(kind="Open_drain")).rise == pytest.approx((1.2e-9, 1.2e-9, 1.2e-9))


def test_a_waveform_goes_before_the_ramp() -> None:
    """A rising edge into a load at the lower rail; one that starts at the upper rail is the stage letting go."""
    slow = "\n".join(
        f"{t}n {v} {v} {v}" for t, v in ((0, 0.0), (1, 0.0), (2, 0.5), (3, 1.0), (4, 1.5), (5, 2.0), (6, 2.0))
    )
    fast = "\n".join(f"{t}n {v} {v} {v}" for t, v in ((0, 2.0), (0.1, 2.1), (0.2, 2.5), (0.3, 3.0), (0.4, 3.3)))
    text = stage() + f"[Rising Waveform]\nR_fixture = 50\nV_fixture = 0\n{slow}\n"
    text += f"[Rising Waveform]\nR_fixture = 50\nV_fixture = 3.3\n{fast}\n"
    assert figures(text).rise[0] == pytest.approx(3.2e-9)  # 0.8 of the 4 ns ramp


def test_edge_time_of_an_exponential() -> None:
    """ln 9 time constants, exact; 400 points leave less than 1e-3."""
    t = np.linspace(0, 20e-9, 400)
    v = 1 - np.exp(-t / 1e-9)
    wave = Waveform(t, np.column_stack([v, v, np.full(400, np.nan)]), 50.0, (0.0, 0.0, 0.0))
    assert edge_time(wave, 0) == pytest.approx(math.log(9) * 1e-9, rel=2e-3)
    assert math.isnan(edge_time(wave, 2))


def test_ramp_and_tables_of_a_public_model_agree() -> None:
    """Two independent parts of one file: the loaded swing of [Ramp], dV/0.6, is supply·50/(50 + R).

    Public sample file of 2015 for a 3.3 V part, outputs of 2, 4 and 10 mA; within 6 % (the ramp is rounded and both
    edges differ).
    """
    beside = Path(__file__).resolve().parents[3] / "shared" / "boards"
    path = Path(os.environ.get("QUIETCOPPER_BOARDS", beside)) / "ibis-samples" / "pybis" / "sample1.ibs"
    if not path.is_file():
        pytest.skip("no IBIS samples beside the checkout: set QUIETCOPPER_BOARDS")
    models = read_ibis(path).models
    for name in ("BPOZ2F", "BPS2P10F_PU50K"):
        model, out = models[name], output_of(models[name])
        loaded = max(model.rise[0][0], model.fall[0][0]) / 0.6
        assert out.source[0] == pytest.approx(50 * (3.3 / loaded - 1), rel=0.06)


def test_an_emitter_coupled_output_swings_what_its_ramp_shows() -> None:
    """Invented: both states leave the supply by 0.9 and 1.7 V into 50 ohm to 2 V below it: 0.8 V. Its resistance is
    the chord of the table, 8 ohm, and the swing without load is larger by (50 + 8)/50."""
    text = """[Model] BUF
Model_type Output_ECL
[Voltage Range] 5 NA NA
[Pullup]
0    0      NA NA
0.724 0     NA NA
1.324 -0.075 NA NA
[Pulldown]
0    0      NA NA
[Ramp]
dV/dt_r 0.48/0.3n NA NA
dV/dt_f 0.48/0.4n NA NA
"""
    out = figures(text)
    assert out.source[0] == pytest.approx(8.0, rel=1e-6)
    assert out.swing[0] == pytest.approx(0.8 * 58 / 50)
    assert out.rise[0] == pytest.approx(0.4e-9)


# --- on a board ----------------------------------------------------------------------------------------------------


def board(value: str = "", resistor: str = ""):
    """CLK from U1.1 (through R1 on a second net) to U2, both at 3.3 V."""
    b = small_board(layers=4, ground=(2,))
    far = "CLK_R" if resistor else "CLK"
    b.part("U1", soic(8), (12, 15), nets=("CLK", "D0", "", "", "", "", "GND", "+3V3"), value=value)
    b.part("U2", soic(8), (38, 15), nets=(far, "D0", "", "", "", "", "GND", "+3V3"), value=value)
    b.part("C1", chip("0402"), (25, 3), nets=("+3V3", "GND"), value="100n")
    if resistor:
        b.part("R1", chip("0402"), (16, 12), nets=("CLK", far), value=resistor)
    return b.build()


@pytest.fixture
def named(tmp_path):
    """Settings of a file in a folder with u1.ibs: pins 1 (output) and 2 (either way)."""
    pins = "1 CLK BUF\n2 D0 BOTH"
    text = HEAD.format(name="SENDER", pins=pins) + stage() + stage("BOTH", "I/O", (100.0, 200.0, 50.0))
    (tmp_path / "u1.ibs").write_text(text)

    def named(corner: str = "typ", **more) -> Settings:
        return Settings(parts={"U1": PartSettings("u1.ibs", corner=corner)}, path=str(tmp_path / "s.toml"), **more)

    return named


def drivers_of(made, settings):
    return dict(zip(made.nets, net_drivers(made, net_roles(made, settings), settings), strict=True))


def test_a_model_settles_swing_edge_and_source(named) -> None:
    driver = drivers_of(board(), named())["CLK"]
    assert (driver.kind, driver.rise, driver.source) == ("clock", pytest.approx(0.8e-9), pytest.approx(25.0))
    assert driver.assumed == ("rate",)
    assert driver.span == (
        ("swing", 3.0, 3.6),
        ("rise", pytest.approx(1.6e-9), pytest.approx(0.4e-9)),
        ("source", pytest.approx(50.0), pytest.approx(20.0)),
    )
    assert "u1.ibs: BUF at U1.1" in driver.reason
    assert "which also listens" in drivers_of(board(), named())["D0"].reason


def test_corner_and_settings_go_over_the_typical_figure(named) -> None:
    assert drivers_of(board(), named("max"))["CLK"].source == pytest.approx(20.0)
    said = named(nets={"CLK": NetSettings(rise=3e-9)})
    driver = drivers_of(board(), said)["CLK"]
    assert (driver.rise, driver.source) == (3e-9, pytest.approx(25.0))
    assert [figure for figure, _, _ in driver.span] == ["swing", "source"]


def test_a_series_resistor_adds_to_the_model(named) -> None:
    driver = drivers_of(board(resistor="33"), named())["CLK_R"]
    assert driver.source == pytest.approx(58.0)
    assert ("source", pytest.approx(83.0), pytest.approx(53.0)) in driver.span


def test_the_extremes_span_what_is_assumed(named) -> None:
    driver = drivers_of(board(), named())["CLK"]
    assert extreme(driver, loudest=True).rise == pytest.approx(0.4e-9)
    assert extreme(driver, loudest=False).rate == driver.rate / 2
    assert excess_range(driver, lambda d: 20 * math.log10(1e-9 / d.rise)) == (
        pytest.approx(20 * math.log10(1 / 1.6)),
        pytest.approx(20 * math.log10(1 / 0.4)),
    )
    known = extreme(driver, True).__class__("clock", 1.0, 1e-9, 50.0, 1e6, "")
    assert excess_range(known, lambda d: 0.0) is None


def test_what_does_not_fit_is_told(named, tmp_path) -> None:
    (tmp_path / "two.ibs").write_text(HEAD.format(name="A", pins="1 x NC") + "[Component] B\n[Pin] a b\n1 x NC\n")
    assert part_models(board(), named()).problems == ("u1.ibs: component 'SENDER' has no pin 7, 8 of U1",)
    for part, message in (
        (PartSettings("two.ibs"), "name the component; .* has 2: A, B"),
        (PartSettings("u1.ibs", "SENDR"), "no component 'SENDR'; did you mean 'SENDER'"),
    ):
        with pytest.raises(SettingsError, match=message):
            part_models(board(), Settings(parts={"U1": part}, path=str(tmp_path / "s.toml")))
    with pytest.raises(ReadError, match="cannot be read"):
        part_models(board(), Settings(parts={"U1": PartSettings("no.ibs")}, path=str(tmp_path / "s.toml")))


def test_the_settings_file_names_models_and_keeps_them(tmp_path) -> None:
    text = HEAD.format(name="SENDER", pins="1 CLK PICK") + "[Model Selector] PICK\nBUF strong\nLOW weak\n" + stage()
    (tmp_path / "u1.ibs").write_text(text + stage("LOW", ohms=(60.0, 80.0, 50.0)))
    said = '[parts."U1"]\nibis = "u1.ibs"\ncorner = "max"\nmodels = { PICK = "LOW" }\n'
    (tmp_path / "s.toml").write_text(said)
    loaded = load_settings(tmp_path / "s.toml")
    assert drivers_of(board(), loaded)["CLK"].source == pytest.approx(50.0)
    (tmp_path / "again.toml").write_text(settings_text(View(board(), loaded)))
    assert load_settings(tmp_path / "again.toml").parts == loaded.parts
    (tmp_path / "s.toml").write_text(said.replace('"LOW"', '"HIGH"'))
    with pytest.raises(SettingsError, match=r"'PICK' chooses 'HIGH'; .* offers BUF, LOW"):
        part_models(board(), load_settings(tmp_path / "s.toml"))
    (tmp_path / "s.toml").write_text('[parts."U1"]\ncorner = "typ"\n')
    with pytest.raises(SettingsError, match="found no ibis"):
        load_settings(tmp_path / "s.toml")


@pytest.mark.parametrize(
    ("value", "swing"), [("100E116", 0.8), ("MC10EP89", 3.3), ("MC100EP116", 0.8), ("74LVC125", 3.3)]
)
def test_emitter_coupled_parts_do_not_swing_like_cmos(value: str, swing: float) -> None:
    driver = drivers_of(board(value), Settings())["CLK"]
    assert driver.swing == swing
    assert ("emitter-coupled logic as U1 and U2 look" in driver.reason) == (swing == 0.8)
