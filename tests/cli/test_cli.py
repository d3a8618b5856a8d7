"""The command line as a newcomer meets it: exit status, one clear line on errors, files where they were asked for."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from quietcopper.build import rectangle, small_board
from quietcopper.cli import COMMANDS, main
from quietcopper.formats.ipc2581.writer import write_ipc2581


@pytest.fixture
def board_file(tmp_path):
    """A clock over a supply that is cut in two, as an IPC-2581 file."""
    b = small_board(ground=(2,))
    b.net("3V3", kind="power")
    b.net("5V", kind="power")
    b.area("3V3", 3, rectangle(0.5, 0.5, 24.75, 29.5))
    b.area("5V", 3, rectangle(25.25, 0.5, 49.5, 29.5))
    b.trace("SPI_CLK", 4, [(5, 15), (45, 15)])
    path = tmp_path / "board.xml"
    write_ipc2581(b.build(), path)
    return path


def call(capsys, *words):
    """(exit status, standard output, standard error) of one call."""
    try:
        status = main([str(word) for word in words])
    except SystemExit as e:
        status = e.code
    out, err = capsys.readouterr()
    return status, out, err


def test_help_teaches_and_is_quick(capsys):
    status, out, _ = call(capsys, "--help")
    assert status == 0
    assert "exit status" in out
    for name in COMMANDS:
        assert name.replace("_", "-") in out
    code = "import sys; import quietcopper.cli as c; c.parser(); print([m for m in sys.modules if m in HEAVY])"
    code = code.replace("HEAVY", "('numpy', 'scipy', 'shapely', 'numba', 'lxml', 'jinja2')")
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert loaded.stdout.strip() == "[]"


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(capsys, command):
    status, out, _ = call(capsys, command.replace("_", "-"), "--help")
    assert status == 0
    assert "usage:" in out


@pytest.mark.parametrize(
    "words", [["revue", "x.xml"], ["review"], ["review", "x.xml", "--fail-above", "much"], ["explain", "trace-ovr-gap"]]
)
def test_a_wrong_call_is_one_line_and_status_2(capsys, words):
    status, out, err = call(capsys, *words)
    assert status == 2
    assert out == ""
    assert len(err.strip().splitlines()) == 1


def test_a_missing_file_is_one_line_and_nothing_is_written(capsys, tmp_path):
    status, _, err = call(capsys, "review", tmp_path / "none.xml", "-o", tmp_path / "out")
    assert status == 2
    assert "none.xml" in err
    assert len(err.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_review_writes_what_it_says(capsys, tmp_path, board_file):
    status, out, _ = call(capsys, "review", board_file, "-o", tmp_path / "out", "--timings")
    assert status == 0
    document = json.loads((tmp_path / "out" / "findings.json").read_text(encoding="utf-8"))
    assert document["format"] == "quietcopper-review/1"
    assert any(f["check"] == "trace-over-gap" for f in document["findings"])
    assert (tmp_path / "out" / "review.html").stat().st_size > 10_000
    assert str(tmp_path / "out" / "review.html") in out
    assert "cross-sections" in out


@pytest.mark.parametrize(("limit", "expected"), [(-3, 1), (90, 0)])
def test_fail_above_sets_the_status(capsys, tmp_path, board_file, limit, expected):
    assert call(capsys, "review", board_file, "-o", tmp_path / "o", "-q", "--fail-above", limit)[0] == expected


def test_output_that_is_a_file_is_refused(capsys, tmp_path, board_file):
    (tmp_path / "out").write_text("x")
    status, _, err = call(capsys, "review", board_file, "-o", tmp_path / "out")
    assert status == 2
    assert "is a file" in err


def test_an_unknown_allowance_names_the_file_and_the_nearest(capsys, tmp_path, board_file):
    (tmp_path / "s.toml").write_text('[allowances]\n"trace-over-gap.noise_shar" = 0.1\n')
    status, _, err = call(capsys, "review", board_file, "-s", tmp_path / "s.toml", "-o", tmp_path / "out")
    assert status == 2
    assert "s.toml" in err
    assert "noise_share" in err


def test_compare_tells_what_a_joined_plane_cured(capsys, tmp_path, board_file):
    b = small_board(ground=(2, 3))
    b.trace("SPI_CLK", 4, [(5, 15), (45, 15)])
    write_ipc2581(b.build(), tmp_path / "new.xml")
    status, out, _ = call(capsys, "compare", board_file, tmp_path / "new.xml", "-o", tmp_path / "c")
    assert status == 0
    assert "cured" in out
    document = json.loads((tmp_path / "c" / "compare.json").read_text(encoding="utf-8"))
    assert document["counts"]["cured"] >= 1
    assert any(row["check"] == "trace-over-gap" and row["state"] == "cured" for row in document["findings"])
    assert "nets gone: 3V3, 5V" in document["board_changes"]
    assert "cured" in (tmp_path / "c" / "compare.html").read_text(encoding="utf-8")


def test_explain_tells_allowance_and_source(capsys):
    status, out, _ = call(capsys, "explain", "trace-over-gap")
    assert status == 0
    assert "trace-over-gap.noise_share" in out
    assert "Source:" in out


def test_hostile_net_names_stay_text(capsys, tmp_path):
    b = small_board(ground=(2,))
    b.trace("</script><img src=x onerror=alert(1)>", 1, [(5, 0.6), (45, 0.6)])
    write_ipc2581(b.build(), tmp_path / "b.xml")
    assert call(capsys, "review", tmp_path / "b.xml", "-o", tmp_path / "o", "-q")[0] == 0
    assert "<img src=x" not in (tmp_path / "o" / "review.html").read_text(encoding="utf-8")
