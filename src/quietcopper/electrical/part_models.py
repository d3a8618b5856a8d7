"""Which pins drive with which model: the IBIS files named in the settings, tied to the board's pins."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from quietcopper.board import Board
from quietcopper.electrical.outputs import Output, output_of
from quietcopper.electrical.settings import PartSettings, Settings, did_you_mean
from quietcopper.errors import SettingsError
from quietcopper.formats.ibis import Component, Ibis, Model, read_ibis
from quietcopper.formats.ibis.model import CORNERS


@dataclass(frozen=True)
class PinOutput:
    """An output on a net. pin : "U1.14"; listens : another part may be the one that drives; corner : 0 typ, 1, 2."""

    pin: str
    model: str
    file: str
    output: Output
    listens: bool
    corner: int


@dataclass(frozen=True)
class PartModels:
    """Outputs by net, the likeliest driver first, and one sentence for each thing that does not fit."""

    by_net: dict[int, list[PinOutput]]
    problems: tuple[str, ...]


def part_models(board: Board, settings: Settings) -> PartModels:
    """Raises ReadError for a file that cannot be used, SettingsError for a component or model that it does not have."""
    by_net: dict[int, list[PinOutput]] = defaultdict(list)
    problems = []
    rows = {str(ref): row for row, ref in enumerate(board.parts.ref)}
    for ref, said in settings.parts.items():
        if ref not in rows:
            continue  # told by Settings.unused
        ibis = _read(_path(settings, said))
        component = _component(settings, ref, said, ibis)
        missing = []
        for pin in np.flatnonzero(board.pins.part == rows[ref]).tolist():
            name, net = str(board.pins.name[pin]), int(board.pins.net[pin])
            if net == 0:
                continue
            if name not in component.pins:
                missing.append(name)
                continue
            model = _model(settings, ref, said, ibis, component.pins[name][1])
            if model is not None and model.drives:
                corner = CORNERS.index(said.corner)
                found = PinOutput(
                    f"{ref}.{name}", model.name, Path(ibis.path).name, output_of(model), model.receives, corner
                )
                by_net[net].append(found)
        if missing:
            few = ", ".join(missing[:6]) + (" …" if len(missing) > 6 else "")
            problems.append(f"{Path(ibis.path).name}: component {component.name!r} has no pin {few} of {ref}")
    for outputs in by_net.values():
        outputs.sort(key=lambda o: (o.listens, o.output.rise[0], o.pin))
    return PartModels(dict(by_net), tuple(problems))


def _path(settings: Settings, said: PartSettings) -> Path:
    return Path(settings.path).parent / said.ibis


def _read(path: Path) -> Ibis:
    try:
        stamp = path.stat().st_mtime_ns
    except OSError:
        stamp = 0
    return _read_once(str(path), stamp)


@lru_cache(maxsize=32)
def _read_once(path: str, stamp: int) -> Ibis:
    return read_ibis(path)


def _component(settings: Settings, ref: str, said: PartSettings, ibis: Ibis) -> Component:
    known = ibis.components
    where = f'{settings.path or "settings"}: [parts."{ref}"]'
    if said.component:
        if said.component not in known:
            hint = did_you_mean(said.component, known)
            raise SettingsError(f"{where}: {ibis.path} has no component {said.component!r}{hint}")
        return known[said.component]
    if len(known) != 1:
        names = ", ".join(sorted(known)[:8]) or "none"
        raise SettingsError(f"{where}: name the component; {ibis.path} has {len(known)}: {names}")
    return next(iter(known.values()))


def _model(settings: Settings, ref: str, said: PartSettings, ibis: Ibis, name: str) -> Model | None:
    """The model of a pin, through its selector; None for a pin without a buffer."""
    if name in ibis.models:
        return ibis.models[name]
    if ibis.selectors.get(name):
        choices = [model for model, _ in ibis.selectors[name]]
        chosen = said.models.get(name, choices[0])
        if chosen not in choices or chosen not in ibis.models:
            raise SettingsError(
                f'{settings.path or "settings"}: [parts."{ref}".models]: {name!r} chooses {chosen!r}; '
                f"{ibis.path} offers {', '.join(choices[:8])}"
            )
        return ibis.models[chosen]
    return None
