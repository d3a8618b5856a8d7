"""Spectra: published corners and lines, a Fourier sum of the waveform itself, and refusals."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from quietcopper.errors import OutOfRange
from quietcopper.fields import spectra


def test_corners_of_a_100_mhz_clock() -> None:
    """Row E9: 1 V, 100 MHz, 50 %, 1 ns: 63.66 and 318.3 MHz (exact; the row prints four digits)."""
    assert_allclose(spectra.corners(100e6, 0.5, 1e-9), (63.66e6, 318.3e6), rtol=1e-4)


def test_lines_of_a_100_mhz_clock() -> None:
    """Row E10: amplitudes of lines 1, 3, 5, 7, 9 in V (exact; five printed digits) and in dB over 1 uV."""
    f, a = spectra.harmonics(1.0, 100e6, 0.5, 1e-9, 900e6)
    assert_allclose(f[[0, 8]], [100e6, 900e6])
    assert_allclose(a[::2], [0.62620, 0.18216, 0.08106, 0.03346, 0.00773], atol=6e-6)
    assert_allclose(20 * np.log10(a[::2] / 1e-6), [115.93, 105.21, 98.18, 90.49, 77.76], atol=6e-3)
    assert_allclose(a[1::2], 0, atol=1e-15)


@pytest.mark.parametrize(("duty", "rise"), [(0.5, 1e-9), (0.3, 2e-9), (0.62, 0.4e-9)])
def test_lines_equal_the_fourier_sum_of_the_waveform(duty: float, rise: float) -> None:
    """Second formulation: the discrete Fourier transform of the sampled trapezoid (aliasing below 1e-5 of 1 V)."""
    period, count = 1e-8, 1 << 16
    t = np.arange(count) / count * period
    tau = duty * period
    wave = np.interp(t, [0, rise, tau, tau + rise, period], [0, 1, 1, 0, 0])
    expected = 2 * np.abs(np.fft.rfft(wave))[1:21] / count
    assert_allclose(spectra.harmonics(1.0, 1 / period, duty, rise, 20 / period)[1], expected, atol=1e-5)


def test_envelope_covers_every_line_and_touches_some() -> None:
    f, a = spectra.harmonics(3.3, 33e6, 0.37, 1.3e-9, 5e9)
    ratio = a / spectra.envelope(3.3, 33e6, 0.37, 1.3e-9, f)
    assert ratio.max() <= 1 + 1e-12
    assert ratio.max() > 0.9


def test_halving_the_rise_time_adds_six_decibels_above_the_second_corner() -> None:
    slow = spectra.envelope(1.0, 50e6, 0.5, 1e-9, 2e9)
    assert_allclose(spectra.envelope(1.0, 50e6, 0.5, 0.5e-9, 2e9) / slow, 2.0, rtol=1e-12)


def test_knee_and_full_rise() -> None:
    assert_allclose(spectra.knee([1e-9, 0.5e-9]), [0.5e9, 1e9])
    assert_allclose(spectra.full_rise(0.8e-9), 1e-9)


def test_random_data_has_the_level_of_its_own_simulation() -> None:
    """Second formulation: averaged periodogram of 4096 random bits, 64 times; 3 % is the spread of that average."""
    rng = np.random.default_rng(7)
    bit, rise, over, bits = 1e-9, 0.25e-9, 32, 4096
    t = np.arange(bits * over) * bit / over
    power = np.zeros(bits * over // 2 + 1)
    for _ in range(64):
        levels = np.repeat(rng.integers(0, 2, bits), 2).astype(float)
        starts = np.arange(1, bits) * bit
        points = np.sort(np.concatenate([[0.0], starts, starts + rise, [bits * bit]]))
        wave = np.interp(t, points, levels)
        power += 2 * np.abs(np.fft.rfft(wave)) ** 2 * (bit / over) / (bits * over)
    f = np.fft.rfftfreq(bits * over, bit / over)
    band = (f > 0.3e9) & (f < 0.6e9)
    expected = np.sqrt(2 * np.mean(power[band] / 64) * 120e3)
    got = np.sqrt(np.mean(spectra.data_amplitude(1.0, bit, rise, f[band], 120e3) ** 2))
    assert_allclose(got, expected, rtol=0.03)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: spectra.harmonics(1, 100e6, 0.5, 6e-9, 1e9), "no trapezoid"),
        (lambda: spectra.harmonics(1, 100e6, 0.5, 1e-9, 50e6), "below the first line"),
        (lambda: spectra.harmonics(1, 100e6, 1.5, 1e-9, 1e9), "duty is 1.5"),
        (lambda: spectra.knee(0.0), "rise time is 0"),
        (lambda: spectra.knee(np.nan), "rise time is nan"),
        (lambda: spectra.data_amplitude(1, 1e-9, 2e-9, 1e8, 1e5), "longer than the bit"),
    ],
)
def test_outside_the_range_is_refused(call, text) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(OutOfRange, match=text):
        call()
