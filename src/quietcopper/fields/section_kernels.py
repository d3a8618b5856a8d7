"""Boundary integrals of a cross-section, compiled: potential and field of charged panels over no, one or two planes.

Charge is counted in volts (charge density / eps0). A panel is a straight piece z(u) = start + step·f(u), 0 <= u <= 1,
with f(u) = u^power, or f(u) = 1/u − 1 (power 0) for the piece that runs to infinity. Its unknowns are the values, at
`order` Gauss nodes in u, of the charge per unit of u: with the right power that is smooth even where the density
itself is infinite (corners, edges), so no small panels are needed there.

    potential      φ(z) = −1/(2π) ∫ q (log|z−z'| − log|images|)
    field   Ex − iEy(z) =  1/(2π) ∫ q (1/(z−z')  − images)

Far pairs use the Gauss rule, near pairs integrate the kernel against the interpolation polynomial: in closed form on
straight panels, by bisection towards the target on the others. Between two planes the exact periodic kernel is used;
the three nearest images are split off it where a target is near.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

from quietcopper.fields.compiled import FAST, kernel

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Ints = NDArray[np.int64]

FREE, ONE_PLANE, TWO_PLANES = 0, 1, 2
NEAR = 2.53  # panels closer than this many half lengths to a target are integrated, not sampled; no ties with 2.5
_SUB = 6  # Gauss points of a bisected piece


@cache
def rule(order: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Gauss rule on 0..1 of `order` nodes and what interpolation at them needs.

    Returns nodes u and weights w, shape (order,); powers: monomial coefficients [m, j] in t = 2u − 1 of the j-th
    interpolation polynomial; legendre [m, j]: its weight for the m-th Legendre moment on 0..1.
    """
    t, w = np.polynomial.legendre.leggauss(order)
    powers: Floats = np.linalg.inv(np.vander(t, order, increasing=True)).astype(np.float64)
    m = np.arange(order)
    legendre = (2 * m + 1)[:, None] * np.polynomial.legendre.legvander(t, order - 1).T * (w / 2)
    return (t + 1) / 2, w / 2, powers, np.ascontiguousarray(legendre)


@cache
def self_potential(power: float, order: int) -> Floats:
    """∫ l_j(u) log|u^power − u_i^power| du at the nodes u_i of a panel itself, shape (order, order)."""
    u, _, powers, legendre = rule(order)
    # log|u − u_i| in closed form, the smooth rest by a rule graded towards 0, where u^power is not analytic
    straight = np.zeros((order, order))
    _unit_potentials(u, powers, straight)
    edges = np.concatenate([[0.0], 0.25 ** np.arange(20, -1, -1.0)])
    t, w = np.polynomial.legendre.leggauss(20)
    s = (edges[:-1, None] + np.diff(edges)[:, None] * (t + 1) / 2).ravel()
    ws = (np.diff(edges)[:, None] * w / 2).ravel()
    basis = np.polynomial.legendre.legvander(2 * s - 1, order - 1) @ legendre
    step = s[None, :] - u[:, None]
    same = np.abs(step) < 1e-7
    slope = power * u[:, None] ** (power - 1) * np.ones_like(step)
    ratio = np.where(same, slope, (s[None, :] ** power - u[:, None] ** power) / np.where(same, 1.0, step))
    out: Floats = straight + (np.log(np.abs(ratio)) * ws) @ basis
    return out


_T, _W = np.polynomial.legendre.leggauss(_SUB)
PIECE = (_T + 1) / 2, _W / 2  # rule on one bisected piece

_part = kernel(fastmath=FAST)


@_part
def _straight_potential(z: complex, start: complex, step: complex, powers: Floats, out: Floats) -> None:
    """out[j] += ∫ l_j log|z − z'| on a straight panel."""
    order = powers.shape[0]
    half = step / 2
    t = (z - start - half) / half
    upper, lower = np.log(t - 1), np.log(t + 1)
    rational = lower - upper
    base = math.log(abs(half))
    sign = -1.0
    for m in range(order):
        rational = t * rational - (0.0 if m % 2 else 2.0) / (m + 1)
        moment = 0.5 * (upper - sign * lower + rational).real / (m + 1)
        if m % 2 == 0:
            moment += base / (m + 1)
        sign = -sign
        for j in range(order):
            out[j] += powers[m, j] * moment


@kernel("f8[::1], f8[:,::1], f8[:,::1]", fastmath=FAST)
def _unit_potentials(u: Floats, powers: Floats, out: Floats) -> None:
    """out[i, j] += ∫ l_j log|u_i − u| du from 0 to 1."""
    for i in range(u.shape[0]):
        _straight_potential(complex(u[i], 0.0), complex(0.0, 0.0), complex(1.0, 0.0), powers, out[i])


@_part
def _straight_field(z: complex, start: complex, step: complex, powers: Floats, out: Complexes) -> None:
    """out[j] += ∫ l_j / (z − z') on a straight panel."""
    order = powers.shape[0]
    half = step / 2
    t = (z - start - half) / half
    rational = np.log(t + 1) - np.log(t - 1)
    for m in range(order):
        moment = rational / (2 * half)
        for j in range(order):
            out[j] += powers[m, j] * moment
        rational = t * rational - (0.0 if m % 2 else 2.0) / (m + 1)


@_part
def _pole(z: complex, start: complex, step: complex, power: float) -> complex:
    """Where in the complex u plane the panel's continuation passes z."""
    tau = (z - start) / step
    if power == 0.0:
        return 1e30 + 0j if abs(1 + tau) < 1e-30 else 1 / (1 + tau)
    return np.exp(np.log(tau) / power)


@_part
def _bent_potential(
    z: complex, start: complex, step: complex, power: float, legendre: Floats, u8: Floats, v8: Floats, moments: Floats,
    out: Floats,
) -> None:  # fmt: skip
    """out[j] += ∫ l_j log|z − z'| on a panel with any power, the target off the panel. On a panel to infinity the
    kernel is log|u (z − z')|: the constant it lacks takes part in no difference of potentials.
    moments : (order,) room"""
    order = legendre.shape[0]
    pole = _pole(z, start, step, power)
    moments[:] = 0.0
    low = 0.0
    size = 1.0
    while low < 1.0:
        while size > 1e-9 and abs(pole - (low + size / 2)) < size:
            size /= 2
        for g in range(u8.shape[0]):
            u = low + size * u8[g]
            d = u * (z - start) - step * (1 - u) if power == 0.0 else z - start - step * u**power
            value = 0.5 * math.log(d.real * d.real + d.imag * d.imag) * v8[g] * size
            t = 2 * u - 1
            before, now = 1.0, t
            moments[0] += value
            for m in range(1, order):
                moments[m] += value * now
                before, now = now, ((2 * m + 1) * t * now - m * before) / (m + 1)
        low += size
        # the next piece may be twice as long when the pieces stay aligned
        while size < 1.0 and (low / (2 * size)) % 1.0 == 0.0:
            size *= 2
    for m in range(order):
        for j in range(order):
            out[j] += legendre[m, j] * moments[m]


@_part
def _bent_field(
    z: complex, start: complex, step: complex, power: float, legendre: Floats, u8: Floats, v8: Floats,
    moments: Complexes, out: Complexes,
) -> None:  # fmt: skip
    """out[j] += ∫ l_j / (z − z') on a panel with any power, the target off the panel. moments : (order,) room"""
    order = legendre.shape[0]
    pole = _pole(z, start, step, power)
    moments[:] = 0.0
    low = 0.0
    size = 1.0
    while low < 1.0:
        while size > 1e-9 and abs(pole - (low + size / 2)) < size:
            size /= 2
        for g in range(u8.shape[0]):
            u = low + size * u8[g]
            value = u / (u * (z - start) - step * (1 - u)) if power == 0.0 else 1 / (z - start - step * u**power)
            value *= v8[g] * size
            t = 2 * u - 1
            before, now = 1.0, t
            moments[0] += value
            for m in range(1, order):
                moments[m] += value * now
                before, now = now, ((2 * m + 1) * t * now - m * before) / (m + 1)
        low += size
        while size < 1.0 and (low / (2 * size)) % 1.0 == 0.0:
            size *= 2
    for m in range(order):
        for j in range(order):
            out[j] += legendre[m, j] * moments[m]


def far_ratios(kind: int, scale: float, zt: Complexes, zs: Complexes, weight: Floats) -> Floats:
    """|z−z'|²·weight' / |images|² for every target and source, ready for one vectorised logarithm.

    kind : FREE, ONE_PLANE (y = 0), TWO_PLANES (y = 0 and y = π/scale)
    """
    out = np.empty((len(zt), len(zs)))
    _far_ratios(kind, scale, zt, zs, weight, np.empty((4, len(zs))), out)
    return out


_FAR = "i8, f8, c16[::1], c16[::1], f8[::1], f8[:,::1], f8[:,::1]"


@kernel(_FAR, fastmath=FAST)
def _far_ratios(
    kind: int, scale: float, zt: Complexes, zs: Complexes, weight: Floats, room: Floats, out: Floats
) -> None:
    """room : for four figures of each source"""
    nt, ns = zt.shape[0], zs.shape[0]
    if kind == TWO_PLANES:
        grow, fall, cosine, sine = room[0], room[1], room[2], room[3]
        for j in range(ns):
            grow[j] = math.exp(scale * zs[j].real)
            fall[j] = 1 / grow[j]
            cosine[j], sine[j] = math.cos(scale * zs[j].imag), math.sin(scale * zs[j].imag)
        for i in range(nt):
            up, co, si = math.exp(scale * zt[i].real), math.cos(scale * zt[i].imag), math.sin(scale * zt[i].imag)
            down = 1 / up
            for j in range(ns):
                c = 0.5 * (up * fall[j] + down * grow[j])
                cc, ss = co * cosine[j], si * sine[j]
                out[i, j] = max(c - cc - ss, 1e-30) / (c - cc + ss)
        return
    xs, ys = room[0], room[1]
    for j in range(ns):
        xs[j], ys[j] = zs[j].real, zs[j].imag
    for i in range(nt):
        x, y = zt[i].real, zt[i].imag
        if kind == ONE_PLANE:
            for j in range(ns):
                d2 = (x - xs[j]) ** 2
                out[i, j] = max(d2 + (y - ys[j]) ** 2, 1e-30) / (d2 + (y + ys[j]) ** 2)
        else:
            for j in range(ns):
                out[i, j] = max((x - xs[j]) ** 2 + (y - ys[j]) ** 2, 1e-30) * weight[j]


def far_fields(kind: int, scale: float, zt: Complexes, normal: Complexes, zs: Complexes, weight: Floats) -> Floats:
    """Field along `normal` (its length included) at each target from each source of given weight."""
    out = np.empty((len(zt), len(zs)))
    _far_fields(kind, scale, zt, zs, weight / (2 * math.pi), np.empty((4, len(zs))), out, normal)
    return out


@kernel(f"{_FAR}, c16[::1]", fastmath=FAST)
def _far_fields(
    kind: int, scale: float, zt: Complexes, zs: Complexes, w: Floats, room: Floats, out: Floats, normal: Complexes
) -> None:
    """w : weights over 2π; room : for four figures of each source"""
    nt, ns = zt.shape[0], zs.shape[0]
    if kind == TWO_PLANES:
        grow, fall, cosine, sine = room[0], room[1], room[2], room[3]
        for j in range(ns):
            grow[j] = math.exp(scale * zs[j].real)
            fall[j] = 1 / grow[j]
            cosine[j], sine[j] = math.cos(scale * zs[j].imag), math.sin(scale * zs[j].imag)
        half = scale / 2
        for i in range(nt):
            up, co, si = math.exp(scale * zt[i].real), math.cos(scale * zt[i].imag), math.sin(scale * zt[i].imag)
            down = 1 / up
            nx, ny = normal[i].real * half, normal[i].imag * half
            for j in range(ns):
                a, b = up * fall[j], down * grow[j]
                c, s = 0.5 * (a + b), 0.5 * (a - b)
                cc, ss, sc, cs = co * cosine[j], si * sine[j], si * cosine[j], co * sine[j]
                d, e = 1 / max(c - cc - ss, 1e-30), 1 / (c - cc + ss)
                out[i, j] = w[j] * (nx * s * (d - e) + ny * ((sc - cs) * d - (sc + cs) * e))
        return
    xs, ys = room[0], room[1]
    for j in range(ns):
        xs[j], ys[j] = zs[j].real, zs[j].imag
    for i in range(nt):
        x, y = zt[i].real, zt[i].imag
        nx, ny = normal[i].real, normal[i].imag
        if kind == ONE_PLANE:
            for j in range(ns):
                dx, dy, sy = x - xs[j], y - ys[j], y + ys[j]
                d, e = 1 / max(dx * dx + dy * dy, 1e-30), 1 / (dx * dx + sy * sy)
                out[i, j] = w[j] * (nx * dx * (d - e) + ny * (dy * d - sy * e))
        else:
            for j in range(ns):
                dx, dy = x - xs[j], y - ys[j]
                out[i, j] = w[j] * (nx * dx + ny * dy) / max(dx * dx + dy * dy, 1e-30)


@_part
def _is_near(z: complex, start: complex, step: complex, power: float) -> bool:
    if power == 0.0:
        return abs(_pole(z, start, step, power) - 0.5) < NEAR * 0.5
    d = z - start - step / 2
    return d.real * d.real + d.imag * d.imag < (NEAR / 2) ** 2 * (step.real * step.real + step.imag * step.imag)


@_part
def _periodic_rest(scale: float, dx: float, dy: float, sy: float) -> tuple[float, complex]:
    """What the two-plane kernel adds to the direct term and the two nearest images (below and above).

    Returns the logarithm (potential kernel) and the complex field kernel. dx, dy, sy: x − x', y − y', y + y'.
    """
    x, y, s = scale * dx, scale * dy, scale * sy
    over = 2 * math.pi - s
    c = math.cosh(x)
    x2 = x * x
    r0, r1, r2 = x2 + y * y, x2 + s * s, x2 + over * over
    d0 = c - math.cos(y)
    d1 = c - math.cos(s)
    if r0 < 1e-3:  # direct term and periodic kernel both singular: their ratio by its series
        ratio = 1 + (x2 - y * y) / 12 + (x2 * x2 - x2 * y * y + y**4) / 360
        direct_log = 0.5 * math.log(ratio)
        direct_x, direct_y = x / 6 - x * (x2 - 3 * y * y) / 360, y * (3 * x2 - y * y) / 360 - y / 6
    else:
        direct_log = 0.5 * math.log(2 * d0 / r0)
        direct_x, direct_y = math.sinh(x) / d0 - 2 * x / r0, math.sin(y) / d0 - 2 * y / r0
    image_log = 0.5 * math.log(2 * d1 / r1)
    near_x, near_y = math.sinh(x) / d1 - 2 * x / r1, math.sin(s) / d1 - 2 * s / r1
    log = direct_log - image_log + 0.5 * math.log(r2 / (2 * math.pi) ** 2)
    fx = 0.5 * scale * (direct_x - near_x + 2 * x / r2)
    fy = 0.5 * scale * (direct_y - near_y - 2 * over / r2)
    return log, complex(fx, -fy)


# What both ask: kind, scale, targets and their panels; start, step and power of the panels; sources; the rule; the rule
# of a bisected piece; the matrix
_NEAR = (
    "i8, f8, c16[::1], i8[::1], c16[::1], c16[::1], f8[::1], "
    "c16[::1], f8[::1], f8[:,::1], f8[:,::1], f8[::1], f8[::1], f8[:,::1]"
)


@kernel(f"{_NEAR}, f8[:,:,::1], i8[::1], f8[::1], f8[:,::1]", fastmath=FAST)
def near_potentials(
    kind: int, scale: float, zt: Complexes, panel_of: Ints, start: Complexes, step: Complexes, power: Floats,
    zs: Complexes, weights: Floats, powers: Floats, legendre: Floats, u8: Floats, v8: Floats, out: Floats,
    own: Floats, own_row: Ints, nodes: Floats, room: Floats,
) -> None:  # fmt: skip
    """Replaces the near blocks of the potential matrix `out` (targets × sources), factor −1/(2π) included.

    panel_of : panel of each target; own, own_row : table of self_potential blocks and the row of each panel in it
    room : (2, order)
    """
    order = weights.shape[0]
    row, moments = room[0], room[1]
    factor = -1 / (2 * math.pi)
    top = 2 * math.pi / scale if kind == TWO_PLANES else 0.0
    for i in range(zt.shape[0]):
        z = zt[i]
        low = z.conjugate()
        high = complex(z.real, top - z.imag)
        for q in range(start.shape[0]):
            mine = panel_of[i] == q
            s, d, k = start[q], step[q], power[q]
            direct = mine or _is_near(z, s, d, k)
            below = kind >= ONE_PLANE and _is_near(low, s, d, k)
            above = kind == TWO_PLANES and _is_near(high, s, d, k)
            if not (direct or below or above):
                continue
            first = q * order
            row[:] = 0.0
            if direct:
                if mine and k != 1.0:
                    log = math.log(abs(d))
                    for j in range(order):
                        row[j] += own[own_row[q], i - first, j] + log * weights[j]
                elif k == 1.0:
                    _straight_potential(z, s, d, powers, row)
                else:
                    _bent_potential(z, s, d, k, legendre, u8, v8, moments, row)
            else:
                for j in range(order):
                    e = z - zs[first + j]
                    if k == 0.0:
                        e *= nodes[j]
                    row[j] += weights[j] * 0.5 * math.log(e.real * e.real + e.imag * e.imag)
            for image in range(kind):
                zi = low if image == 0 else high
                close = below if image == 0 else above
                for j in range(order):
                    row[j] = -row[j]
                if close:
                    if k == 1.0:
                        _straight_potential(zi, s, d, powers, row)
                    else:
                        _bent_potential(zi, s, d, k, legendre, u8, v8, moments, row)
                else:
                    for j in range(order):
                        e = zi - zs[first + j]
                        if k == 0.0:
                            e *= nodes[j]
                        row[j] += weights[j] * 0.5 * math.log(e.real * e.real + e.imag * e.imag)
                for j in range(order):
                    row[j] = -row[j]
            for j in range(order):
                value = row[j]
                if kind == TWO_PLANES:
                    e = zs[first + j]
                    log, _ = _periodic_rest(scale, z.real - e.real, z.imag - e.imag, z.imag + e.imag)
                    value += weights[j] * (log + math.log(2 * math.pi / scale))
                out[i, first + j] = factor * value


@kernel(f"{_NEAR}, c16[::1], c16[:,::1]", fastmath=FAST)
def near_fields(
    kind: int, scale: float, zt: Complexes, panel_of: Ints, start: Complexes, step: Complexes, power: Floats,
    zs: Complexes, weights: Floats, powers: Floats, legendre: Floats, u8: Floats, v8: Floats, out: Floats,
    normal: Complexes, room: Complexes,
) -> None:  # fmt: skip
    """Replaces the near blocks of the field matrix `out` (targets × sources). A straight panel has no field of its own
    along its normal (the principal value), so the block of a target's own panel holds its images only.

    room : (3, order)
    """
    order = weights.shape[0]
    total, part, moments = room[0], room[1], room[2]
    factor = 1 / (2 * math.pi)
    top = 2 * math.pi / scale if kind == TWO_PLANES else 0.0
    for i in range(zt.shape[0]):
        z = zt[i]
        low = z.conjugate()
        high = complex(z.real, top - z.imag)
        for q in range(start.shape[0]):
            mine = panel_of[i] == q
            s, d, k = start[q], step[q], power[q]
            direct = mine or _is_near(z, s, d, k)
            below = kind >= ONE_PLANE and _is_near(low, s, d, k)
            above = kind == TWO_PLANES and _is_near(high, s, d, k)
            if not (direct or below or above):
                continue
            first = q * order
            total[:] = 0.0
            if not mine:
                if direct:
                    if k == 1.0:
                        _straight_field(z, s, d, powers, total)
                    else:
                        _bent_field(z, s, d, k, legendre, u8, v8, moments, total)
                else:
                    for j in range(order):
                        total[j] = weights[j] / (z - zs[first + j])
            for image in range(kind):
                zi = low if image == 0 else high
                close = below if image == 0 else above
                part[:] = 0.0
                if close:
                    if k == 1.0:
                        _straight_field(zi, s, d, powers, part)
                    else:
                        _bent_field(zi, s, d, k, legendre, u8, v8, moments, part)
                else:
                    for j in range(order):
                        part[j] = weights[j] / (zi - zs[first + j])
                for j in range(order):
                    total[j] -= part[j].conjugate()
            for j in range(order):
                value = total[j]
                if kind == TWO_PLANES:
                    e = zs[first + j]
                    _, field = _periodic_rest(scale, z.real - e.real, z.imag - e.imag, z.imag + e.imag)
                    value += weights[j] * field
                out[i, first + j] = factor * (value * normal[i]).real
