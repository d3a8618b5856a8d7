"""A path as a two-port: its scattering parameters with the losses of its copper and dielectrics, and as a file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from quietcopper.board.model import Floats
from quietcopper.electrical.profile import Profile
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.line_network import chain, scattering
from quietcopper.fields.loss import LineConstants, lossy
from quietcopper.fields.ranges import Complexes
from quietcopper.files import write_whole
from quietcopper.optional import need

SMOOTH = 0.0  # m; the board's data name no roughness


@dataclass(frozen=True, eq=False)
class TwoPort:
    """scattering : (frequencies, 2, 2) between ports of `reference` ohm; notes : what was taken for granted."""

    frequency: Floats
    scattering: Complexes
    reference: float
    notes: tuple[str, ...]


def two_port(view: View, profile: Profile, frequency: Floats, reference: float = 50.0) -> TwoPort:
    """The scattering parameters of a path, pin to pin, at frequencies above 0 Hz.

    Each solved piece of trace with the resistance, inductance, conductance and capacitance of its cross-section
    (`fields.loss`), unsolved ones as the solved piece next to them, holes by their model without loss, pours as the
    line next to them. Neighbours are quiet and branches left out. Raises OutOfRange where no trace is solved.
    """
    if not profile.solved:
        raise OutOfRange("no cross-section of this path could be solved")
    f = np.asarray(frequency, dtype=float)
    board, table = view.board, view.line_table
    solved = np.flatnonzero(np.isfinite(profile.z0) & (profile.kind == "trace"))
    middle = profile.start + profile.length / 2
    constants: dict[int, LineConstants | None] = {}
    z0 = np.empty((len(f), len(profile)), dtype=complex)
    wave = np.empty_like(z0)
    without_loss = 0.0
    for i in range(len(profile)):
        if profile.kind[i] == "via" and np.isfinite(profile.z0[i]):
            z0[:, i], wave[:, i] = profile.z0[i], 2j * np.pi * f * profile.delay[i]
            continue
        like = int(solved[np.argmin(np.round(np.abs(middle[solved] - middle[i]), 9))])
        section = int(profile.section[like])
        if section not in constants:
            layer = int(profile.layer[like])
            try:
                lines = lossy(
                    table.sections[section],
                    conductivity=board.layers[layer].conductivity,
                    roughness=SMOOTH,
                    stated_at=view.dielectric_beside(layer).frequency,
                )
                constants[section] = lines.at(f)
            except OutOfRange:
                constants[section] = None
        known = constants[section]
        if known is None:
            without_loss += float(profile.length[i])
            z0[:, i], wave[:, i] = profile.met[i], 2j * np.pi * f * profile.delay[i]
        else:
            z0[:, i], wave[:, i] = known.impedance(), known.propagation() * profile.length[i]
    matrix = chain(f, z0, wave.imag / (2 * np.pi * f[:, None]), wave.real)
    notes = ["copper taken as smooth: the data name no roughness"]
    if profile.unsolved() > 0:
        notes.append(f"{profile.unsolved() * 1e3:.2f} mm taken as the line next to it: not solved")
    if (profile.kind == "via").any():
        notes.append("vias by a model without loss, good to some 30 %")
    if without_loss > 0:
        notes.append(f"{without_loss * 1e3:.2f} mm without loss: outside what the solver of losses covers")
    return TwoPort(f, scattering(matrix, reference), reference, tuple(notes))


def write_touchstone(port: TwoPort, path: Path, title: str) -> None:
    """The two-port as a Touchstone file (version 1, .s2p), whole or not at all.

    Needs scikit-rf, raises CallError without it; OSError where the file cannot be written.
    """
    skrf = need("skrf", extra="networks", purpose="Writing a Touchstone file")
    network = skrf.Network(
        f=port.frequency, f_unit="Hz", s=port.scattering, z0=port.reference, comments="\n".join((title, *port.notes))
    )
    text = network.write_touchstone(filename=path.stem, return_string=True, write_z0=False, form="ri")
    write_whole(path, text.encode("utf-8"))
