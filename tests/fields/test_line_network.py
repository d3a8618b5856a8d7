"""Lines in a row: chain matrices against closed forms and scikit-rf, waves in time against bounce diagrams and a
Fourier sum over the same chain."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcopper.errors import OutOfRange
from quietcopper.fields.line_network import (
    chain,
    echo,
    input_impedance,
    open_stub,
    overshoot,
    respond,
    scattering,
    shunt,
    stub_reflection,
    worst_stretch,
)

F = np.linspace(1e6, 10e9, 301)


def test_a_matched_line_reflects_nothing_and_turns_the_phase():
    s = scattering(chain(F, [50.0], [200e-12]), 50.0)
    assert np.abs(s[:, 0, 0]).max() < 1e-12
    assert s[:, 1, 0] == pytest.approx(np.exp(-2j * np.pi * F * 200e-12), abs=1e-12)


def test_one_mismatched_piece_has_its_textbook_reflection():
    """Pozar, section 2.6 form: G(1 - e^-2jb)/(1 - G² e^-2jb), G = (Z - R)/(Z + R) (from memory; exact)."""
    gamma, phase = (75 - 50) / (75 + 50), np.exp(-4j * np.pi * F * 150e-12)
    s = scattering(chain(F, [75.0], [150e-12]), 50.0)
    assert s[:, 0, 0] == pytest.approx(gamma * (1 - phase) / (1 - gamma**2 * phase), abs=1e-12)


def test_quarter_wave_transformer():
    """Pozar, example 2.5: 100 ohm matched to 50 ohm by 70.71 ohm (from memory); exact Z²/R at the quarter wave."""
    delay = 1 / (4 * 1e9)
    matrix = chain([1e9, 2e9], [np.sqrt(100 * 50)], [delay])
    assert input_impedance(matrix, 100.0) == pytest.approx([50.0, 100.0], rel=1e-9)


def test_open_ends():
    assert input_impedance(chain([1e9], [50.0], [1 / 8e9]), np.inf)[0] == pytest.approx(-50j, rel=1e-12)
    y = open_stub([1e6, 0.999e9], [50.0], [1 / 4e9])
    assert y[0] == pytest.approx(2j * np.pi * 1e6 / 4e9 / 50, rel=1e-5)  # capacitance delay/z0
    assert abs(y[1]) > 10  # nearly a short at its quarter wave
    through = scattering(chain([0.999e9], [50.0], [1e-10]) @ shunt(y[1:]) @ chain([0.999e9], [50.0], [1e-10]))
    assert abs(through[0, 1, 0]) < 0.01


@pytest.mark.parametrize("seed", range(3))
def test_a_lossy_row_of_pieces_equals_scikit_rf(seed):
    skrf = pytest.importorskip("skrf")
    rng = np.random.default_rng(seed)
    z0, delay = rng.uniform(30, 120, 6), rng.uniform(10e-12, 200e-12, 6)
    loss = rng.uniform(0, 0.1, (6, 1)) * np.sqrt(F / 1e9)
    frequency = skrf.Frequency.from_f(F, unit="Hz")
    whole = None
    for z, t, a in zip(z0, delay, loss, strict=True):
        media = skrf.media.DefinedGammaZ0(frequency, z0=z, gamma=a + 2j * np.pi * F * t, z0_port=50.0)
        piece = media.line(1, "m")
        whole = piece if whole is None else whole**piece
    assert scattering(chain(F, z0, delay, loss.T), 50.0) == pytest.approx(whole.s, abs=1e-9)


@given(st.lists(st.tuples(st.floats(20, 150), st.floats(1e-12, 1e-9)), min_size=1, max_size=6))
def test_lossless_rows_conserve_power_and_are_reciprocal(pieces):
    z0, delay = zip(*pieces, strict=True)
    s = scattering(chain(F[::30], z0, delay), 50.0)
    assert np.abs(s[:, 0, 0]) ** 2 + np.abs(s[:, 1, 0]) ** 2 == pytest.approx(1.0, abs=1e-9)
    assert s[:, 0, 1] == pytest.approx(s[:, 1, 0], abs=1e-9)


def test_bounce_diagram_of_an_open_line():
    """20 ohm into 60 ohm, open: 2·60/80 = 1.5 arrives, then 1 - 0.5², 1 + 0.5³, by hand."""
    t = 1e-9
    wave = respond([60.0], [t], 1e-10, 20.0)
    at = np.interp([1.5 * t, 3.5 * t, 5.5 * t, 7.5 * t], wave.time, wave.far)
    assert at == pytest.approx([1.5, 0.75, 1.125, 0.9375], abs=1e-9)
    assert np.interp([0.5 * t, 2.5 * t], wave.time, wave.near) == pytest.approx([0.75, 1.125], abs=1e-9)
    assert overshoot(wave, np.inf, 20.0) == pytest.approx((0.5, 0.25), abs=1e-6)
    assert wave.far[-1] == pytest.approx(1.0, abs=2e-3)


def test_a_matched_source_or_load_ends_the_ringing():
    assert overshoot(respond([60.0], [1e-9], 1e-10, 60.0), np.inf, 60.0)[0] == 0
    wave = respond([60.0], [1e-9], 1e-10, 20.0, 60.0)
    assert overshoot(wave, 60.0, 20.0) == pytest.approx((0.0, 0.0), abs=1e-12)
    assert wave.far[-1] == pytest.approx(0.75)


def test_a_line_shorter_than_a_step_of_the_edge_is_its_load():
    wave = respond([60.0], [1e-15], 1e-9, 50.0, 50.0)
    assert wave.far.max() == pytest.approx(0.5)


def test_short_lines_overshoot_less():
    """A uniform line's overshoot grows with its delay up to half an edge, where it is (Z - R)/(Z + R)."""
    shares = [overshoot(respond([60.0], [share * 1e-9], 1e-9, 20.0), np.inf, 20.0)[0] for share in (0.05, 0.2, 0.5, 2)]
    assert shares == sorted(shares)
    assert shares[0] < 0.1
    assert shares[-1] == pytest.approx(0.5, abs=1e-3)


def test_waves_in_time_equal_a_fourier_sum_over_the_chain():
    """The same five pieces once by travelling waves and once from their scattering matrix, edge by edge: a trapezoid
    with a period long enough that every reflection has died between matched ends."""
    z0, delay = np.array([50, 65, 40, 90, 55.0]), np.array([300, 120, 260, 40, 500.0]) * 1e-12
    rise, period, half = 400e-12, 80e-9, 40e-9
    n = np.arange(1, 6001)
    s11 = scattering(chain(n / period, z0, delay), 50.0)[:, 0, 0]
    # trapezoid 0 to 1 that rises from t = 0
    c = np.sinc(n * half / period) * np.sinc(n * rise / period) * half / period
    c = c * np.exp(-2j * np.pi * n / period * (half + rise) / 2)
    seen = echo(z0, delay, rise, 50.0)
    t = seen.time[seen.time < 6e-9]
    expected = 2 * ((c * s11) @ np.exp(2j * np.pi * np.outer(n / period, t))).real  # no reflection at zero frequency
    assert seen.near[: len(t)] == pytest.approx(expected, abs=2e-3)
    assert np.abs(expected).max() > 0.05


def test_stretches_in_first_order_equal_the_followed_reflections():
    """A weak step: what multiple reflections add is the square of the deviation."""
    z0, delay = [50, 54, 50, 47, 50], np.array([1000, 80, 700, 400, 1000]) * 1e-12
    share, start, stop = worst_stretch(z0, delay, 300e-12, 50.0)
    wave = echo(z0, delay, 300e-12, 50.0).near
    assert share == pytest.approx(wave[np.argmax(np.abs(wave))], abs=2e-3)
    assert share == pytest.approx(-3 / 97)
    assert 1.78e-9 <= start < stop <= 2.181e-9  # a full window within the low stretch
    assert worst_stretch(z0[:3], delay[:3], 300e-12, 50.0)[0] == pytest.approx(4 / 104 * 80 / 150)


def test_a_high_and_a_low_piece_within_one_edge_cancel_and_far_apart_do_not():
    near = worst_stretch([50, 60, 41.7, 50], np.array([1000, 20, 20, 1000]) * 1e-12, 1e-9, 50.0)[0]
    apart = worst_stretch([50, 60, 50, 41.7, 50], np.array([1000, 20, 1000, 20, 1000]) * 1e-12, 1e-9, 50.0)[0]
    assert abs(near) < abs(apart) * 1.001
    assert abs(apart) == pytest.approx(1 / 11 * 20 / 500, rel=1e-3)
    long = worst_stretch([60, 41.7], np.array([2000, 2000]) * 1e-12, 1e-9, 50.0)[0]
    assert abs(long) == pytest.approx(1 / 11, rel=1e-2)


def test_stub_reflection_has_its_limits_and_the_wave_of_a_chain():
    assert stub_reflection(50.0, 50.0, 10e-9, 1e-10) == pytest.approx(1 / 3)
    # Bogatin's rule, from memory: a stub below a fifth of the edge is harmless; a fifth reflects some tenth
    assert stub_reflection(50.0, 50.0, 0.2 * 1e-9, 1e-9 / 0.8) == pytest.approx(0.107, abs=1e-3)
    assert stub_reflection(50.0, 5.0, 1e-12, 1e-9) == pytest.approx(50 * 1e-12 / (2 * 5 * 1e-9), rel=0.02)
    rise, period, half, delay = 400e-12, 80e-9, 40e-9, 90e-12
    n = np.arange(1, 6001)
    for stub in (50.0, 15.0):
        s11 = scattering(shunt(open_stub(n / period, [stub], [delay])), 50.0)[:, 0, 0]
        c = np.sinc(n * half / period) * np.sinc(n * rise / period) * half / period
        c = c * np.exp(-2j * np.pi * n / period * (half + rise) / 2)
        t = np.linspace(0, 2e-9, 401)
        wave = 2 * ((c * s11) @ np.exp(2j * np.pi * np.outer(n / period, t))).real
        assert stub_reflection(50.0, stub, delay, rise) == pytest.approx(np.abs(wave).max(), rel=0.02)


def test_out_of_range_is_said():
    with pytest.raises(OutOfRange):
        chain([1e9], [0.0], [1e-9])
    with pytest.raises(OutOfRange):
        respond([50.0], [1e-9], 0.0, 50.0)
    with pytest.raises(OutOfRange):
        worst_stretch([50.0], [-1e-9], 1e-9, 50.0)
