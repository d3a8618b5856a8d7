"""Limits: printed values band by band, edges, distances, upper test frequency, and the data file's own consistency."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields import limits
from quietcopper.fields.radiation import microvolt_db


@pytest.mark.parametrize(
    ("name", "distance", "frequency_mhz", "level"),
    [
        ("CISPR 32 class A", 10, [50, 200, 500], [40, 40, 47]),
        ("CISPR 32 class B", 10, [50, 200, 500], [30, 30, 37]),
        ("CISPR 32 class A", 3, [50, 500, 2000, 5000], [50, 57, 56, 60]),  # above 1 GHz from memory
        ("CISPR 32 class B", 3, [50, 500, 2000, 5000], [40, 47, 50, 54]),
        ("FCC 15.109 class B", 3, [50, 100, 500, 980, 5000], [40.00, 43.52, 46.02, 53.98, 53.98]),
        ("FCC 15.109 class A", 10, [50, 100, 500, 980, 5000], [39.08, 43.52, 46.44, 49.54, 49.54]),
    ],
)
def test_printed_limits(name: str, distance: float, frequency_mhz: list[float], level: list[float]) -> None:
    """Table 'Limits' of the physics notes; two printed decimals."""
    got = microvolt_db(limits.limit(name, np.array(frequency_mhz) * 1e6, distance))
    assert_allclose(got, level, atol=0.006)


def test_peak_limits_above_a_gigahertz() -> None:
    """CISPR 32: class B seen, class A from memory."""
    f = np.array([2e9, 5e9])
    assert_allclose(microvolt_db(limits.limit("CISPR 32 class B", f, 3.0, peak=True)), [70, 74])
    assert_allclose(microvolt_db(limits.limit("CISPR 32 class A", f, 3.0, peak=True)), [76, 80])
    with pytest.raises(OutOfRange, match="no peak limit at 500 MHz"):
        limits.limit("CISPR 32 class B", 500e6, 3.0, peak=True)


def test_lower_figure_holds_where_bands_meet() -> None:
    f = np.array([230e6, 88e6, 1e9])
    assert_allclose(microvolt_db(limits.limit("CISPR 32 class B", f[0], 10.0)), 30)
    assert_allclose(microvolt_db(limits.limit("FCC 15.109 class B", f[1], 3.0)), 40, atol=1e-9)
    assert_allclose(microvolt_db(limits.limit("CISPR 32 class B", f[2], 3.0)), 47)


def test_other_distances_by_twenty_decibels_a_decade() -> None:
    at_10 = microvolt_db(limits.limit("FCC 15.109 class B", 500e6, 10.0))
    assert_allclose(at_10, 46.02 - 20 * np.log10(10 / 3), atol=0.006)
    assert_allclose(microvolt_db(limits.limit("CISPR 32 class B", 50e6, 30.0)), 30 - 20 * np.log10(3))
    assert_allclose(microvolt_db(limits.limit("CISPR 32 class B", 2e9, 10.0)), 50 - 20 * np.log10(10 / 3))


def test_upper_test_frequency() -> None:
    """47 CFR 15.33(b); the steps of CISPR 32 from memory."""
    fcc = [limits.upper_frequency("FCC 15.109 class B", f) for f in (1e6, 50e6, 200e6, 600e6, 2e9, 20e9)]
    assert fcc == [30e6, 1e9, 2e9, 5e9, 10e9, 40e9]
    cispr = [limits.upper_frequency("CISPR 32 class B", f) for f in (1e6, 108e6, 200e6, 600e6, 1.1e9, 2e9)]
    assert cispr == [1e9, 1e9, 2e9, 5e9, 5.5e9, 6e9]


def test_deciding_row_is_cited() -> None:
    row = limits.row_at("CISPR 32 class B", 230e6, 3.0)
    assert (row.clause, row.detector, row.distance, row.low) == ("Table A.4", "quasi-peak", 3.0, 30e6)
    assert "from memory" in limits.row_at("CISPR 32 class A", 2e9, 3.0).mark


def test_data_file_covers_each_standard_without_holes() -> None:
    assert limits.STANDARDS == (
        "CISPR 32 class A",
        "CISPR 32 class B",
        "FCC 15.109 class A",
        "FCC 15.109 class B",
    )
    for name in limits.STANDARDS:
        rows = limits.standard(name).rows
        assert all(row.clause and row.mark and row.distance > 0 for row in rows)
        f = np.geomspace(30e6, max(row.high for row in rows), 2000)
        assert np.all(limits.limit(name, np.clip(f, 30e6, max(row.high for row in rows)), 3.0) > 0)


@pytest.mark.parametrize(("frequency", "text"), [(10e6, "no limit at 10 MHz"), (7e9, "no limit at 7000 MHz")])
def test_no_limit_there(frequency: float, text: str) -> None:
    with pytest.raises(OutOfRange, match=text):
        limits.limit("CISPR 32 class A", [100e6, frequency], 3.0)


def test_unknown_standard_names_the_known() -> None:
    with pytest.raises(CallError, match="known are CISPR 32 class A"):
        limits.limit("class B", 1e8, 3.0)
