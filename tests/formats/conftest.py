"""Small IPC-2581 files made in place, and where the sample boards are."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from quietcopper.board import Board
from quietcopper.formats import read_board

NAMESPACE = "http://webstds.ipc.org/2581"
TWO_LAYERS = """
<Layer name="TOP" layerFunction="SIGNAL" side="TOP" polarity="POSITIVE"/>
<Layer name="CORE" layerFunction="DIELCORE" side="NONE" polarity="POSITIVE"/>
<Layer name="BOT" layerFunction="SIGNAL" side="BOTTOM" polarity="POSITIVE"/>
<Layer name="SILK" layerFunction="SILKSCREEN" side="TOP" polarity="POSITIVE"/>
<Layer name="DRILL" layerFunction="DRILL" side="ALL" polarity="POSITIVE"><Span fromLayer="TOP" toLayer="BOT"/></Layer>
"""
STACKUP = """
<Stackup overallThickness="1.6"><StackupGroup name="G">
<StackupLayer layerOrGroupRef="TOP" thickness="0.035"/>
<StackupLayer layerOrGroupRef="CORE" thickness="1.53"><SpecRef id="FR4"/></StackupLayer>
<StackupLayer layerOrGroupRef="BOT" thickness="0.035"/>
</StackupGroup></Stackup>
"""
SPECS = """
<Spec name="FR4"><Dielectric type="DIELECTRIC_CONSTANT"><Property value="4.2"/></Dielectric>
<Dielectric type="LOSS_TANGENT"><Property value="0.015"/></Dielectric></Spec>
"""
PROFILE = """
<Profile><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="50" y="0"/><PolyStepSegment x="50" y="30"/>
<PolyStepSegment x="0" y="30"/><PolyStepSegment x="0" y="0"/></Polygon></Profile>
"""
TRACE = """
<LayerFeature layerRef="TOP"><Set net="A"><Features><Location x="0" y="0"/>
<Line startX="5" startY="5" endX="15" endY="5"><LineDesc lineEnd="ROUND" lineWidth="0.2"/></Line>
</Features></Set></LayerFeature>
"""


def ipc2581(
    step: str = TRACE,
    *,
    layers: str = TWO_LAYERS,
    stackup: str = STACKUP,
    specs: str = SPECS,
    content: str = "",
    profile: str = PROFILE,
    units: str = 'units="MILLIMETER"',
    revision: str = 'revision="C"',
    namespace: str = f'xmlns="{NAMESPACE}"',
    before: str = "",
    more_cad: str = "",
    bom: str = "",
) -> str:
    """A whole file round the contents of one step."""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{before}<IPC-2581 {revision} {namespace}>'
        f"<Content>{content}</Content>{bom}<Ecad><CadHeader {units}>{specs}</CadHeader>"
        f'<CadData>{layers}{stackup}{more_cad}<Step name="board">{profile}{step}</Step></CadData></Ecad></IPC-2581>'
    )


@pytest.fixture
def whole_file() -> Callable[..., str]:
    return ipc2581


@pytest.fixture
def read(tmp_path: Path) -> Callable[..., Board]:
    """Reads a file made of the given step contents and parts (see ipc2581 above)."""

    def reader(step: str = TRACE, **parts: str) -> Board:
        path = tmp_path / "board.xml"
        path.write_text(ipc2581(step, **parts))
        return read_board(path)

    return reader


@pytest.fixture
def sample(request: pytest.FixtureRequest) -> Callable[[str], Path]:
    """The one board file in a folder of the sample boards; skips where they are not there."""
    root = Path(os.environ.get("QUIETCOPPER_BOARDS", request.config.rootpath.parent / "shared" / "boards"))

    def find(folder: str) -> Path:
        found = sorted((root / folder).glob("*.xml"))
        if not found:
            pytest.skip(f"sample board {folder} is not beside the checkout nor at QUIETCOPPER_BOARDS")
        return found[0]

    return find
