"""Which file is which layer: the user, attributes, the job file, names; and the questions where nobody says it."""

from __future__ import annotations

import importlib.util
import json
import zipfile
from pathlib import Path

import pytest

from quietcopper.board import Board
from quietcopper.errors import ReadError
from quietcopper.formats import read_board
from quietcopper.formats.gerber_set.roles import by_function, by_name, span_by_name

_spec = importlib.util.spec_from_file_location("gerber_files", Path(__file__).with_name("gerber_files.py"))
assert _spec is not None
assert _spec.loader is not None
gerber = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(gerber)

LINE = gerber.line(1, 1, 9, 1)


def plain(body: str = LINE) -> str:
    """A layer file that says nothing of itself."""
    return str(gerber.layer(body))


def job(**entries: str) -> str:
    rows = [{"Path": name, "FileFunction": function} for name, function in entries.items()]
    return json.dumps({"GeneralSpecs": {"LayerNumber": 2}, "FilesAttributes": rows})


def assumed(board: Board, what: str) -> list[str]:
    return [str(a.value) for a in board.assumptions if a.what == what]


# ---- names -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "kind", "side", "number"),
    [
        ("board-F_Cu.gbr", "copper", "top", None),
        ("board-B.Cu.gbl", "copper", "bottom", None),
        ("board-In1_Cu.gbr", "copper", "", 1),
        ("board.GTL", "copper", "top", None),
        ("board.gbl", "copper", "bottom", None),
        ("board.G1", "copper", "inner", 1),
        ("board.gp2", "copper", "inner", 2),
        ("Top.pho", "copper", "top", None),
        ("Layer3.pho", "copper", "", 3),
        ("X_lyr10_GAF.art", "copper", "", 10),
        ("Int2 (Sign).gbr", "copper", "", 2),
        ("Bottom Layer.gbr", "copper", "bottom", None),
        ("CopperTop.gbr", "copper", "top", None),
        ("Component Side.ger", "copper", "top", None),
        ("Solder Side.ger", "copper", "bottom", None),
        ("X_smc.art", "mask", "top", None),
        ("X_sms.art", "mask", "bottom", None),
        ("SMB.pho", "mask", "bottom", None),
        ("Top Solder.gbr", "mask", "top", None),
        ("soldermask_bottom.gbr", "mask", "bottom", None),
        ("board.gts", "mask", "top", None),
        ("X-Edge_Cuts.gm1", "profile", "", None),
        ("Board Outline.gbr", "profile", "", None),
        ("board.gko", "profile", "", None),
        ("F_SilkS.gto", "passed", "top", None),
        ("SST.pho", "passed", "", None),
        ("X_spc.art", "passed", "", None),
        ("X-F_Paste.gtp", "passed", "top", None),
        ("X-F_Fab.gbr", "passed", "top", None),
        ("7.grb", "passed", "", None),
    ],
)
def test_what_names_of_layers_mean(name: str, kind: str, side: str, number: int | None) -> None:
    role = by_name(name, "gerber")
    assert (role.kind, role.side, role.number) == (kind, side, number)


@pytest.mark.parametrize(
    ("name", "plated", "span"),
    [
        ("board-PTH.drl", True, None),
        ("board-NPTH.drl", False, None),
        ("holes.drl", None, None),
        ("x-front-in1.drl", None, (1, 2)),
        ("x-in1-in2.drl", None, (2, 3)),
        ("x-in2-back.drl", None, (3, 4)),
        ("drill_L1_L2.drl", None, (1, 2)),
        ("x-2-3.drl", None, (2, 3)),
        ("drill-layer1-layer4.xln", None, (1, 4)),
        ("gnd-vcc.drl", None, (2, 3)),
    ],
)
def test_what_names_of_drill_files_mean(name: str, plated: bool | None, span: tuple[int, int] | None) -> None:
    assert by_name(name, "drill").plated is plated
    assert span_by_name(name, {"gnd": 2, "vcc": 3}, 4) == span


@pytest.mark.parametrize(
    ("function", "kind", "number", "side", "word"),
    [
        ("Copper,L1,Top", "copper", 1, "top", ""),
        ("Copper,L3,Inr,Plane", "copper", 3, "inner", "plane"),
        ("Soldermask,Bot,1", "mask", None, "bottom", ""),
        ("Profile,NP", "profile", None, "", ""),
        ("Component,L1,Top", "component", 1, "top", ""),
        ("Legend,Top", "passed", None, "top", ""),
    ],
)
def test_what_functions_mean(function: str, kind: str, number: int | None, side: str, word: str) -> None:
    role = by_function(function.split(","), None, "")
    assert (role.kind, role.number, role.side, role.word) == (kind, number, side, word)


# ---- who says it ---------------------------------------------------------------------------------------


def test_attributes_go_over_the_job_file_and_the_job_file_over_names(tmp_path: Path) -> None:
    files = {
        "bottom.gbr": gerber.top(LINE),  # by its attribute the top layer
        "top.gbr": plain(gerber.line(1, 1, 5, 1)),  # by the job file the bottom layer
        "x.gbrjob": job(**{"top.gbr": "Copper,L2,Bot", "bottom.gbr": "Copper,L2,Bot"}),
    }
    board = gerber.read(tmp_path, files)
    assert [round(board.traces.length[board.traces.layer == i][0] * 1e3) for i in (0, 1)] == [8, 4]
    assert not assumed(board, "layer of top.gbr")
    assert any("numbers layers otherwise than the files themselves (bottom.gbr L2)" in p for p in board.problems)


def test_layers_known_by_their_names_are_told(tmp_path: Path) -> None:
    board = gerber.read(tmp_path, {"Top.pho": plain(), "Layer2.pho": plain(), "Bottom.pho": plain()})
    assert [layer.name for layer in board.layers] == ["Top", "Layer2", "Bottom"]
    assert assumed(board, "layer of Layer2.pho") == ["2"]


def test_the_user_settles_what_nobody_says(tmp_path: Path) -> None:
    files = {"one.gbr": plain(), "two.gbr": plain(gerber.line(1, 1, 5, 1)), "three.gbr": plain()}
    with pytest.raises(ReadError, match=r'3 layer files and nothing that says which .*\[files\] "one.gbr" = "Copper'):
        gerber.read(tmp_path, files)
    answers = {"one.gbr": "Copper,L2,Bot", "two.gbr": "Copper,L1,Top", "three.gbr": "ignore"}
    board = gerber.read(tmp_path, files, answers)
    assert [layer.name for layer in board.layers] == ["two", "one"]


def test_an_answer_for_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    board = gerber.read(tmp_path, {"top.gbr": gerber.top(LINE)}, {"tpo.gbr": "ignore"})
    assert "The settings tell what tpo.gbr is, and there is no such file." in board.problems


def test_a_name_is_no_witness_beside_files_that_say_what_they_are(tmp_path: Path) -> None:
    files = {"a.gbr": gerber.top(LINE), "b.gbr": gerber.bottom(LINE), "old-Layer2.gbr": plain()}
    board = gerber.read(tmp_path, files)
    assert len(board.layers) == 2
    assert any("old-Layer2.gbr looks like a copper layer by its name only" in p for p in board.problems)


# ---- questions -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("files", "words"),
    [
        (
            {"a.gbr": gerber.top(LINE), "b.gbr": gerber.top(LINE)},
            ["2 files that claim to be the top layer (a.gbr, b.gbr), by its attribute", '[files] "b.gbr" = "ignore"'],
        ),
        (
            {"a.gbr": gerber.top(LINE), "b.gbr": gerber.inner(LINE), "c.gbr": gerber.inner(LINE)},
            ["claim to be layer 2 (b.gbr, c.gbr)"],
        ),
        ({"a.gbr": gerber.top(LINE), "c.gbr": gerber.bottom(LINE, 4)}, ["expected layer 2, 3 as well", "add the file"]),
        ({"Top.gbr": plain(), "In1.gbr": plain(), "In3.gbr": plain()}, ["numbered", "expected layer 2"]),
        (
            {"Top.gbr": plain(), "gnd.gbr": plain(), "pow.gbr": plain()},
            ["whose order nothing states (gnd.gbr, pow.gbr)"],
        ),
        ({"readme.gbr": gerber.layer(LINE, function="Legend,Top")}, ["no copper layer among them"]),
    ],
)
def test_two_files_for_a_layer_or_a_layer_missing(tmp_path: Path, files: dict[str, str], words: list[str]) -> None:
    with pytest.raises(ReadError) as caught:
        gerber.read(tmp_path, files)
    for word in words:
        assert word.replace("numbered", "copper layers 1, 3") in str(caught.value)


def test_a_job_file_may_number_in_any_way_as_long_as_nothing_is_missing(tmp_path: Path) -> None:
    names = {"t.gbr": "Copper,L1,Top", "i.gbr": "Copper,L5,Inr", "b.gbr": "Copper,L3,Bot"}
    board = gerber.read(tmp_path, {**dict.fromkeys(names, plain()), "x.gbrjob": job(**names)})
    assert len(board.layers) == 3


def test_a_layer_count_that_differs_is_told(tmp_path: Path) -> None:
    files = {"t.gbr": gerber.top(LINE), "i.gbr": gerber.inner(LINE), "b.gbr": gerber.bottom(LINE, 3), "x.gbrjob": job()}
    assert "The job file states 2 copper layers and the set has 3." in gerber.read(tmp_path, files).problems


def test_one_layer_only_is_told(tmp_path: Path) -> None:
    board = gerber.read(tmp_path, {"t.gbr": gerber.top(LINE)})
    assert "The set has one copper layer. References on other layers cannot be seen." in board.problems


def test_a_damaged_job_file_is_told_and_the_rest_read(tmp_path: Path) -> None:
    board = gerber.read(tmp_path, {"t.gbr": gerber.top(LINE), "x.gbrjob": '{"GeneralSpecs": {'})
    assert any("The job file was not used" in p for p in board.problems)


# ---- a single file, an archive ---------------------------------------------------------------------


def test_a_single_layer_file_is_a_board_of_one_layer(tmp_path: Path) -> None:
    path = tmp_path / "whatever.gbr"
    path.write_text(plain())
    board = read_board(path)
    assert (len(board.layers), len(board.traces)) == (1, 1)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (gerber.layer(LINE, function="Legend,Top"), "a single layer, Legend,Top"),
        (gerber.drill((1, 1)), "found a drill file"),
        (job(), "found a job file"),
        ("P  UNITS CUST 0\n317+5V              VIA        MD0130PA00X+029409Y+011654\n999\n", "found a netlist"),
    ],
)
def test_a_single_file_without_copper_is_refused(tmp_path: Path, text: str, found: str) -> None:
    path = tmp_path / "x"
    path.write_text(text)
    with pytest.raises(ReadError, match=f"{found}.*name the folder or .zip that holds the whole set"):
        read_board(path)


def test_a_zip_with_a_folder_in_it(tmp_path: Path) -> None:
    path = tmp_path / "set.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("out/top.gbr", gerber.top(LINE))
        archive.writestr("out/edge.gbr", gerber.profile())
        archive.writestr("out/readme.txt", "hello")
    board = read_board(path)
    assert (board.name, len(board.traces)) == ("set", 1)
    assert board.outline.area == pytest.approx(1200e-6)


@pytest.mark.parametrize("name", ["../top.gbr", "/etc/top.gbr", "a/../../top.gbr", "C:/top.gbr"])
def test_a_zip_that_points_outside_itself_is_refused(tmp_path: Path, name: str) -> None:
    path = tmp_path / "set.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(zipfile.ZipInfo(name), gerber.top(LINE))
    with pytest.raises(ReadError, match="points outside the archive"):
        read_board(path)


def test_a_zip_bomb_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "set.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("top.gbr", gerber.top(LINE).replace("M02*", "G04 " + " " * (70 << 20) + "*\nM02*"))
    with pytest.raises(ReadError, match="more than 400 times its size"):
        read_board(path)
