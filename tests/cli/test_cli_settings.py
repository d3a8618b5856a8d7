"""`quietcopper settings`: printed, written, corrected and written again, refused."""

from __future__ import annotations

import tomllib

import pytest

from quietcopper import formats
from quietcopper.build import chip, small_board, soic
from quietcopper.cli import main


@pytest.fixture(autouse=True)
def board(monkeypatch):
    """One small board, whatever file is named."""
    b = small_board(layers=4, ground=(2,))
    for ref, x in (("U1", 12), ("U2", 38)):
        b.part(ref, soic(8), (x, 15), nets=("CLK", "D0", "", "", "", "", "GND", "+3V3"))
    b.part("C1", chip("0402"), (25, 22), nets=("+3V3", "GND"), value="100n")
    built = b.build()
    monkeypatch.setattr(formats, "read_board", lambda path, **_: built)
    return built


def test_without_a_file_it_is_printed(capsys):
    assert main(["settings", "board.xml"]) == 0
    said = tomllib.loads(capsys.readouterr().out)
    assert said["nets"]["GND"] == {"role": "ground"}
    assert said["nets"]["CLK"]["kind"] == "clock"
    assert said["review"]["checked"] is False


def test_written_corrected_and_written_again(tmp_path, capsys):
    path = tmp_path / "s.toml"
    assert main(["settings", "board.xml", "-o", str(path)]) == 0
    path.write_text(path.read_text().replace("rise_ps = 1000", "rise_ps = 400", 1))
    assert main(["settings", "board.xml", "-s", str(path), "-o", str(path)]) == 0
    assert "rise_ps = 400" in path.read_text()
    assert "rise set in the settings file" in path.read_text()
    assert capsys.readouterr().err == ""


def test_every_allowance_stands_in_it(capsys):
    from quietcopper.checks import allowance_defaults

    main(["settings", "board.xml"])
    out = capsys.readouterr().out
    for key, limit in allowance_defaults().items():
        assert f'# "{key}" = {limit.default:.12g}' in out


@pytest.mark.parametrize("exists", ["file", "folder"])
def test_nothing_is_overwritten(tmp_path, capsys, exists):
    path = tmp_path / "s.toml"
    if exists == "file":
        path.write_text("mine")
    else:
        path.mkdir()
    assert main(["settings", "board.xml", "-o", str(path)]) == 2
    assert str(path) in capsys.readouterr().err
    assert path.is_dir() or path.read_text() == "mine"


def test_names_that_the_board_lacks_are_told(tmp_path, capsys):
    path = tmp_path / "s.toml"
    path.write_text("[nets]\nCLKS = { rise_ps = 400 }\n")
    assert main(["settings", "board.xml", "-s", str(path)]) == 0
    assert "net 'CLKS' is not on this board; did you mean 'CLK'?" in capsys.readouterr().err


def test_a_bad_settings_file_is_one_clear_line(tmp_path, capsys):
    path = tmp_path / "s.toml"
    path.write_text("[nets]\nCLK = { rise_ns = 4 }\n")
    assert main(["settings", "board.xml", "-s", str(path)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "rise_ps" in said
