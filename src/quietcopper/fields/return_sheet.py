"""The return current of a trace on a plane of any shape, at any frequency: where it flows and what it takes.

Formulation: the plane is a thin sheet on square cells. Currents pass the open faces between cells; they are some
current from where the return enters to where it leaves plus the curl of a stream function psi on the cells' corners. A
closed face (edge, slot, antipad) makes psi the same on its two ends, so every opening has one value of its own and
the outside has zero. The voltage round every corner and every opening vanishes:

    curl' (Zs J + j omega M J) = -curl' (j omega A),

M the partial inductances of the faces (exact for squares, applied by FFT; Ruehli, IBM Journal 16(5), 1972, for the
principle), A the vector potential of the trace, Zs the impedance per square. Solved by conjugate gradients in the
complex symmetric form, preconditioned by the endless sheet in sine transforms: 10 to 40 iterations.

A further solid plane is put in by images: over the trace (stripline) or behind the sheet. It carries what a perfect
conductor carries without being tied to the sheet.

Holds for traces short against the wavelength (no displacement current), heights of half a cell and more, and openings
that end somewhere: where the copper falls into two pieces nothing is solved (OutOfRange). An opening's edge stands on
the nearest faces, so the excess inductance of a slot errs by some cell / slot width.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields.blas import one_thread
from quietcopper.fields.ranges import Floats, checked
from quietcopper.units import COPPER_CONDUCTIVITY, MU0

MOST_CELLS = 400_000
Solved = NDArray[Any]  # real without losses, else complex


@dataclass(frozen=True, eq=False)
class Cells:
    """Square cells of `size` from the corner (x0, y0). copper : (nx, ny); right, up : open faces between neighbours,
    (nx-1, ny) and (nx, ny-1); opening : (nx+1, ny+1) which value of psi each corner has, 0 for the outside's"""

    x0: float
    y0: float
    size: float
    copper: NDArray[np.bool_]
    right: NDArray[np.bool_]
    up: NDArray[np.bool_]
    opening: NDArray[np.intp]

    @property
    def x(self) -> Floats:
        """(nx,) middles of the cells."""
        return np.asarray(self.x0 + (np.arange(self.copper.shape[0]) + 0.5) * self.size, dtype=float)

    @property
    def y(self) -> Floats:
        return np.asarray(self.y0 + (np.arange(self.copper.shape[1]) + 0.5) * self.size, dtype=float)

    @cached_property
    def piece(self) -> NDArray[np.intp]:
        """(nx, ny) number of the connected piece that each cell is in, -1 off the copper."""
        nx, ny = self.copper.shape
        number = np.arange(nx * ny).reshape(nx, ny)
        one = np.concatenate([number[:-1][self.right], number[:, :-1][self.up]])
        two = np.concatenate([number[1:][self.right], number[:, 1:][self.up]])
        links = coo_array((np.ones(len(one), dtype=np.int8), (one, two)), shape=(nx * ny, nx * ny))
        label = connected_components(links, directed=False)[1].reshape(nx, ny)
        return np.where(self.copper, label, -1)

    def nearest(self, point: ArrayLike, piece: int | None = None) -> tuple[int, int]:
        """The copper cell nearest to a point, of one piece where that is given."""
        x, y = np.asarray(point, dtype=float)
        good = self.copper if piece is None else self.piece == piece
        far = (self.x[:, None] - x) ** 2 + (self.y[None] - y) ** 2
        i, j = np.unravel_index(int(np.argmin(np.where(good, far, np.inf))), good.shape)
        return int(i), int(j)


def cells(copper: shapely.Geometry, size: float, window: tuple[float, float, float, float] | None = None) -> Cells:
    """Cells of `size` m over a shape (polygon or several) within a window (x0, y0, x1, y1), its own bounds by itself.

    A face is open where both cells' middles lie in copper and no outline passes between them, so slots much narrower
    than a cell still part it. Raises CallError for a shape without area, OutOfRange for more than 400 000 cells.
    """
    d = float(checked("cell size", size))
    if copper.is_empty or not shapely.area(copper) > 0:
        raise CallError("the copper of a plane has no area")
    west, south, east, north = copper.bounds if window is None else window
    nx, ny = (max(int(np.ceil((hi - lo) / d - 1e-6)), 2) + 2 for lo, hi in ((west, east), (south, north)))
    if nx * ny > MOST_CELLS:
        raise OutOfRange(f"{nx} x {ny} cells for one plane are out of reach")
    x0, y0 = (west + east - nx * d) / 2, (south + north - ny * d) / 2
    x, y = x0 + (np.arange(nx) + 0.5) * d, y0 + (np.arange(ny) + 0.5) * d
    shapely.prepare(copper)
    inside = shapely.contains_xy(copper, *np.meshgrid(x, y, indexing="ij"))
    if window is not None:
        inside[[0, -1]], inside[:, [0, -1]] = False, False
    rings = shapely.get_rings(shapely.get_parts(copper))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    same = ring[1:] == ring[:-1]
    outline = shapely.linestrings(np.stack([points[:-1][same], points[1:][same]], axis=1))
    tree = shapely.STRtree(outline)
    fine = shapely.get_coordinates(shapely.segmentize(rings, d))
    i, j = (np.clip(((fine[:, c] - low) / d).astype(int), -2, n + 1) for c, low, n in ((0, x0, nx), (1, y0, ny)))
    marked = np.zeros((nx + 4, ny + 4), dtype=bool)  # with a rim of two cells
    for di in (-1, 0, 1):
        for dj in (-1, 0, 1):
            marked[np.clip(i + di + 2, 0, nx + 3), np.clip(j + dj + 2, 0, ny + 3)] = True
    marked = marked[2:-2, 2:-2]

    def open_faces(both: NDArray[np.bool_], axis: int) -> NDArray[np.bool_]:
        i, j = np.nonzero(both & (marked[:-1] if axis == 0 else marked[:, :-1]))
        a = np.stack([x[i], y[j]], -1)
        b = a + np.array((d, 0.0) if axis == 0 else (0.0, d))
        hit = np.unique(tree.query(shapely.linestrings(np.stack([a, b], axis=1)), predicate="intersects")[0])
        out = both.copy()
        out[i[hit], j[hit]] = False
        return out

    right = open_faces(inside[:-1] & inside[1:], 0)
    up = open_faces(inside[:, :-1] & inside[:, 1:], 1)
    # Corners joined by a closed face have one value. The grid's rim is the outside.
    corner = np.arange((nx + 1) * (ny + 1)).reshape(nx + 1, ny + 1)
    shut_x, shut_y = np.ones((nx + 1, ny), dtype=bool), np.ones((nx, ny + 1), dtype=bool)
    shut_x[1:-1], shut_y[:, 1:-1] = ~right, ~up
    one = np.concatenate([corner[:, :-1][shut_x], corner[:-1][shut_y]])
    two = np.concatenate([corner[:, 1:][shut_x], corner[1:][shut_y]])
    links = coo_array((np.ones(len(one), dtype=np.int8), (one, two)), shape=(corner.size, corner.size))
    label = connected_components(links, directed=False)[1]
    # zero for the outside
    label = np.where(label == label[0], 0, np.where(label == 0, label[0], label))
    return Cells(x0, y0, d, inside, right, up, label.reshape(corner.shape).astype(np.intp))


@dataclass(frozen=True, eq=False)
class Trace:
    """A trace over the sheet. way : (k, 2) its centre line, m; height over the sheet; width; the current flows along it
    and comes back on the sheet."""

    way: Floats
    height: float
    width: float


@dataclass(frozen=True, eq=False)
class ReturnFlow:
    """Return current per ampere of the trace. across, along : (nx-1, ny), (nx, ny-1) current through the faces, A/A.

    drop_across, drop_along : voltage along the faces per ampere of the trace, ohm, on closed faces too: summed over a
    slot it is the voltage between its banks, along the plane the one that drives cables
    impedance : ohm, of the sheet and its coupling with the trace; only differences between two shapes under one trace
    mean something by themselves. With `frequency` infinite it is omega-free: an inductance in henry (imaginary zero).
    """

    cells: Cells
    frequency: float
    across: Solved
    along: Solved
    drop_across: Solved
    drop_along: Solved
    impedance: complex
    iterations: int

    @property
    def inductance(self) -> float:
        """H; negative, as the trace's own is not in it. Differences are what an opening adds."""
        if np.isinf(self.frequency):
            return self.impedance.real
        if self.frequency == 0:
            raise OutOfRange("a direct current tells no inductance")
        return self.impedance.imag / (2 * np.pi * self.frequency)

    @property
    def resistance(self) -> float:
        """Ohm, of the way back on the sheet; zero without losses."""
        return 0.0 if np.isinf(self.frequency) else self.impedance.real

    def flow(self) -> tuple[Solved, Solved]:
        """x and y parts of the sheet current per ampere at the cells' middles, 1/m, (nx, ny) each; zero off copper."""
        d = self.cells.size
        x = np.zeros(self.cells.copper.shape, dtype=self.across.dtype)
        y = np.zeros_like(x)
        x[:-1] += self.across / (2 * d)
        x[1:] += self.across / (2 * d)
        y[:, :-1] += self.along / (2 * d)
        y[:, 1:] += self.along / (2 * d)
        return x, y

    def density(self) -> Floats:
        """(nx, ny) size of the sheet current per ampere, 1/m; not-a-number off the copper."""
        x, y = self.flow()
        return np.where(self.cells.copper, np.sqrt(np.abs(x) ** 2 + np.abs(y) ** 2), np.nan)

    def share_within(self, band: shapely.Geometry) -> float:
        """Share of all the sheet's current (by its size, summed over the copper) that lies in a shape."""
        k = np.nan_to_num(self.density())
        x, y = np.meshgrid(self.cells.x, self.cells.y, indexing="ij")
        return float(k[shapely.contains_xy(band, x, y)].sum() / k.sum())


def surface_impedance(frequency: float, thickness: float, conductivity: float = COPPER_CONDUCTIVITY) -> complex:
    """Impedance per square of a sheet whose current flows on one face, ohm: (1+j)/(sigma delta) coth((1+j) t/delta).

    1/(sigma t) at low frequency. Exact for a flat conductor with the field on one side.
    """
    sigma = float(checked("conductivity", conductivity))
    t = float(checked("thickness", thickness))
    f = float(checked("frequency", frequency, open_low=False))
    if f == 0:
        return 1 / (sigma * t) + 0j
    delta = 1 / np.sqrt(np.pi * f * MU0 * sigma)
    return complex((1 + 1j) / (sigma * delta) / np.tanh(min(t / delta, 40.0) * (1 + 1j)))


def solve(
    grid: Cells,
    trace: Trace,
    entry: ArrayLike,
    leave: ArrayLike,
    frequency: float = np.inf,
    sheet: complex = 0.0,
    *,
    mirror: float = np.inf,
    share: float = 1.0,
) -> ReturnFlow:
    """The return flow of a trace on the sheet.

    entry, leave : (2,) where the return comes on to the sheet (by the trace's end) and leaves it (by its start), m; or
    (k, 2) where it is handed over between pieces of copper (by a capacitor): each entry leads to the leave beside it
    frequency : Hz; infinite: no loss at all, sheet and frequency drop out; 0 gives the direct current
    sheet : impedance per square, ohm, see `surface_impedance`
    mirror : height of a further solid plane over the sheet, m, negative behind it; share : of the current that comes
    back on the sheet by its contacts (the rest on the other plane)
    Raises OutOfRange where an entry and its leave lie on two pieces of copper.
    """
    checked("trace height", trace.height)
    if not np.isinf(frequency):
        checked("frequency", frequency, open_low=False)
        checked("resistance per square", complex(sheet).real)
    if not np.isinf(mirror) and not (mirror < 0 or mirror > trace.height):
        raise OutOfRange("the further plane lies between the sheet and the trace")
    still = np.zeros(grid.right.shape), np.zeros(grid.up.shape)
    for one, other in zip(np.reshape(entry, (-1, 2)), np.reshape(leave, (-1, 2)), strict=True):
        begin, end = grid.nearest(one), grid.nearest(other)
        if grid.piece[begin] != grid.piece[end]:
            raise OutOfRange("the return would have to pass between two pieces of copper that nothing joins")
        across, along = _some_way(grid, begin, end, share)
        still = still[0] + across, still[1] + along
    with one_thread():
        return _solve(grid, trace, still, frequency, complex(sheet), mirror)


def _some_way(grid: Cells, begin: tuple[int, int], end: tuple[int, int], share: float) -> tuple[Floats, Floats]:
    """Currents through the faces that go one of the shortest ways: what the curl of psi is added to."""
    across, along = np.zeros(grid.right.shape), np.zeros(grid.up.shape)
    if begin == end or share == 0:
        return across, along
    mine = grid.piece == grid.piece[begin]
    index = np.where(mine, np.cumsum(mine).reshape(mine.shape) - 1, -1)
    right, up = grid.right & mine[:-1], grid.up & mine[:, :-1]
    one = np.concatenate([index[:-1][right], index[:, :-1][up]])
    two = np.concatenate([index[1:][right], index[:, 1:][up]])
    n = int(mine.sum())
    links = coo_array((np.ones(len(one), dtype=np.int8), (one, two)), shape=(n, n)).tocsr()
    before = breadth_first_order(links, int(index[begin]), directed=False)[1]
    place = np.stack(np.nonzero(mine), -1)
    at = int(index[end])
    while at != index[begin]:
        last = int(before[at])
        step = place[at] - place[last]
        (i, j), sign = np.minimum(place[at], place[last]), share * step.sum()
        (across if step[0] else along)[i, j] += sign
        at = last
    return across, along


class _Inductance:
    """The partial inductances of all faces as a convolution, in henry."""

    def __init__(self, shape: tuple[int, int], size: float, mirror: float) -> None:
        from scipy import fft  # slow to load, and many boards need none

        self._fft = fft
        nx, ny = shape
        self.shape = tuple(fft.next_fast_len(2 * n, real=True) for n in shape)
        kernel = kernel_of_patches(nx, ny)
        if np.isfinite(mirror):
            kernel = kernel - kernel_of_image(nx, ny, 2 * abs(mirror) / size)
        whole = np.zeros(self.shape)
        whole[:nx, :ny] = kernel
        whole[-nx + 1 :, :ny] = kernel[:0:-1]
        whole[:, -ny + 1 :] = whole[:, ny - 1 : 0 : -1]
        self.kernel = fft.rfft2(whole).real * MU0 * size / (4 * np.pi)

    def __call__(self, j: Solved) -> Solved:
        if np.iscomplexobj(j):
            return self(j.real) + 1j * self(j.imag)
        spread = self._fft.irfft2(self._fft.rfft2(j, s=self.shape) * self.kernel, s=self.shape)
        return np.asarray(spread[: j.shape[0], : j.shape[1]])


def _solve(
    grid: Cells, trace: Trace, still: tuple[Floats, Floats], frequency: float, sheet: complex, mirror: float
) -> ReturnFlow:
    lossless = np.isinf(frequency)
    omega = 1.0 if lossless else 2 * np.pi * frequency
    turn: complex = 1.0 if lossless else 1j * omega
    if frequency == 0:
        turn, sheet = 0.0, sheet.real
    inductance = _Inductance(grid.copper.shape, grid.size, mirror)
    trace_x, trace_y = _potential(grid, trace, mirror)

    def voltage(x: Solved, y: Solved) -> tuple[Solved, Solved]:
        """Of currents through the faces, ohm or henry."""
        if turn == 0:
            return sheet * x, sheet * y
        ex, ey = turn * inductance(x), turn * inductance(y)
        return (ex, ey) if lossless else (ex + sheet * x, ey + sheet * y)

    label = grid.opening
    count = int(label.max()) + 1
    size = np.bincount(label.ravel(), minlength=count)

    def gathered(corner: Solved) -> Solved:
        flat = label.ravel()
        total = np.bincount(flat, corner.real.ravel(), count)
        if np.iscomplexobj(corner):
            total = total + 1j * np.bincount(flat, corner.imag.ravel(), count)
        total[0] = 0
        return total

    def operator(u: Solved) -> Solved:
        return gathered(_uncurled(*voltage(*_curled(u[label]))))

    weight = _endless(grid.copper.shape, grid.size, sheet, omega, mirror, lossless)

    from scipy.fft import dstn

    def preconditioner(r: Solved) -> Solved:
        inner = (r / size)[label][1:-1, 1:-1]
        smooth = np.zeros(label.shape, dtype=r.dtype)
        smooth[1:-1, 1:-1] = dstn(dstn(inner, type=1) * weight, type=1)
        return gathered(smooth) / size

    ex, ey = voltage(*still)
    ex, ey = ex + turn * trace_x, ey + turn * trace_y
    u, iterations = _gradients(operator, -gathered(_uncurled(ex, ey)), preconditioner)
    cx, cy = _curled(u[label])
    x, y = still[0] + cx, still[1] + cy
    vx, vy = voltage(x, y)
    own = np.sum(x * (vx + 2 * turn * trace_x)) + np.sum(y * (vy + 2 * turn * trace_y))
    vx, vy = vx + turn * trace_x, vy + turn * trace_y
    return ReturnFlow(grid, float(frequency), x, y, vx, vy, complex(own), iterations)


def _curled(psi: Solved) -> tuple[Solved, Solved]:
    """Currents through the faces from psi at the corners."""
    return np.diff(psi[1:-1], axis=1), -np.diff(psi[:, 1:-1], axis=0)


def _uncurled(x: Solved, y: Solved) -> Solved:
    """The transpose of `_curled`: sums of voltages round the corners."""
    out = np.zeros((y.shape[0] + 1, x.shape[1] + 1), dtype=np.result_type(x, y))
    out[1:-1, 1:] += x
    out[1:-1, :-1] -= x
    out[1:, 1:-1] -= y
    out[:-1, 1:-1] += y
    return out


def _endless(
    shape: tuple[int, int], size: float, sheet: complex, omega: float, mirror: float, lossless: bool
) -> Solved:
    """Inverse of the operator on an endless sheet, by sine waves over the inner corners."""
    nx, ny = shape
    p = 2 * np.sin(np.pi * np.arange(1, nx) / (2 * nx))
    q = 2 * np.sin(np.pi * np.arange(1, ny) / (2 * ny))
    square = p[:, None] ** 2 + q[None] ** 2
    k = np.sqrt(square) / size
    flux = MU0 / (2 * k) * (1 - np.exp(-2 * k * abs(mirror)))
    scale = 4 * nx * ny  # two transforms of type 1
    symbol = flux if lossless else sheet + 1j * omega * flux if omega else np.full_like(k, sheet.real)
    return 1 / (symbol * square * scale)


def _gradients(operator, right: Solved, preconditioner) -> tuple[Solved, int]:  # type: ignore[no-untyped-def]
    """Conjugate gradients for a complex symmetric operator (van der Vorst and Melissen, IEEE Trans. Magnetics 26(2),
    1990, 706-708, from memory): products without conjugation."""
    u = np.zeros_like(right)
    r = right.copy()
    goal = 1e-5 * np.linalg.norm(right)
    z = preconditioner(r)
    p, rho = z, np.sum(r * z)
    for step in range(1, 301):
        if np.linalg.norm(r) <= goal:
            return u, step - 1
        q = operator(p)
        alpha = rho / np.sum(p * q)
        u, r = u + alpha * p, r - alpha * q
        z = preconditioner(r)
        rho, before = np.sum(r * z), rho
        p = z + rho / before * p
    raise OutOfRange("the return current did not settle in 300 iterations")


# --- integrals -------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=8)
def kernel_of_patches(nx: int, ny: int) -> Floats:
    """(nx, ny) mean of 1/r over two unit squares of one plane that many squares apart, times their areas. Exact.

    The integral over both squares is the second difference in x and in y of x2 y asinh(y/|x|)/2 + x y2 asinh(x/|y|)/2
    - r3/6 (Hoer and Love, Journal of Research NBS 69C(2), 1965, for thin tapes, from memory); far off, where
    differences cancel, 1/r with the squares' second moments.
    """
    m, n = np.arange(nx)[:, None], np.arange(ny)[None]
    r = np.hypot(m, n).astype(float)
    far = np.zeros((nx, ny))
    np.divide(1.0, r, out=far, where=r > 0)
    far *= 1 + np.divide(1 / 12, r**2, out=np.zeros_like(r), where=r > 0)  # sum of both second moments, 1/6, times 1/2
    close = min(nx, 24), min(ny, 24)
    x, y = np.arange(-1, close[0] + 1)[:, None].astype(float), np.arange(-1, close[1] + 1)[None].astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = np.where(x == 0, 0.0, x**2 * y * np.arcsinh(y / np.abs(x)) / 2)
        f = f + np.where(y == 0, 0.0, x * y**2 * np.arcsinh(x / np.abs(y)) / 2) - np.hypot(x, y) ** 3 / 6
    far[: close[0], : close[1]] = np.diff(np.diff(f, 2, axis=0), 2, axis=1)
    return far


def kernel_of_image(nx: int, ny: int, height: float) -> Floats:
    """(nx, ny) the same for two unit squares `height` apart, by quadrature over the difference of two places."""
    if height < 0.5:
        raise OutOfRange("the further plane is nearer than a quarter of a cell")
    t, w = np.polynomial.legendre.leggauss(6)
    t, w = np.concatenate([(t - 1) / 2, (t + 1) / 2]), np.concatenate([w, w]) / 2
    w = w * (1 - np.abs(t))  # triangle: the density of the difference
    near = (np.arange(nx)[:, None, None] + t) ** 2, (np.arange(ny)[None, :, None] + t) ** 2
    out = np.zeros((nx, ny))
    for a, wa in enumerate(w):
        for b, wb in enumerate(w):
            out += wa * wb / np.sqrt(near[0][..., a] + near[1][..., b] + height**2)
    return out


def _potential(grid: Cells, trace: Trace, mirror: float) -> tuple[Floats, Floats]:
    """Vector potential of the trace along the faces times their length, H, (nx-1, ny) and (nx, ny-1).

    Straight pieces exactly along their length; the strip's width and the face's patch by points across both.
    """
    out = []
    heights = [(trace.height, 1.0)]
    if np.isfinite(mirror):
        heights.append((abs(2 * mirror - trace.height), -1.0))
    for axis in (0, 1):
        x = grid.x[:-1] + grid.size / 2 if axis == 0 else grid.x
        y = grid.y if axis == 0 else grid.y[:-1] + grid.size / 2
        total = np.zeros((len(x), len(y)))
        for a, b in zip(trace.way[:-1], trace.way[1:], strict=True):
            length = float(np.hypot(*(b - a)))
            if length == 0 or abs(b[axis] - a[axis]) < 1e-12 * length:
                continue
            u = (b - a) / length
            along = (x[:, None] - a[0]) * u[0] + (y[None] - a[1]) * u[1]
            across = (y[None] - a[1]) * u[0] - (x[:, None] - a[0]) * u[1]
            for height, sign in heights:
                total += sign * u[axis] * _segment(along, across, length, height, trace.width, grid.size)
        out.append(total * MU0 / (4 * np.pi) * grid.size)
    return out[0], out[1]


def _segment(along: Floats, across: Floats, length: float, height: float, width: float, size: float) -> Floats:
    """Integral of 1/r over a straight piece, averaged over its width and over a face's patch (square, `size`)."""

    def bare(s: Floats, t: Floats, z: float) -> Floats:
        rho = np.hypot(t, z)
        return np.asarray(np.arcsinh(s / rho) - np.arcsinh((s - length) / rho))

    out = bare(along, across, height)
    near = (np.abs(across) < 4 * (height + width + size)) & (along > -4 * size - 4 * height)
    near &= along < length + 4 * (size + height)
    s, t = along[near], across[near]
    g, w = np.polynomial.legendre.leggauss(6)
    fine = np.zeros(len(s))
    # the difference of a place on the strip and one on the patch, both even: a trapezium's density
    for g1, w1 in zip(g, w, strict=True):
        for g2, w2 in zip(g, w, strict=True):
            fine += w1 * w2 / 4 * bare(s, t + g1 * width / 2 + g2 * size / 2, height)
    out[near] = fine
    return out
