"""A supply as a network of lumped branches: planes, capacitors, regulators and the ways between them.

Each branch is a resistance, an inductance and a capacitance in series between two nodes; node 0 is the return. Nodal
analysis, exact for the network given. A network of lumped branches stands for planes below their first mode.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietcopper.errors import CallError
from quietcopper.fields.ranges import Complexes, Floats, checked


@dataclass(frozen=True, eq=False)
class Network:
    """Branches between nodes a and b (n,): resistance ohm, inductance H, capacitance F (infinite where there is none in
    series). Nodes are numbered from 0, the return."""

    a: NDArray[np.intp]
    b: NDArray[np.intp]
    resistance: Floats
    inductance: Floats
    capacitance: Floats

    def __post_init__(self) -> None:
        if not len(self.a) == len(self.b) == len(self.resistance) == len(self.inductance) == len(self.capacitance):
            raise CallError("the five columns of branches differ in length")
        checked("branch resistance", self.resistance, open_low=False)
        checked("branch inductance", self.inductance, open_low=False)
        checked("branch capacitance", self.capacitance, infinite=True)

    def admittance(self, frequency: ArrayLike) -> Complexes:
        """(f, n) of each branch, S; 1 MS where a branch has neither resistance nor reactance."""
        omega = 2 * np.pi * np.atleast_1d(checked("frequency", frequency))[:, None]
        z: Complexes = self.resistance + 1j * (omega * self.inductance - 1 / (omega * self.capacitance))
        return np.reciprocal(np.where(np.abs(z) < 1e-6, 1e-6 + 0j, z))


def see(
    network: Network, frequency: ArrayLike, node: int, known: Mapping[int, Complexes] | None = None
) -> tuple[Complexes, Complexes]:
    """Impedance (f,) between a node and the return, ohm, and the current (f, n) of each branch from a to b for 1 A into
    that node.

    known : impedances (f,), ohm, of branches by row that stand for their resistance, inductance and capacitance
    Raises CallError for a node that the network does not have, or that nothing connects to the return.
    """
    y = network.admittance(frequency)
    for row, impedance in (known or {}).items():
        y[:, row] = 1 / impedance
    count = int(max(network.a.max(initial=0), network.b.max(initial=0)))
    if not 1 <= node <= count:
        raise CallError(f"node {node} is not in the network, which has nodes 1 to {count}")
    matrix = np.zeros((len(y), count + 1, count + 1), dtype=complex)
    for i, (a, b) in enumerate(zip(network.a, network.b, strict=True)):
        matrix[:, a, a] += y[:, i]
        matrix[:, b, b] += y[:, i]
        matrix[:, a, b] -= y[:, i]
        matrix[:, b, a] -= y[:, i]
    inner = matrix[:, 1:, 1:]
    loose = np.flatnonzero(np.abs(inner).sum(axis=(0, 2)) == 0)  # nodes without branches
    inner[:, loose, loose] = 1.0
    drive = np.zeros((len(y), count, 1), dtype=complex)
    drive[:, node - 1] = 1.0
    try:
        voltage = np.linalg.solve(inner, drive)[..., 0]
    except np.linalg.LinAlgError:
        raise CallError("part of the network has no branch to the return") from None
    full: Complexes = np.concatenate([np.zeros((len(y), 1)), voltage], axis=1)
    current: Complexes = y * (full[:, network.a] - full[:, network.b])
    return full[:, node], current


def anti_resonances(frequency: ArrayLike, impedance: ArrayLike, prominence: float = 1.41) -> NDArray[np.intp]:
    """Rows at which |Z| peaks: local maxima that stand over the lower of their two valleys by the factor `prominence`.

    frequency, impedance : (f,), rising frequency. Peaks at the ends of the range are none.
    """
    level = np.log(np.abs(np.asarray(impedance)))
    if len(level) != len(np.asarray(frequency)):
        raise CallError("frequency and impedance differ in length")
    inside = np.flatnonzero((level[1:-1] >= level[:-2]) & (level[1:-1] > level[2:])) + 1
    out = []
    for row in inside.tolist():
        higher = np.flatnonzero(level > level[row])
        left = higher[higher < row].max(initial=-1) + 1
        right = higher[higher > row].min(initial=len(level))
        valley = max(level[left : row + 1].min(), level[row:right].min())
        if level[row] - valley >= np.log(prominence):
            out.append(row)
    return np.array(out, dtype=np.intp)
