"""The settings file: read, refused, applied, written, and read back."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietcopper.board import Assumption, Board
from quietcopper.build import BoardBuilder, chip, header, small_board, soic
from quietcopper.electrical.settings import (
    NetSettings,
    Settings,
    assumption_keys,
    load_settings,
    write_settings,
)
from quietcopper.electrical.settings_keys import SECTIONS
from quietcopper.electrical.settings_text import comment, quote, settings_text
from quietcopper.electrical.view import View
from quietcopper.errors import SettingsError

ALLOWANCES = [("trace-over-gap.noise_share", 0.05, "", "common practice, no source", "Share of the swing.")]
HOSTILE = [
    'a"b',
    "c\\d",
    "e\nf",
    "g]h=[i",
    "# j",
    "k'l",
    "m\tn",
    "ö µ Ω",
    "\u202eabc",
    "\u2028x",
    "\x7f",
    "=",
    "\U0001f600",
    ".",
]


def load(tmp_path: Path, text: str, **kwargs) -> Settings:
    path = tmp_path / "s.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return load_settings(path, **kwargs)


def builder(*more_nets: str) -> BoardBuilder:
    b = small_board(layers=4, ground=(2,))
    nets = ("CLK", "USB_D+", "USB_D-", "nRST", "N$1", "AIN0", "GND", "+3V3")
    b.part("U1", soic(8), (12, 15), nets=nets)
    b.part("U2", soic(8), (30, 15), nets=nets)
    b.part("C1", chip("0402"), (20, 22), nets=("+3V3", "GND"), value="100n")
    b.part("R1", chip("0402"), (24, 22), nets=("CLK", "N$2"), value="33")
    if more_nets:
        pins = len(more_nets)
        b.part("J1", header(pins, rows=1, pitch_mm=1.27, drill_mm=0.6, pad_mm=1.0), (40, 15), nets=more_nets)
    b.route("USB_D+", "U1.2", (20, 14), "U2.2")
    return b


# ---- reading ---------------------------------------------------------------------------------------------------------


def test_everything_a_file_may_say(tmp_path):
    s = load(
        tmp_path,
        """
        [review]
        title = "Review"
        distance_m = 10
        min_width_mm = 0.15
        etch = 0.2
        [nets."CLK"]
        rise_ps = 300
        clock_mhz = 25
        source_ohm = 40
        target_ohm = 50
        [nets]
        "VBUS" = { role = "supply", voltage_v = 5 }
        D0 = { data_mbps = 100, swing_v = 1.8 }
        "TX_P" = { pair_with = "TX_N" }
        [patterns]
        "DDR_*" = { kind = "data", rise_ps = 200 }
        [layers.1]
        thickness_um = 18
        [dielectrics.2]
        thickness_mm = 1.2
        er = 4.1
        material = "laminate"
        [mask.top]
        er = 3.8
        [connectors.J1]
        cable = true
        length_m = 1.5
        shielded = false
        [allowances]
        "trace-over-gap.noise_share" = 0.1
        [allowances.impedance]
        share = 0.15
        """,
    )
    assert (s.title, s.distance, s.min_width, s.etch, s.checked) == ("Review", 10.0, 0.15e-3, 0.2, True)
    assert s.nets["CLK"] == NetSettings(kind="clock", rise=300e-12, rate=25e6, source=40.0, target=50.0)
    assert s.nets["VBUS"] == NetSettings(role="supply", voltage=5.0)
    assert s.nets["D0"] == NetSettings(kind="data", rate=50e6, swing=1.8)
    assert s.nets["TX_P"].pair_with == "TX_N"
    assert s.patterns["DDR_*"].rise == 200e-12
    assert s.layers[1]["thickness"] == pytest.approx(18e-6)
    assert s.dielectrics[2] == {"thickness": pytest.approx(1.2e-3), "er": 4.1, "material": "laminate"}
    assert s.masks == {"top": {"er": 3.8}}
    assert s.connectors["J1"] == {"cable": True, "length": 1.5, "shielded": False}
    assert s.allowance("trace-over-gap.noise_share", 1.0) == 0.1
    assert s.allowance("impedance.share", 1.0) == 0.15
    assert s.allowance("other", 1.0) == 1.0
    assert s.path.endswith("s.toml")


def test_an_empty_file_changes_nothing(tmp_path):
    assert dataclasses.replace(load(tmp_path, ""), path="") == Settings()


def test_exact_names_go_over_longer_patterns_over_shorter():
    s = Settings(
        nets={"DDR_CK": NetSettings(kind="clock")},
        patterns={
            "DDR_C*": NetSettings(rise=1e-10, source=30.0),
            "*": NetSettings(kind="data", rise=5e-9, source=99.0, swing=1.0),
        },
    )
    said = s.for_net("DDR_CK")
    assert (said.kind, said.rise, said.source, said.swing) == ("clock", 1e-10, 30.0, 1.0)
    assert s.for_net("X") == NetSettings(kind="data", rise=5e-9, source=99.0, swing=1.0)
    assert Settings().for_net("X") == NetSettings()
    assert s.for_net("ddr_ck").kind == "data"  # names are exact


BAD = [
    ("[nets]\nCLK = {rise = 3}", "[nets.\"CLK\"]: unknown key 'rise'; give it as rise_ps"),
    ("[nets.CLK]\nrise_ns = 3", "unknown key 'rise_ns'; give it as rise_ps"),
    ("[nets.CLK]\nroll = 'ground'", "unknown key 'roll'; did you mean 'role'?; allowed are role, voltage_v"),
    (
        "[nets.CLK]\nrole = 'Ground'",
        'found \'Ground\', expected one of "ground", "supply", "signal"; did you mean \'ground\'?',
    ),
    ("[nets.CLK]\nrole = 3", "found 3, expected one of"),
    ("[nets.CLK]\nkind = 'fast'", 'expected one of "clock", "data", "slow", "none"'),
    ("[nets.CLK]\nrise_ps = '300'", "[nets.\"CLK\"] rise_ps: found '300', expected a number from 1 to"),
    ("[nets.CLK]\nrise_ps = true", "found true, expected a number"),
    ("[nets.CLK]\nrise_ps = -1", "found -1, expected a number from 1"),
    ("[nets.CLK]\nrise_ps = nan", "found nan, expected a number"),
    ("[nets.CLK]\nswing_v = inf", "found inf, expected a number"),
    ("[nets.CLK]\nsource_ohm = 0", "found 0, expected a number from 0.001"),
    ("[nets.CLK]\nclock_mhz = 25e6", "is the unit right?"),
    ("[nets.CLK]\nclock_mhz = 25\ndata_mbps = 50", "clock_mhz and data_mbps say the same thing"),
    ("[nets.CLK]\nkind = 'clock'\ndata_mbps = 50", 'data_mbps does not go with kind = "clock"'),
    ("[nets.CLK]\nkind = 'data'\nclock_mhz = 50", 'clock_mhz does not go with kind = "data"'),
    ("[nets]\nCLK = 3", '[nets."CLK"]: found 3, expected a section'),
    ("nets = 3", "[nets]: found 3, expected a section"),
    ("[patterns.'A*']\npair_with = 'B'", "unknown key 'pair_with'"),
    ("[net.CLK]\nrole = 'signal'", "[net]: unknown section; did you mean 'nets'?; allowed are review, nets"),
    ("[layers.0]\nthickness_um = 35", "[layers]: found [layers.0], expected a number from 1"),
    ("[layers.top]\nthickness_um = 35", "found [layers.top]"),
    ("[layers.1]\nthickness_mm = 35", "unknown key 'thickness_mm'; give it as thickness_um"),
    ("[dielectrics.1]\ner = 0.5", "found 0.5, expected a number from 1 to 100"),
    ("[dielectrics.1]\nthickness_mm = 200", "found 200, expected a number from 0.001 to 20; is the unit right?"),
    ("[mask.left]\ner = 3", "found [mask.left], expected [mask.top] or [mask.bottom]"),
    ("[connectors.J1]\ncable = 1", "found 1, expected true or false"),
    ("[review]\ntitle = 3", "found 3, expected a text in quotes"),
    ("[review]\ndistance = 3", "give it as distance_m"),
    ("[allowances.trace-over-gap]\nnoise_share = 'x'", "'trace-over-gap.noise_share': found 'x', expected a number"),
    ("[allowances]\n'trace-over-gap.noise_shore' = 1", "did you mean 'trace-over-gap.noise_share'?"),
    ("[nets]\n'' = {role='signal'}", "found an empty name"),
]


@pytest.mark.parametrize(("text", "message"), BAD)
def test_what_cannot_be_used_is_refused_in_one_sentence(tmp_path, text, message):
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, text, allowances=["trace-over-gap.noise_share"])
    said = str(caught.value)
    assert said.startswith(str(tmp_path / "s.toml"))
    assert message in said
    assert "\n" not in said


@pytest.mark.parametrize(
    ("text", "line"),
    [("[review]\ntitle = \n", 2), ("[review]\n\n\ntitle = 'a", 4), ("[a]\n[a]", 2), ("x = 1 y = 2", 1)],
)
def test_broken_toml_names_its_line(tmp_path, text, line):
    with pytest.raises(SettingsError, match=rf"s\.toml:{line}: this is not TOML: .* in column \d+|at the end"):
        load(tmp_path, text)


def test_files_that_are_no_text(tmp_path):
    (tmp_path / "s.toml").write_bytes(b"title = \xff")
    with pytest.raises(SettingsError, match="byte 8 is not UTF-8"):
        load_settings(tmp_path / "s.toml")
    with pytest.raises(SettingsError, match="cannot be read"):
        load_settings(tmp_path / "missing.toml")
    with pytest.raises(SettingsError, match="cannot be read"):
        load_settings(tmp_path)
    (tmp_path / "s.toml").write_text("a = " + "[" * 100_000)
    with pytest.raises(SettingsError):
        load_settings(tmp_path / "s.toml")


def test_a_byte_order_mark_is_taken(tmp_path):
    (tmp_path / "s.toml").write_bytes(b'\xef\xbb\xbf[review]\ntitle = "x"\n')
    assert load_settings(tmp_path / "s.toml").title == "x"


@given(st.text(max_size=200))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_text_is_read_or_refused(tmp_path, text):
    with contextlib.suppress(SettingsError):
        assert isinstance(load(tmp_path, text), Settings)


# ---- applying --------------------------------------------------------------------------------------------------------


def with_assumptions(board: Board) -> Board:
    """The board as a reader leaves it: figures of layers L1, L2 and of the masks were assumed."""
    names = (
        "copper thickness of layer L2",
        "conductivity of copper layers",
        "dielectric thickness between L1 and L2",
        "dielectric constant of core, between L1 and L2",
        "loss tangent between L2 and L3",
        "thickness of solder mask SMT",
        "dielectric constant of solder mask SMT",
        "dielectric constant of solder mask SMB",
        "net of the plane on layer L2",
    )
    assumed = tuple(Assumption(name, 1.0, "", "the file gives none") for name in names)
    return dataclasses.replace(board, assumptions=assumed)


def test_assumptions_of_a_reader_are_tied_to_their_keys():
    board = with_assumptions(small_board(layers=4).build())
    assert assumption_keys(board) == (
        ("layers.2.thickness",),
        tuple(f"layers.{i}.conductivity" for i in range(1, 5)),
        ("dielectrics.1.thickness",),
        ("dielectrics.1.er",),
        ("dielectrics.2.tan_d",),
        ("mask.top.thickness",),
        ("mask.top.er",),
        ("mask.bottom.er",),
        (),
    )


def test_corrections_reach_the_board_and_settle_their_assumptions():
    board = with_assumptions(small_board(layers=4).build())
    s = Settings(
        layers={2: {"thickness": 70e-6}},
        dielectrics={1: {"er": 3.9}, 2: {"tan_d": 0.02}},
        masks={"top": {"er": 4.0}},
    )
    after = s.correct(board)
    assert after.layers[1].thickness == 70e-6
    assert after.dielectrics[0].er == 3.9
    assert after.dielectrics[0].thickness == board.dielectrics[0].thickness
    assert after.mask_top.er == 4.0
    left = [a.what for a in after.assumptions]
    assert left == [
        "conductivity of copper layers",
        "dielectric thickness between L1 and L2",
        "thickness of solder mask SMT",
        "dielectric constant of solder mask SMB",
        "net of the plane on layer L2",
    ]


def test_an_unchecked_file_that_repeats_a_value_leaves_it_assumed():
    board = with_assumptions(small_board(layers=4).build())
    repeats = {1: {"er": board.dielectrics[0].er * (1 + 1e-12)}}
    unchecked = Settings(dielectrics=repeats, checked=False).correct(board)
    assert (unchecked.dielectrics, unchecked.assumptions) == (board.dielectrics, board.assumptions)
    kept = Settings(dielectrics=repeats, checked=True).correct(board)
    assert kept.dielectrics == board.dielectrics
    assert len(kept.assumptions) == len(board.assumptions) - 1


def test_nothing_said_is_the_same_board():
    board = small_board(layers=2).build()
    assert Settings().correct(board) is board


@pytest.mark.parametrize(
    ("s", "message"),
    [
        (Settings(layers={5: {"thickness": 1e-5}}), r"\[layers.5\] is not on this board; allowed are layers 1 to 4"),
        (
            Settings(dielectrics={4: {"er": 4.0}}),
            r"\[dielectrics.4\] is not on this board; allowed are dielectrics 1 to 3",
        ),
    ],
)
def test_corrections_of_what_is_not_there(s, message):
    with pytest.raises(SettingsError, match=message):
        s.correct(small_board(layers=4).build())


def test_a_mask_that_the_board_lacks_must_be_said_whole():
    board = dataclasses.replace(small_board(layers=4).build(), mask_top=None)
    with pytest.raises(SettingsError, match="needs both thickness_um and er"):
        Settings(masks={"top": {"er": 3.5}}).correct(board)
    assert Settings(masks={"top": {"er": 3.5, "thickness": 2e-5}}).correct(board).mask_top.er == 3.5


def test_names_that_the_board_lacks_are_told():
    s = Settings(
        nets={"CLKK": NetSettings(), "CLK": NetSettings(pair_with="CLX")},
        patterns={"ZZ*": NetSettings(), "C*": NetSettings()},
        connectors={"J9": {"cable": True}},
    )
    said = s.unused(builder("A", "B").build())
    assert len(said) == 4
    assert said[0].endswith("net 'CLKK' is not on this board; did you mean 'CLK'?")
    assert "'CLX', paired with 'CLK'" in said[1]
    assert "pattern 'ZZ*' fits no net" in said[2]
    assert "part 'J9'" in said[3]


# ---- writing ---------------------------------------------------------------------------------------------------------


@given(st.text())
def test_quoted_text_comes_back(text):
    line = f"{quote(text)} = {quote(text)}"
    assert "\n" not in line
    assert tomllib.loads(line) == {text: text}


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_comes_back(text):
    assert tomllib.loads(f"{quote(text)} = {quote(text)}  {comment(text)}\nlast = 1") == {text: text, "last": 1}


@given(st.text(alphabet=st.characters()))
def test_a_comment_stays_one(text):
    assert tomllib.loads(f"a = 1 {comment(text)}\nb = 2") == {"a": 1, "b": 2}


def test_what_toml_cannot_hold_is_refused():
    with pytest.raises(ValueError, match="surrogate"):
        quote("\ud800")


def same_inference(one: View, other: View, *, reasons: bool = True) -> None:
    assert other.roles == one.roles
    if reasons:
        assert other.drivers == one.drivers
    for a, b in zip(one.drivers, other.drivers, strict=True):
        assert dataclasses.replace(b, reason="") == dataclasses.replace(a, reason="")
    assert other.pairs == one.pairs
    assert other.board.layers == one.board.layers
    assert other.board.dielectrics == one.board.dielectrics
    assert (other.board.mask_top, other.board.mask_bottom) == (one.board.mask_top, one.board.mask_bottom)
    assert other.board.assumptions == one.board.assumptions
    assert other.cabled_connectors == one.cabled_connectors


def test_the_written_file_gives_the_same_inference(tmp_path):
    board = with_assumptions(builder(*HOSTILE).build())
    view = View(board)
    path = tmp_path / "s.toml"
    write_settings(view, path, ALLOWANCES)
    text = path.read_text()
    again = load_settings(path, [key for key, *_ in ALLOWANCES])
    same_inference(view, View(board, again))
    assert set(again.nets) == set(board.nets[1:])
    for i, name in enumerate(board.nets[1:], 1):
        assert again.for_net(name).role == view.roles[i].kind
        if view.roles[i].kind == "signal":
            assert again.for_net(name).kind == view.drivers[i].kind
    assert again.unused(board) == ()
    assert '"CLK" = { role = "signal", kind = "clock", clock_mhz = 25, rise_ps = 1000' in text
    assert 'pair_with = "USB_D-"' in text
    assert "assumed: the file gives none" in text
    assert '# "J1" = { cable = ' in text
    assert '# "trace-over-gap.noise_share" = 0.05  # ratio' in text
    assert list(tmp_path.iterdir()) == [path]


def test_corrections_are_kept_when_the_file_is_written_again(tmp_path):
    board = builder("A", "B").build()
    first = tmp_path / "first.toml"
    first.write_text(
        """
        [review]
        title = "T"
        [nets]
        "CLK" = { rise_ps = 250, target_ohm = 45 }
        "AIN0" = { role = "supply", voltage_v = 1.2 }
        "USB_D+" = { pair_with = "" }
        [patterns]
        "N$*" = { kind = "data", data_mbps = 7 }
        [dielectrics.1]
        er = 3.7
        [connectors.J1]
        cable = true
        length_m = 2
        [allowances]
        "trace-over-gap.noise_share" = 0.2
        """
    )
    view = View(board, load_settings(first))
    second = tmp_path / "second.toml"
    write_settings(view, second, ALLOWANCES)
    settings = load_settings(second)
    again = View(board, settings)
    same_inference(view, again, reasons=False)  # that the user merely confirmed a kind is not kept
    i = board.net_index["CLK"]
    assert (again.drivers[i].rise, again.drivers[i].given, again.drivers[i].assumed) == (
        250e-12,
        True,
        ("source", "rate"),
    )
    assert again.target_of(i) == 45.0
    assert again.roles[board.net_index["AIN0"]].given
    assert again.pairs == ()
    assert settings.title == "T"
    assert settings.patterns["N$*"] == NetSettings(kind="data", rate=3.5e6)
    assert settings.connectors["J1"] == {"cable": True, "length": 2.0}
    assert settings.allowances == {"trace-over-gap.noise_share": 0.2}


def test_a_failed_write_leaves_nothing_behind(tmp_path):
    view = View(builder().build())
    with pytest.raises(SettingsError, match="cannot be written"):
        write_settings(view, tmp_path / "missing" / "s.toml")
    (tmp_path / "folder").mkdir()
    with pytest.raises(SettingsError, match="cannot be written"):
        write_settings(view, tmp_path / "folder")
    assert os.listdir(tmp_path) == ["folder"]


def test_a_figure_that_no_file_may_hold_is_left_out():
    board = builder().build()
    thin = dataclasses.replace(board, layers=tuple(dataclasses.replace(x, thickness=0.0) for x in board.layers))
    tomllib.loads(settings_text(View(thin)))
    assert "thickness_um = 0" not in settings_text(View(thin))


def test_every_key_says_what_it_means():
    for keys in SECTIONS.values():
        for key in keys.values():
            assert key.help
            assert key.allowed
