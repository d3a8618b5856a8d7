"""The lowest modes of a large sparse symmetric matrix, and its inverse applied to many columns."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sparse
from numpy.typing import NDArray
from scipy.linalg import eigh, qr
from scipy.sparse.linalg import splu

from quietcopper.errors import OutOfRange
from quietcopper.fields.compiled import kernel
from quietcopper.fields.ranges import Floats

BLOCK = 16  # vectors a step; modes of up to this multiplicity come out
AT_ONCE = 32  # columns that are solved together
MOST = 3000  # vectors in all
SETTLED = 1e-3  # residual of a settled mode over its own; its eigenvalue is then right to about the square
ROUGH = 3e-4  # that of the modes above, which only add up; a figure then keeps six digits whatever way the board lies


class Inverse:
    """The inverse of a symmetric positive definite sparse matrix, applied to many columns at once.

    The factors are SuperLU's; its own solution of triangular systems goes column by column and takes five times longer.
    Raises OutOfRange where they do not fit into memory.
    """

    def __init__(self, matrix: sparse.csc_array) -> None:
        try:
            factors = splu(
                matrix,
                permc_spec="MMD_AT_PLUS_A",
                diag_pivot_thresh=0.0,  # keeps the pivots on the diagonal, so U = D L^T
                options={"SymmetricMode": True},
            )
        except MemoryError:
            raise OutOfRange(f"{matrix.shape[0]} cells of a plane pair do not fit into the memory there is") from None
        self._lower, self._diagonal = factors.L.tocsc(), factors.U.diagonal()
        self._order = factors.perm_r

    def __call__(self, right: Floats) -> Floats:
        """(n, m) solution for (n, m) right sides."""
        work = np.empty(right.shape)
        work[self._order] = right
        lower, room = self._lower, np.empty((len(work), AT_ONCE))
        _back_and_forth(lower.indptr, lower.indices, lower.data, self._diagonal, work, room)
        return work[self._order]


@kernel(
    "i4[::1], i4[::1], f8[::1], f8[::1], f8[:,::1], f8[:,::1]",
    fastmath=("contract", "reassoc"),
)
def _back_and_forth(
    start: NDArray[np.int32], row: NDArray[np.int32], value: Floats, diagonal: Floats, work: Floats, part: Floats
) -> None:  # pragma: no cover - compiled
    """Overwrite `work` (n, m) by (L D L^T)^-1 work, a few columns at a time to stay within the processor's cache.

    part : (n, few) room for them
    """
    n, m = work.shape
    for first in range(0, m, part.shape[1]):
        width = min(part.shape[1], m - first)
        for j in range(n):
            for k in range(width):
                part[j, k] = work[j, first + k]
        for j in range(n):
            for p in range(start[j], start[j + 1]):
                i = row[p]
                if i != j:
                    for k in range(width):
                        part[i, k] -= value[p] * part[j, k]
        for j in range(n - 1, -1, -1):
            for k in range(width):
                part[j, k] /= diagonal[j]
            for p in range(start[j], start[j + 1]):
                i = row[p]
                if i != j:
                    for k in range(width):
                        part[j, k] -= value[p] * part[i, k]
        for j in range(n):
            for k in range(width):
                work[j, first + k] = part[j, k]


def lowest_modes(inverse: Inverse, size: int, shift: float, settled: float, top: float) -> tuple[Floats, Floats]:
    """Eigenvalues (n,) up to about `top` and orthonormal vectors (size, n), settled up to `settled`.

    inverse : of the matrix less `shift`. Block Lanczos with full orthogonalisation (Golub & Van Loan, Matrix
    Computations, section 10.3, from memory): degenerate modes come out like others. The values are the Rayleigh
    quotients of the matrix itself over the images of the basis, so from above, and the vectors fit them exactly.
    Raises OutOfRange where there are too many.
    """
    block = min(BLOCK, size)
    random = np.random.default_rng(1).standard_normal((size, block))
    most = min(MOST, size)
    basis = np.empty((size, most + 2 * block), order="F")
    basis[:, :block] = qr(random, mode="economic")[0]
    filled, used = block, 0  # vectors in the basis, and of them those whose images are known
    h = np.zeros((basis.shape[1], basis.shape[1]))
    due = min(4 * block, most)
    while True:
        images = inverse(basis[:, used:filled])
        # First the blocks that the images have a part in but for rounding, then all: as good as twice all.
        for first in (max(used - block, 0), 0):
            share = basis[:, first:filled].T @ images
            images -= basis[:, first:filled] @ share
            h[first:filled, used:filled] += share
        used = filled
        more = min(block, size - used)
        if more > 0:
            new, rest = qr(images, mode="economic")
            h[used : used + more, used - images.shape[1] : used] = rest[:more]
            basis[:, used : used + more] = new[:, :more]
        if used < due and more > 0:
            filled = used + more
            continue
        inner = (h[:used, :used] + h[:used, :used].T) / 2
        outer = h[: used + more, :used]
        values, mix = eigh(inner, outer.T @ outer)
        slack = np.linalg.norm(h[used : used + more, :used] @ mix, axis=0)
        # Of the images' part beyond the basis: small against the vector itself (1) for a settled mode.
        level = np.where(values + shift <= settled, SETTLED, ROUGH)[values + shift <= top]
        enough = len(level) < len(values) and bool(np.all(slack[: len(level)] <= level))
        if enough or more == 0:
            break
        if used + more > most:
            raise OutOfRange("the shape of the plane pair has too many modes below the highest frequency asked for")
        due = min(used + max(2 * block, int(0.15 * used) // block * block), most)
        filled = used + more
    keep = max(int(np.sum(values + shift <= top)), min(2, len(values)))
    vectors = basis[:, : used + more] @ (outer @ mix[:, :keep])
    return np.maximum(values[:keep] + shift, 0.0), vectors
