"""The review page in a browser without a graphics card: first paint, first picture of the board, and how long a frame
takes while the board is panned and zoomed; of the demo, and of an invented board of 100,000 shapes.

Wants Chromium at /usr/bin/chromium and playwright. Targets: first paint of the demo under 1.5 s, a frame under 50 ms.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from shapely import Point, box

from quietcopper.cli.review import review_to_folder
from quietcopper.demo import write_demo
from quietcopper.findings import Drawing, DrawnLayer
from quietcopper.findings.document import to_document
from quietcopper.report.html import write_html

CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
FRAMES = """async () => {
  const board = document.getElementById('board'), frame = board.getBoundingClientRect();
  const at = { clientX: frame.left + frame.width / 2, clientY: frame.top + frame.height / 2 };
  const wheel = (deltaY) => new WheelEvent('wheel', { ...at, deltaY, bubbles: true, cancelable: true });
  const key = (name) => new KeyboardEvent('keydown', { key: name, bubbles: true, cancelable: true });
  const next = () => new Promise(requestAnimationFrame), times = [];
  let last = await next();
  for (let i = 0; i < 90; i++) {
    board.dispatchEvent(i < 45 ? wheel(i < 22 ? -40 : 40) : key(i % 2 ? 'ArrowRight' : 'ArrowLeft'));
    const now = await next();
    times.push(now - last);
    last = now;
  }
  return times;
}"""
COLUMNS = ("first paint", "board", "work", "frame", "95 %", "slowest", "picture")


def many_shapes(drawing: Drawing, count: int = 100_000) -> Drawing:
    """The drawing with so many invented traces, pads and areas instead of its own, half of them on its first layer."""
    rng = np.random.default_rng(5)
    outline = drawing.outline[0][0]
    (x0, y0), (x1, y1) = outline.min(axis=0), outline.max(axis=0)
    layers = []
    for i, layer in enumerate(drawing.layers):
        share = count // 2 if i == 0 else count // 2 // (len(drawing.layers) - 1)
        traces, pads, areas = int(share * 0.75), int(share * 0.22), int(share * 0.03)
        start = rng.uniform((x0, y0), (x1, y1), (traces, 2))
        steps = rng.normal(0, 0.8, (traces, 3, 2))
        lines = np.concatenate([start[:, None], start[:, None] + np.cumsum(steps, axis=1)], axis=1)
        at = rng.uniform((x0, y0), (x1, y1), (pads + areas, 2))
        shapes = [Point(p).buffer(0.15, 4) if k % 2 else box(*(p - 0.1), *(p + 0.1)) for k, p in enumerate(at[:pads])]
        plates = [box(*(p - 0.6), *(p + 0.6)) for p in at[pads:]]
        layers.append(
            DrawnLayer(
                name=layer.name,
                areas=[[np.asarray(s.exterior.coords)] for s in plates],
                area_nets=rng.integers(1, len(drawing.nets), areas).tolist(),
                traces=list(lines),
                trace_widths=rng.choice([0.1, 0.15, 0.25], traces).tolist(),
                trace_nets=rng.integers(1, len(drawing.nets), traces).tolist(),
                pads=[[np.asarray(s.exterior.coords)] for s in shapes],
                pad_nets=rng.integers(1, len(drawing.nets), pads).tolist(),
            )
        )
    return replace(drawing, layers=layers)


def _work(session: Any) -> float:
    """Processor time of the page's own thread so far, s: unlike the frames, no other program's load is in it."""
    return next(m["value"] for m in session.send("Performance.getMetrics")["metrics"] if m["name"] == "TaskDuration")


def measure(page: Any, path: Path) -> dict[str, float]:
    """Milliseconds: first paint, first picture of the board, processor time a frame on the page's thread, the median
    and the slowest of 90 frames, the last picture's painting."""
    page.goto(f"file://{path}")
    page.wait_for_selector(".sheet-near[data-picture]", timeout=60_000)
    page.wait_for_selector(".sheet-far[data-picture]", timeout=60_000)
    entries = page.evaluate("performance.getEntries().map((e) => [e.name, e.startTime])")
    at = {name: float(start) for name, start in entries}
    session = page.context.new_cdp_session(page)
    session.send("Performance.enable", {"timeDomain": "threadTicks"})
    before = _work(session)
    frames = np.array(page.evaluate(FRAMES))
    work = _work(session) - before
    page.wait_for_timeout(1500)
    painted = float(page.locator(".sheet-near").get_attribute("data-ms"))
    return {
        "first paint": at["first-contentful-paint"],
        "board": at["board-drawn"],
        "work": 1e3 * work / len(frames),
        "frame": float(np.median(frames)),
        "95 %": float(np.percentile(frames, 95)),
        "slowest": float(frames.max()),
        "picture": painted,
    }


def main() -> None:
    """Print the table."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as name, sync_playwright() as p:
        folder = Path(name)
        board, _, settings = write_demo(folder)
        result = review_to_folder(board, settings, folder / "review", prove=False, quiet=True)
        many = many_shapes(result.drawing)
        write_html(to_document(result), many, folder / "many.html")
        running = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = running.new_page(viewport={"width": 1400, "height": 900})
        print(f"{'page, ms':<20}" + "".join(f"{name:>13}" for name in COLUMNS) + f"{'MB':>8}")
        for title, path in (("the demo", folder / "review" / "review.html"), ("100,000 shapes", folder / "many.html")):
            found = measure(page, path)
            figures = "".join(f"{found[name]:>13.1f}" for name in COLUMNS)
            print(f"{title:<20}{figures}{path.stat().st_size / 1e6:>8.1f}")
        running.close()
