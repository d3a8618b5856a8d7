"""The board's emission in one table: the sum over the sources, who leads, and what both letters tell of it."""

from __future__ import annotations

import numpy as np
import pytest

from quietcopper.build import small_board
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View
from quietcopper.report.emissions import emission_chart, emission_leads, emission_rows, emission_told
from quietcopper.review.emission import emission_summary

CLOCK = NetSettings(role="signal", kind="clock", swing=3.3, rise=0.5e-9, source=50.0, rate=100e6)


def board(count: int = 1):
    b = small_board(ground=(2,))
    for k in range(count):
        b.trace(f"CLK{k}", 1, [(5, 10 + 10 * k), (45, 10 + 10 * k)])
    return b.build()


def summary(count: int = 1, **settings):
    nets = {f"CLK{k}": CLOCK for k in range(count)}
    return emission_summary(View(board(count), Settings(nets=nets, **settings)))


def test_the_upper_frequency_is_the_standard_s() -> None:
    """47 CFR 15.33(b) and CISPR 32, table 1 (from memory): to 108 MHz internal, 1 GHz."""
    told = summary()
    assert (told["highest_internal_hz"], told["upper_hz"]) == (100e6, 1e9)
    assert told["upper_clause"] == "table 1"
    assert told["knee_hz"] == pytest.approx(1e9)
    assert max(told["frequency_hz"]) < 1.01e9


def test_sources_are_ranked_and_lead_their_bands() -> None:
    told = summary(2)
    excess = [round(s["excess_db"], 6) for s in told["sources"]]  # equal lines stand by name
    assert excess == sorted(excess, reverse=True)
    assert len(told["leads"]) == len(told["frequency_hz"])
    assert all(who.startswith(("CLK0", "CLK1")) for who in told["leads"])
    for source in told["sources"]:
        assert source["excess_db"] == pytest.approx(source["level_dbuv_m"] - source["limit_dbuv_m"], abs=1e-6)


def test_the_sum_lies_no_lower_than_any_source() -> None:
    told = summary(2)
    frequency, level = np.array(told["frequency_hz"]), np.array(told["level_dbuv_m"])
    for source in told["sources"]:
        band = int(np.argmin(np.abs(np.log(frequency / source["frequency_hz"]))))
        assert level[band] >= source["level_dbuv_m"] - 1e-6


def test_the_class_moves_the_limit() -> None:
    """CISPR 32 at 3 m: class A lies 10 dB above class B below 1 GHz."""
    a, b = (summary(standard=f"CISPR 32 class {c}") for c in "AB")
    assert a["sources"][0]["excess_db"] == pytest.approx(b["sources"][0]["excess_db"] - 10, abs=1e-6)


def test_what_is_told() -> None:
    told = summary()
    words = emission_told(told)
    assert "leads by" in words[0]
    assert "no compliance verdict" in words[-1]
    assert "<svg" in emission_chart(told)
    assert all(len(row) == 6 for row in emission_rows(told))
    assert emission_leads(told)


def test_a_board_without_lines_has_none() -> None:
    assert emission_summary(View(small_board(ground=(2,)).build(), Settings())) == {}


def test_what_was_assumed_of_a_driver_spans_a_range() -> None:
    assert summary()["sources"][0]["range_db"] is None  # all was said
    clock = NetSettings(role="signal", kind="clock", rate=100e6)
    told = emission_summary(View(board(), Settings(patterns={"CLK*": clock}, margin=20.0)))
    top = told["sources"][0]
    best, worst = top["range_db"]
    assert best <= top["excess_db"] <= worst
    assert worst - best > 3
    assert "at worst" in emission_told(told)[0]
    assert " to " in emission_rows(told)[0][-1]


def test_a_margin_lowers_what_is_allowed_by_itself() -> None:
    plain, kept = summary(), summary(margin=6.0)
    assert kept["sources"][0]["excess_db"] == pytest.approx(plain["sources"][0]["excess_db"] + 6, abs=1e-6)
