"""Ways to move a board, and small random boards, for the tests of invariance."""

from __future__ import annotations

import dataclasses
import importlib.util
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, settings
from numpy.typing import NDArray

from quietcopper.board import Board

# A slow or busy machine is no fault of the program: no test fails for its time.
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")

Points = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Moved:
    """A board after a move. point : maps (n, 2) points; rows : new row → old row of each table."""

    board: Board
    point: Callable[[Points], Points]
    rows: dict[str, NDArray[np.int64]]


def move(
    board: Board, *, shift: tuple[float, float] = (0, 0), turns: int = 0, mirror: bool = False, seed: int | None = None
) -> Moved:
    """Mirror left to right, turn by quarter turns, shift (m), and shuffle the rows of every table (with a seed)."""
    c, s = [(1, 0), (0, 1), (-1, 0), (0, -1)][turns % 4]
    flip = -1 if mirror else 1
    matrix = np.array([[c * flip, -s], [s * flip, c]], dtype=float)

    def point(p: Points) -> Points:
        return p @ matrix.T + np.asarray(shift)

    def columns(table, *names: tuple[str, str]):
        out = {}
        for x, y in names:
            new = point(np.stack([getattr(table, x), getattr(table, y)], axis=-1))
            out[x], out[y] = new[:, 0], new[:, 1]
        return out

    def shape(shapes):
        new = np.empty(len(shapes), dtype=object)
        new[:] = [shapely.transform(g, point) for g in shapes]
        return new

    rng = np.random.default_rng(seed)
    order = {
        name: rng.permutation(len(getattr(board, name))) if seed is not None else np.arange(len(getattr(board, name)))
        for name in ("traces", "vias", "pads", "areas", "parts", "pins")
    }
    new_row = {name: np.append(np.argsort(rows), -1) for name, rows in order.items()}
    t, v, p, a = board.traces, board.vias, board.pads, board.areas
    turn = t.turn * flip
    traces = t.replace(**columns(t, ("x0", "y0"), ("x1", "y1"), ("xc", "yc")), turn=turn)
    vias = v.replace(**columns(v, ("x", "y"), ("x1", "y1")), pin=new_row["pins"][v.pin])
    pads = p.replace(
        **columns(p, ("x", "y")), shape=shape(p.shape), via=new_row["vias"][p.via], pin=new_row["pins"][p.pin]
    )
    parts = board.parts.replace(**columns(board.parts, ("x", "y")))
    pins = board.pins.replace(**columns(board.pins, ("x", "y")), part=new_row["parts"][board.pins.part])
    moved = dataclasses.replace(
        board,
        outline=shapely.transform(board.outline, point),
        traces=traces.take(order["traces"]),
        vias=vias.take(order["vias"]),
        pads=pads.take(order["pads"]),
        areas=a.replace(shape=shape(a.shape)).take(order["areas"]),
        parts=parts.take(order["parts"]),
        pins=pins.take(order["pins"]),
    )
    return Moved(moved, point, order)


@pytest.fixture(name="move")
def move_fixture() -> Callable[..., Moved]:
    return move


CHROMIUM = Path("/usr/bin/chromium")
CHROMIUM_FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
CHROMIUM_FLAGS += ["--disable-background-networking", "--disable-component-update", "--disable-sync"]


@pytest.fixture(scope="module")
def browser():
    """Debian's Chromium without a graphics card; tests that want it are skipped where there is none."""
    if importlib.util.find_spec("playwright") is None or not CHROMIUM.exists():
        pytest.skip(f"no playwright, or no browser at {CHROMIUM}: the page was not tested in one")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        running = p.chromium.launch(executable_path=str(CHROMIUM), args=CHROMIUM_FLAGS)
        yield running
        running.close()


@pytest.fixture
def watched(browser):
    """watched(**context options) -> a page whose messages, errors and requests to elsewhere are kept in `.trouble`."""
    contexts = []

    def new(origin="file:", **options):
        context = browser.new_context(
            **{"viewport": {"width": 1400, "height": 900}, "reduced_motion": "reduce", **options}
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(15_000)
        page.trouble = []
        page.on("console", lambda message: page.trouble.append(message.text))
        page.on("pageerror", lambda error: page.trouble.append(str(error)))
        page.on(
            "request",
            lambda request: request.url.startswith((origin, "data:", "blob:")) or page.trouble.append(request.url),
        )
        return page

    yield new
    for context in contexts:
        context.close()
