"""`quietcopper line` from its arguments to its text and JSON."""

from __future__ import annotations

import json
import math

import pytest

from quietcopper.cli import main

SURFACE = ["line", "--width-mm", "0.3", "--height-mm", "0.2", "--er", "4.3", "--thickness-mm", "0.035"]
PAIR = [
    "line",
    "--width-mm",
    "0.15",
    "--gap-mm",
    "0.15",
    "--height-mm",
    "0.1",
    "--er",
    "4.3",
    "--thickness-mm",
    "0.035",
]


def answer(capsys: pytest.CaptureFixture[str], *args: str) -> dict[str, float]:
    assert main([*args, "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    values = json.loads(out)
    assert all(isinstance(v, float) and math.isfinite(v) for v in values.values())
    return values


def refused(capsys: pytest.CaptureFixture[str], *args: str) -> str:
    try:
        status = main(list(args))
    except SystemExit as stop:  # argparse's own refusals
        status = int(stop.code or 0)
    out, err = capsys.readouterr()
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    return err


def test_single_line(capsys: pytest.CaptureFixture[str]) -> None:
    """55.0986 ohm, ee 3.0709: boundary elements of another make, 1e-4."""
    values = answer(capsys, *SURFACE)
    assert values["z_ohm"] == pytest.approx(55.0986, rel=1e-4)
    assert values["er_effective"] == pytest.approx(3.0709, rel=1e-4)
    assert values["delay_ps_per_mm"] == pytest.approx(math.sqrt(3.0709) / 0.299792458, rel=1e-4)
    assert values["error"] <= 2e-3  # the default; 0.02 % on request, see below
    assert "z_even_ohm" not in values


def test_pair(capsys: pytest.CaptureFixture[str]) -> None:
    values = answer(capsys, *PAIR)
    assert values["z_diff_ohm"] == pytest.approx(93.149, rel=1e-4)
    assert values["z_odd_ohm"] == pytest.approx(46.5743, rel=1e-4)
    assert values["z_even_ohm"] == pytest.approx(59.2124, rel=1e-4)
    assert values["near_end_coupling"] == pytest.approx((59.2124 - 46.5743) / (2 * (59.2124 + 46.5743)), rel=0.02)
    assert values["far_end_coupling_ps_per_mm"] < 0


def test_between_planes_pour_and_mask(capsys: pytest.CaptureFixture[str]) -> None:
    bare = answer(capsys, *SURFACE)["z_ohm"]
    buried = answer(capsys, *SURFACE, "--height-above-mm", "0.4", "--er-above", "3.8")
    assert buried["z_ohm"] < bare
    assert 3.8 < buried["er_effective"] < 4.3
    assert answer(capsys, *SURFACE, "--pour-gap-mm", "0.15")["z_ohm"] < bare
    assert answer(capsys, *SURFACE, "--mask-um", "25", "--mask-er", "3.5")["z_ohm"] == pytest.approx(53.055, rel=1e-3)
    assert answer(capsys, *SURFACE, "--etch-mm", "0.0125")["z_ohm"] == pytest.approx(55.7034, rel=1e-4)


def test_the_pour_is_as_good_as_endless(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    from quietcopper.cli import line

    one = answer(capsys, *SURFACE, "--pour-gap-mm", "0.15")["z_ohm"]
    monkeypatch.setattr(line, "POUR", 3 * line.POUR)
    assert answer(capsys, *SURFACE, "--pour-gap-mm", "0.15")["z_ohm"] == pytest.approx(one, rel=1e-4)


def test_loss(capsys: pytest.CaptureFixture[str]) -> None:
    """24.1 ohm/m, 1.91 and 2.80 dB/m: see tests/fields/test_loss.py for the references."""
    values = answer(capsys, *SURFACE, "--frequency-hz", "1e9", "--tan-d", "0.02")
    assert values["resistance_ohm_per_m"] == pytest.approx(24.1, rel=1e-2)
    assert values["conductor_loss_db_per_m"] == pytest.approx(1.91, rel=2e-2)
    assert values["dielectric_loss_db_per_m"] == pytest.approx(2.80, rel=2e-2)
    rough = answer(capsys, *SURFACE, "--frequency-hz", "1e9", "--roughness-um", "1")
    assert rough["conductor_loss_db_per_m"] > 1.15 * values["conductor_loss_db_per_m"]
    assert rough["dielectric_loss_db_per_m"] == 0.0


def test_width_and_gap_are_found(capsys: pytest.CaptureFixture[str]) -> None:
    rest = SURFACE[3:]
    values = answer(capsys, "line", *rest, "--find-width", "50")
    assert values["z_ohm"] == pytest.approx(50, rel=3e-4)
    again = answer(capsys, "line", "--width-mm", str(values["width_mm"]), *rest)
    assert again["z_ohm"] == pytest.approx(50, rel=3e-4)
    values = answer(capsys, *SURFACE, "--find-gap", "95")
    assert values["z_diff_ohm"] == pytest.approx(95, rel=3e-4)
    values = answer(capsys, *PAIR, "--find-width", "100")  # the given width gives way
    assert values["z_diff_ohm"] == pytest.approx(100, rel=3e-4)
    assert values["gap_mm"] == pytest.approx(0.15)
    assert answer(capsys, *SURFACE, "--gap-mm", "3", "--find-gap", "95")["gap_mm"] < 1  # so does the given gap


def test_text_names_every_figure_and_the_assumptions(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*SURFACE, "--frequency-hz", "1e9"]) == 0
    text = capsys.readouterr().out
    assert "55.10 Ω" in text
    assert "Hammerstad-Jensen 1980           55.08 Ω" in text
    assert "Copper at 20 °C (5.8e7 S/m), smooth, loss tangent 0." in text
    assert main(["line", "--width-mm", "0.5", "--height-mm", "0.5", "--height-above-mm", "0.5", "--er", "4.4"]) == 0
    text = capsys.readouterr().out
    assert "Cohn 1954                        47.88 Ω" in text
    assert "infinitely thin" in text
    assert main(PAIR) == 0
    text = capsys.readouterr().out
    assert "differential impedance           93.15 Ω" in text
    assert "Hammerstad" not in text


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["line", "--width-mm", "nan", *SURFACE[3:]], "--width-mm is nan; it must be a number above 0"),
        (["line", "--width-mm", "inf", *SURFACE[3:]], "--width-mm is inf"),
        (["line", "--width-mm", "0", *SURFACE[3:]], "--width-mm is 0"),
        (["line", "--width-mm", "wide", *SURFACE[3:]], "invalid float value: 'wide'"),
        (["line", *SURFACE[3:]], "needs --width-mm, or --find-width"),
        (["line", "--width-mm", "0.3", "--er", "4"], "required: --height-mm"),
        ([*SURFACE, "--er", "0.5"], "--er is 0.5; it must be a number at least 1"),
        ([*SURFACE, "--mask-um", "20"], "--mask-um and --mask-er belong together"),
        ([*SURFACE, "--mask-um", "20", "--mask-er", "3", "--height-above-mm", "1"], "an outer layer"),
        ([*SURFACE, "--tan-d", "0.02"], "add --frequency-hz"),
        ([*SURFACE, "--tan-d", "-1", "--frequency-hz", "1e9"], "--tan-d is -1"),
        ([*SURFACE[:-2], "--frequency-hz", "1e9"], "needs --thickness-mm above 0"),
        ([*SURFACE[:-2], "--etch-mm", "0.01"], "--etch-mm needs --thickness-mm"),
        ([*SURFACE, "--etch-mm", "0.15"], "--width-mm 0.3 leaves no copper with --etch-mm 0.15"),
        ([*SURFACE, "--find-width", "5000"], "no width between"),
        ([*SURFACE, "--find-gap", "300"], "ohm can be reached"),
        ([*SURFACE, "--find-gap", "90", "--find-width", "50"], "not allowed with"),
        ([*SURFACE, "--er", "5000"], "er 5000 is not usable"),
        ([*SURFACE, "--er-above", "4"], "--er-above belongs to --height-above-mm"),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)
def test_bad_values_are_one_sentence_and_status_two(
    capsys: pytest.CaptureFixture[str], args: list[str], message: str
) -> None:
    assert message in refused(capsys, *args)


def test_the_accuracy_asked_is_kept(capsys: pytest.CaptureFixture[str]) -> None:
    shape = ("--width-mm", "0.3", "--height-mm", "0.2", "--er", "4.3", "--thickness-mm", "0.035", "--json")
    found = {}
    for percent in ("0.2", "0.02"):
        assert main(["line", *shape, "--accuracy-percent", percent]) == 0
        found[percent] = json.loads(capsys.readouterr().out)
        assert found[percent]["error"] <= float(percent) / 100
    # BEM row of the check table for this line: 55.0986 ohm
    assert found["0.02"]["z_ohm"] == pytest.approx(55.0986, rel=2e-4)
    assert found["0.2"]["z_ohm"] == pytest.approx(55.0986, rel=2e-3)
    assert main(["line", *shape, "--accuracy-percent", "50"]) == 2
    assert "at most 10" in capsys.readouterr().err
