"""Where the return current flows under a line, and what it costs when the plane is finite, slotted or split.

All functions take arrays. x runs across the line, heights are those of the trace above its plane; lengths in m,
inductance in H, capacitance in F. Planes are thin perfect conductors: the distribution holds where the skin depth is
small against the plane's thickness or, for the shares, where the resistance per square is small against omega mu0 h.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from quietcopper.fields.ranges import Floats, checked
from quietcopper.units import EPS0, INCH, MU0

# --- share of the return current -----------------------------------------------------------------------------------


def microstrip_share(half_width: ArrayLike, height: ArrayLike) -> Floats:
    """Share of the return current within +-half_width under a thin line over one plane: (2/pi) atan(x/h). Exact."""
    x = checked("half width", half_width, open_low=False, infinite=True)
    return 2 / np.pi * np.arctan(x / checked("height", height))


def microstrip_half_width(share: ArrayLike, height: ArrayLike) -> Floats:
    """Half width under a thin line over one plane that carries `share` of the return, m: h tan(pi share/2). Exact."""
    s = checked("share", share, high=1 - 1e-12)
    return checked("height", height) * np.tan(np.pi / 2 * s)


def strip_density(x: ArrayLike, width: ArrayLike, height: ArrayLike) -> Floats:
    """Return current density per ampere under a strip with uniform current, 1/m.

    [atan((2x+w)/2h) - atan((2x-w)/2h)]/(pi w): Holloway & Kuester, IEEE Trans. MTT 1995 (formula as corrected in
    2006). Exact for uniform current; the edge crowding of a real strip changes it by a few per cent for w below 2 h.
    """
    x = np.asarray(x, dtype=float)
    w, h = checked("width", width), checked("height", height)
    return (np.arctan((2 * x + w) / (2 * h)) - np.arctan((2 * x - w) / (2 * h))) / (np.pi * w)


def stripline_share(half_width: ArrayLike, position: ArrayLike, spacing: ArrayLike) -> tuple[Floats, Floats]:
    """Shares within +-half_width on the plane at y = 0 and on the plane at y = spacing, for a thin line at `position`.

    (2/pi) atan(tanh(pi x/2b) cot(pi y/2b)) on the lower plane, the same with b - y on the upper: the integral of the
    exact density sin(pi y/b)/(2b (cosh(pi x/b) - cos(pi y/b))). Over infinite width 1 - y/b and y/b. Exact.
    """
    x = checked("half width", half_width, open_low=False, infinite=True)
    b = checked("spacing", spacing)
    y = checked("position over spacing", np.asarray(position, dtype=float) / b, high=1 - 1e-12)
    t = np.tanh(np.pi * x / (2 * b))
    lower = 2 / np.pi * np.arctan(t / np.tan(np.pi * y / 2))
    upper = 2 / np.pi * np.arctan(t * np.tan(np.pi * y / 2))
    return lower, upper


def stripline_half_width(share: ArrayLike, spacing: ArrayLike) -> Floats:
    """Half width under a line midway between two planes that carries `share` of the return on both, m. Exact."""
    s = checked("share", share, high=1 - 1e-12)
    return checked("spacing", spacing) / np.pi * np.arcsinh(np.tan(np.pi / 2 * s))


# --- finite planes -------------------------------------------------------------------------------------------------


def plane_inductance(width: ArrayLike, offset: ArrayLike, height: ArrayLike) -> Floats:
    """Net inductance of a finite plane under a thin line, H/m: what drives common mode when current returns in it.

    width : of the plane across the line; offset : of the line from the plane's centre line, any sign; height : of the
    line. (mu0/2pi) ln|z + sqrt(z-1) sqrt(z+1)|, z = 2(x + jh)/W. Exact for one thin line and an isolated thin plane;
    the problem of Leone, IEEE Trans. EMC 43(4), 2001, 667-671, solved by conformal mapping. mu0 h/(pi W) at the
    centre of a wide plane.
    """
    w, h = checked("plane width", width), checked("height", height)
    z = 2 * (np.asarray(offset, dtype=float) + 1j * h) / w
    return MU0 / (2 * np.pi) * np.log(np.abs(z + np.sqrt(z - 1) * np.sqrt(z + 1)))


def edge_inductance(width: ArrayLike, offset: ArrayLike, height: ArrayLike) -> Floats:
    """What the edges of a finite plane add to the loop of a thin line over it, H/m; arguments as `plane_inductance`.

    (mu0/2pi) ln[(|u|^2 - 1) W / (4 h |1 + z/r|)], u = z + r, r = sqrt(z-1) sqrt(z+1), z = 2(x + jh)/W: the plane's
    outside mapped on to a circle's. Exact for an isolated thin plane; (mu0/2pi) ln(1/cos(atan(h/a)/2)) at a from the
    one edge of a half plane.
    """
    w, h = checked("plane width", width), checked("height", height)
    z = 2 * (np.asarray(offset, dtype=float) + 1j * h) / w
    root = np.sqrt(z - 1) * np.sqrt(z + 1)
    return MU0 / (2 * np.pi) * np.log((np.abs(z + root) ** 2 - 1) * w / (4 * h * np.abs(1 + z / root)))


def imbalance(plane: ArrayLike, loop: ArrayLike) -> Floats:
    """Current division factor h of a line: net inductance of its plane over the loop inductance, 0 to 1.

    Where h changes by dh along a path, a common-mode source dh V stands there (Su & Hubing, IEEE Trans. EMC 53(1),
    2011, 150-156). That h equals this ratio in a homogeneous medium follows by reciprocity.
    """
    h = np.asarray(plane, dtype=float) / checked("loop inductance", loop)
    return checked("imbalance", h, 0.0, 1.0, open_low=False)


# --- slots inside a plane ------------------------------------------------------------------------------------------


_GAUSS = np.polynomial.legendre.leggauss(48)
_PEAK_POINTS = 40  # at which a peak is looked for after each corner of a current


def slot_inductance(
    length: ArrayLike, slot_width: ArrayLike, height: ArrayLike, trace_width: ArrayLike, offset: ArrayLike = 0.0
) -> Floats:
    """Excess inductance of a trace that crosses a slot in an otherwise unbroken plane at right angles, H; quick.

    length, slot_width : of the slot, across and along the trace; offset : of the trace from the slot's middle.
    The slender-slot form of the aperture problem that `slots.solve_slot` solves in full: the trace and its image
    put the magnetic potential phi(y) = <atan((y - y0)/h)>/pi per ampere on the slot, which answers like a thin
    neutral rod: dL = (pi mu0/2) integral (phi - phi0)^2/c dy, c = ln(4 a/g + 4) - 1 on each of the two arms of length
    a, phi0 making the charge vanish. Derived here; the 4 inside the logarithm was fitted to full solutions.
    Range: length at least 3 slot widths, trace inside the slot's length. Error against the full solution within 10 %
    for a centred trace from 8 slot widths on, up to 13 % low at 3; up to 25 % high within a slot width of the end.
    """
    d, g = np.asarray(length, dtype=float), checked("slot width", slot_width)
    checked("slot length over slot width", d / g, 3.0, open_low=False)
    h, w = checked("height", height), checked("trace width", trace_width)
    y0 = np.asarray(offset, dtype=float)
    checked("trace offset over half the slot length", np.abs(y0) / (d / 2), 0.0, 1.0, open_low=False)
    nodes, weights = _GAUSS
    scale = np.hypot(h, w / 2)  # the potential turns over within about this distance of the trace
    charge = potential = square = np.zeros(())
    for side in (1.0, -1.0):
        arm = d / 2 - side * y0
        reach = np.arcsinh(arm / scale)
        u = reach[..., None] * (nodes + 1) / 2
        dt = scale[..., None] * np.cosh(u) * reach[..., None] * weights / 2
        dt = dt / (np.log(4 * arm / g + 4) - 1)[..., None]
        phi = strip_potential(side * scale[..., None] * np.sinh(u), w[..., None], h[..., None])
        charge = charge + np.sum(dt, axis=-1)
        potential = potential + np.sum(phi * dt, axis=-1)
        square = square + np.sum(phi**2 * dt, axis=-1)
    return (np.pi * MU0 / 2 * (square - potential**2 / charge))[()]


def strip_potential(y: ArrayLike, width: ArrayLike, height: ArrayLike) -> Floats:
    """Magnetic scalar potential per ampere that a strip with uniform current and its image put on the plane.

    <atan((y - u)/h)>/pi averaged over the strip |u| <= w/2: from -1/2 far on one side to +1/2 on the other. Its slope
    is the return current density. Exact.
    """
    y, w, h = np.asarray(y, dtype=float), checked("width", width), checked("height", height)

    def primitive(t: Floats) -> Floats:
        return t * np.arctan(t / h) - h / 2 * np.log1p((t / h) ** 2)

    return (primitive(y + w / 2) - primitive(y - w / 2)) / (np.pi * w)


def babinet_slot(length: ArrayLike, slot_width: ArrayLike) -> Floats:
    """Static dual of the slot as a thin dipole, H: mu0 pi D/8/(ln(2D/g) - 1). An upper bound, for cross-check only.

    The trace sees 0.3 to 0.7 of it where its height is not small against the slot. Range: length >= 3 slot widths.
    """
    d = np.asarray(length, dtype=float)
    ratio = checked("slot length over slot width", d / checked("slot width", slot_width), 3.0, open_low=False)
    return MU0 * np.pi * d / 8 / (np.log(2 * ratio) - 1)


def printed_slot_rule(diversion: ArrayLike, trace_width: ArrayLike) -> Floats:
    """The printed rule 5 D ln(D/W) nH, D in inches, as H: for cross-check only, never as the answer.

    Johnson & Graham, High-Speed Digital Design (from memory). D is read as the one-sided diversion (half the slot for
    a centred trace), W as the trace's width. It lies 2 to 10 times above two independent solutions for narrow slots.
    """
    d, w = checked("diversion", diversion), checked("trace width", trace_width)
    checked("diversion over trace width", d / w, 1.0)
    return 5e-9 * d / INCH * np.log(d / w)


# --- splits: capacitance and bridges -------------------------------------------------------------------------------


def split_capacitance(first_area: ArrayLike, second_area: ArrayLike, spacing: ArrayLike, er: ArrayLike) -> Floats:
    """Capacitance between the halves of a split plane through another plane facing both, F: two plates in series.

    Without fringes and without the gap's own capacitance, so low by 5 to 15 % for plates some
    tens of spacings wide; solved full wave, two 22 x 40 mm halves over a plane 1 mm below gave 18.6 pF against 16.6.
    """
    a, b = checked("first area", first_area), checked("second area", second_area)
    return EPS0 * checked("er", er, 1.0, open_low=False) / checked("spacing", spacing) * a * b / (a + b)


def resonance(inductance: ArrayLike, capacitance: ArrayLike) -> Floats:
    """1/(2 pi sqrt(L C)), Hz. Exact."""
    return 1 / (2 * np.pi * np.sqrt(checked("inductance", inductance) * checked("capacitance", capacitance)))


@lru_cache(maxsize=1 << 16)
def pulse_peak(
    current: float, rise: float, duration: float, inductance: float, capacitance: float, resistance: float
) -> float:
    """Largest voltage across L, C and R in parallel while a line's charging current passes, V.

    A driver sends `current` into its line until the wave comes back from the far end: the current rises in `rise`,
    lasts `duration` (twice the line's delay; counted from start of rise to start of fall) and falls as it rose. L may
    be infinite (nothing bridges) and C zero; R, the line's own impedances across the gap, is finite. So short lines
    put little on large planes: at most current·duration / C. Exact for these four figures: the response to an endless
    ramp, added four times; the peak is looked for after each corner of the current, then more finely around the
    highest place (to 1e-4).
    Raises OutOfRange without a finite resistance.
    """
    i, tr, last = abs(float(current)), float(checked("rise time", rise)), float(checked("duration", duration))
    bridge = float(checked("inductance", inductance, infinite=True))
    c = float(checked("capacitance", capacitance, open_low=False))
    r = float(checked("resistance", resistance))
    ring = 2 * np.pi * np.sqrt(bridge * c) if np.isfinite(bridge) else 0.0
    corners = np.array([0.0, tr, last, tr + last])
    fades = min(2 * ring, 20 * r * c)
    after = np.concatenate([np.linspace(0, fades, _PEAK_POINTS), np.linspace(0, tr + fades, _PEAK_POINTS)])
    t = np.sort(np.concatenate([corners, (corners[:, None] + after).ravel()]))  # a peak follows one of the corners

    def level(t: Floats) -> Floats:
        v = _ramp_response(t, bridge, c, r)
        for shift, sign in ((tr, -1), (last, -1), (tr + last, 1)):
            v = v + sign * _ramp_response(np.maximum(t - shift, 0.0), bridge, c, r)
        return np.abs(v)

    v = level(t)
    peak = int(v.argmax())
    around = level(np.linspace(t[max(peak - 1, 0)], t[min(peak + 1, len(t) - 1)], _PEAK_POINTS))
    return float(i / tr * max(v[peak], around.max()))


def _ramp_response(t: Floats, bridge: float, c: float, r: float) -> Floats:
    """Voltage at times t after the start of an endless unit ramp (1 A/s) into L, C and R in parallel, V."""
    if c == 0.0:
        if np.isinf(bridge):
            return r * t
        return -bridge * np.expm1(-t * r / bridge)
    if np.isinf(bridge):
        tau = r * c
        return r * (t + tau * np.expm1(-t / tau))
    damping = 1 / (2 * r * c)
    square = 1 / (bridge * c) - damping**2
    split = np.sqrt(abs(square))
    if split < 1e-6 * damping:  # critical damping: the limit, off by 1e-12
        square, split = damping**2, 1e-6 * damping
    if square > 0:
        fading = np.exp(-damping * t) * (np.cos(split * t) + damping / split * np.sin(split * t))
    else:
        slow, fast = np.exp((split - damping) * t), np.exp(-(split + damping) * t)
        fading = (slow + fast + damping / split * (slow - fast)) / 2
    return np.asarray(bridge * (1 - fading))


# --- what a lumped element does to an edge -------------------------------------------------------------------------


def series_reflection(inductance: ArrayLike, impedance: ArrayLike, rise: ArrayLike) -> Floats:
    """Peak reflection of a straight edge at an inductance in series with a line, per volt of incident edge.

    (tau/rise)(1 - exp(-rise/tau)), tau = L/2Z0: exact for a matched line and a lumped inductance; L/(2 Z0 rise) for
    slow edges (Johnson & Graham, from memory).
    """
    tau = checked("inductance", inductance, open_low=False) / (2 * checked("impedance", impedance))
    return _edge_reflection(tau, checked("rise time", rise))


def shunt_reflection(capacitance: ArrayLike, impedance: ArrayLike, rise: ArrayLike) -> Floats:
    """Peak (negative) reflection of a straight edge at a capacitance across a line, as a positive share.

    As `series_reflection` with tau = C Z0/2. Exact for a matched line and a lumped capacitance.
    """
    tau = checked("capacitance", capacitance, open_low=False) * checked("impedance", impedance) / 2
    return _edge_reflection(tau, checked("rise time", rise))


def _edge_reflection(tau: Floats, rise: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return -tau / rise * np.expm1(-rise / tau)
