"""Lines in a row between a source and a load: over frequency as chain and scattering matrices, in time as reflections.

A line is given piece by piece: characteristic impedance (ohm) and one-way delay (s) of each, in the order a wave meets
them. `rise` is always the whole length of a straight edge, from 0 to 100 % (`spectra.full_rise` converts 10-90 %).
Sources, all textbook: Pozar, Microwave Engineering, sections 2.3 and 4.4 (chain and scattering matrices); Bergeron's
method of travelling waves as in Paul, Analysis of Multiconductor Transmission Lines, chapter 5 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietcopper.fields.compiled import kernel
from quietcopper.fields.ranges import Complexes, Floats, checked

Ints = NDArray[np.int64]

CELLS_PER_EDGE = 100  # time steps in an edge; a piece's delay is rounded to a step
SETTLED = 1e-3  # of the swing; what is left in the line when a response ends
MOST_STEPS = 60_000  # of a response; a line that rings longer is cut off there


# --- over frequency ---------------------------------------------------------------------------------------------------


def chain(frequency: ArrayLike, z0: ArrayLike, delay: ArrayLike, loss: ArrayLike = 0.0) -> Complexes:
    """Chain (ABCD) matrix of pieces in a row, shape (frequencies, 2, 2).

    frequency : (f,) Hz; z0 : (n,) or (f, n), ohm, real or complex; delay : (n,) or (f, n), s
    loss : attenuation of each piece as it is long, Np, (n,) or (f, n)
    Exact for uniform pieces.
    """
    f = np.atleast_1d(checked("frequency", frequency, open_low=False))[:, None]
    wave = np.atleast_1d(loss) + 2j * np.pi * f * np.atleast_1d(checked("delay", delay, open_low=False))
    z = np.broadcast_to(np.asarray(z0, dtype=complex), wave.shape)
    checked("impedance", z.real)
    ch, sh = np.cosh(wave), np.sinh(wave)
    pieces = np.stack([np.stack([ch, z * sh], -1), np.stack([sh / z, ch], -1)], -2)
    out = np.broadcast_to(np.eye(2, dtype=complex), (len(f), 2, 2))
    for i in range(pieces.shape[1]):
        out = out @ pieces[:, i]
    return np.ascontiguousarray(out)


def shunt(admittance: ArrayLike) -> Complexes:
    """Chain matrix of something across the line, S, shape (..., 2, 2): a branch with admittance (f,), for `@`."""
    y = np.asarray(admittance, dtype=complex)
    one, zero = np.ones_like(y), np.zeros_like(y)
    return np.stack([np.stack([one, zero], -1), np.stack([y, one], -1)], -2)


def open_stub(frequency: ArrayLike, z0: ArrayLike, delay: ArrayLike) -> Complexes:
    """Admittance of a line that ends open, S, shape (frequencies,): C/A of its chain matrix. Infinite where it is a
    quarter wave long."""
    matrix = chain(frequency, z0, delay)
    return matrix[:, 1, 0] / matrix[:, 0, 0]


def scattering(matrix: Complexes, reference: float = 50.0) -> Complexes:
    """Scattering matrix between two ports of `reference` ohm from a chain matrix, both of shape (..., 2, 2)."""
    r = float(checked("reference impedance", reference))
    a, b, c, d = (matrix[..., i, j] for i in (0, 1) for j in (0, 1))
    total = a + b / r + c * r + d
    back, forth = (a + b / r - c * r - d) / total, (-a + b / r - c * r + d) / total
    through = 2 / total
    return np.stack([np.stack([back, 2 * (a * d - b * c) / total], -1), np.stack([through, forth], -1)], -2)


def input_impedance(matrix: Complexes, load: ArrayLike) -> Complexes:
    """What a chain with `load` (ohm, may be infinite) at its far end presents, ohm, shape (...)."""
    z = np.asarray(load, dtype=complex)
    a, b, c, d = (matrix[..., i, j] for i in (0, 1) for j in (0, 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        y = np.where(np.isinf(z.real), 0.0, 1 / z)
        out: Complexes = (a + b * y) / (c + d * y)
    return out


# --- in time ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Response:
    """Voltages at both ends of a line per volt of the source's edge. time : s, from the edge's start; all (n,)."""

    time: Floats
    near: Floats
    far: Floats


def respond(
    z0: ArrayLike,
    delay: ArrayLike,
    rise: float,
    source: float,
    load: float = np.inf,
    duration: float | None = None,
) -> Response:
    """What an edge of 1 V behind `source` (ohm) does at both ends of a line that ends in `load` (ohm, inf: open).

    z0, delay : (n,) of the pieces; duration : s, else until the waves in the line have fallen below `SETTLED`
    Lossless, all reflections followed. Delays are rounded to a hundredth of the edge; a piece shorter than half of
    that is left out (what it reflects is at most a hundredth of its own step).
    """
    z = np.atleast_1d(checked("impedance", z0))
    t = np.atleast_1d(checked("delay", delay, open_low=False))
    step = float(checked("rise time", rise)) / CELLS_PER_EDGE
    rs = float(checked("source resistance", source, open_low=False))
    rl = float(checked("load resistance", load, open_low=False, infinite=True))
    # whole steps by the sum so far, so that the roundings do not add up
    ends = np.rint(np.concatenate([[0.0], np.cumsum(t)]) / step).astype(np.int64)
    cells = np.diff(ends)
    if not cells.any():  # shorter than a step: the load hangs on the source
        count = CELLS_PER_EDGE + 1 if duration is None else int(np.ceil(duration / step)) + 1
        share = 1.0 if np.isinf(rl) else rl / (rs + rl)
        wave = share * np.minimum(np.arange(count) / CELLS_PER_EDGE, 1.0)
        return Response(step * np.arange(count, dtype=float), wave, wave)
    z, cells = z[cells > 0], cells[cells > 0]
    at_source = (rs - z[0]) / (rs + z[0])
    at_load = 1.0 if np.isinf(rl) else (rl - z[-1]) / (rl + z[-1])
    if duration is None:
        around = abs(at_source * at_load)
        rounds = 2 if around < SETTLED else 2 + min(np.log(SETTLED) / np.log(min(around, 0.9999)), 1e4)
        count = int(min(2 * cells.sum() * rounds + CELLS_PER_EDGE + 1, MOST_STEPS))
    else:
        count = int(min(np.ceil(float(checked("duration", duration)) / step) + 1, MOST_STEPS))
    (on, back), (arrive_on, arrive_back) = np.zeros((2, cells.sum())), np.zeros((2, len(z)))
    near, far = np.zeros((2, count))
    first, launched = np.cumsum(cells) - cells, z[0] / (rs + z[0])
    rings = first, at_source, at_load, launched, CELLS_PER_EDGE
    _bergeron(z, cells, *rings, on, back, arrive_on, arrive_back, near, far)
    return Response(step * np.arange(count, dtype=float), near, far)


@kernel("f8[::1], i8[::1], i8[::1], f8, f8, f8, f8, f8[::1], f8[::1], f8[::1], f8[::1], f8[::1], f8[::1]")
def _bergeron(
    z: Floats, cells: Ints, first: Ints, at_source: float, at_load: float, launched: float, edge: float, onward: Floats,
    back: Floats, arrive_on: Floats, arrive_back: Floats, near: Floats, far: Floats,
) -> None:  # fmt: skip  # pragma: no cover - compiled
    """Waves in pieces of line of whole steps (Bergeron's method), each kept in a ring of `cells`, the rings one after
    the other from `first`. onward, back : zeros, one a step; arrive_on, arrive_back : room, one a piece; near, far :
    what comes to either end by step"""
    n = len(z)
    for k in range(len(near)):
        for i in range(n):
            slot = first[i] + k % cells[i]
            arrive_on[i], arrive_back[i] = onward[slot], back[slot]
        start = launched * min(k / edge, 1.0) + at_source * arrive_back[0]
        near[k] = start + arrive_back[0]
        onward[first[0] + k % cells[0]] = start
        for i in range(n - 1):
            step = (z[i + 1] - z[i]) / (z[i + 1] + z[i])
            on, left = arrive_on[i], arrive_back[i + 1]
            back[first[i] + k % cells[i]] = step * on + (1 - step) * left
            onward[first[i + 1] + k % cells[i + 1]] = (1 + step) * on - step * left
        far[k] = (1 + at_load) * arrive_on[n - 1]
        back[first[n - 1] + k % cells[n - 1]] = at_load * arrive_on[n - 1]


def overshoot(response: Response, load: float, source: float) -> tuple[float, float]:
    """How far the far end goes beyond its final value, and how far it falls back below it after that, shares of it."""
    final = 1.0 if np.isinf(load) else load / (load + source)
    far = response.far / final
    top = int(np.argmax(far))
    return max(float(far[top]) - 1, 0.0), max(1 - float(far[top:].min()), 0.0)


def echo(z0: ArrayLike, delay: ArrayLike, rise: float, reference: float) -> Response:
    """Time-domain reflection: both ends matched to `reference` (ohm). `near` is the reflected wave per volt of the wave
    that is sent in, over the time from its start."""
    seen = respond(z0, delay, rise, reference, reference)
    sent = 0.5 * np.minimum(seen.time / rise, 1.0)
    return Response(seen.time, (seen.near - sent) / 0.5, seen.far / 0.5)


# --- shares of an edge that are reflected -----------------------------------------------------------------------------


def worst_stretch(z0: ArrayLike, delay: ArrayLike, rise: float, reference: float) -> tuple[float, float, float]:
    """Largest share of an edge that a line between matched ends reflects, with its sign, and where: (share, from, to).

    z0, delay : (n,); from, to : delay from the start to the stretch that reflects it, s
    First order: the reflection at any time is the mean of (z - reference)/(z + reference) over the half edge that is
    on its way back together, `rise`/2 of one-way delay; so a stretch counts in full from half the edge on, a shorter
    one in proportion, and a high piece beside a low one takes from it. Multiple reflections are left out (square of
    the deviation).
    """
    z = np.atleast_1d(checked("impedance", z0))
    t = np.atleast_1d(checked("delay", delay, open_low=False))
    window = float(checked("rise time", rise)) / 2
    off = (z - checked("reference impedance", reference)) / (z + reference)
    ends = np.concatenate([[0.0], np.cumsum(t)])
    total = np.concatenate([[0.0], np.cumsum(off * t)])
    # the mean over a sliding window is straight between the places where one of its ends passes a step
    start = np.unique(np.concatenate([ends, ends - window]))
    mean = (np.interp(start + window, ends, total) - np.interp(start, ends, total)) / window
    best = int(np.argmax(np.round(np.abs(mean), 12)))
    return float(mean[best]), float(max(start[best], 0.0)), float(min(start[best] + window, ends[-1]))


def stub_reflection(z0: ArrayLike, stub: ArrayLike, delay: ArrayLike, rise: ArrayLike) -> Floats:
    """Largest share of an edge that an open branch beside a line reflects, a positive figure.

    z0 : of the line, the same on both sides; stub : of the branch, ohm; delay : of the branch, s
    Exact for a straight edge, all reflections in the branch followed: between two returns of the branch's wave the
    reflected one falls by first·inside^m per rise time. A long branch reflects z0/(z0 + 2·stub), a third for equal
    impedances; a short one 2·delay/rise of that.
    """
    z, s = checked("line impedance", z0), checked("branch impedance", stub)
    r = checked("rise time", rise)
    trip = 2 * checked("branch delay", delay, open_low=False) / r
    first = z / (z + 2 * s)
    inside = (z / 2 - s) / (z / 2 + s)
    whole = np.floor(1 / np.maximum(trip, 1e-9))
    at_end = trip * (1 - inside**whole) / (1 - inside) + inside**whole * np.maximum(1 - whole * trip, 0)
    out: Floats = first * np.where(trip >= 1, 1.0, np.maximum(trip, at_end))
    return out
