"""The page in a real browser: reads without script, follows the reading with it, stays inert whatever it is named."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from quietcopper.findings.document import to_document
from quietcopper.report.html import write_html

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
FLAGS += ["--disable-component-update", "--disable-sync"]
HOSTILE = "</script><img src=x onerror=\"window.broken=1\"><svg onload='window.broken=1'>"

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: no browser test")
pytestmark = [
    pytest.mark.skipif(not CHROMIUM.exists(), reason=f"no browser at {CHROMIUM}: the page was not tested in one"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # playwright's own pipes
]


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as p:
        running = p.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def visit(browser, tmp_path):
    """visit(result, **context options) -> page, watched: requests, messages and errors are collected on it."""
    contexts = []

    def go(result, fragment="", **options):
        write_html(to_document(result), result.drawing, tmp_path / "review.html")
        options = {"viewport": {"width": 1400, "height": 900}, "reduced_motion": "reduce", **options}
        context = browser.new_context(**options)
        contexts.append(context)
        page = context.new_page()
        page.trouble = []
        page.on("console", lambda message: page.trouble.append(message.text))
        page.on("pageerror", lambda error: page.trouble.append(str(error)))
        page.on(
            "request",
            lambda request: request.url.startswith(("file:", "data:")) or page.trouble.append(request.url),
        )
        page.goto(f"file://{tmp_path / 'review.html'}{fragment}")
        return page

    yield go
    for context in contexts:
        context.close()


def window(page):
    return [float(v) for v in page.locator("#board").get_attribute("viewBox").split()]


def flown(page, before):
    """The window once it has stopped moving somewhere else."""
    page.wait_for_function(
        "b => document.getElementById('board').getAttribute('viewBox') !== b", arg=before, timeout=4000
    )
    last = None
    while last != (now := window(page)):
        last = now
        page.wait_for_timeout(120)
    return now


def test_keys_walk_the_places_worst_first_and_the_board_follows(visit, build_result):
    page = visit(build_result(), reduced_motion="no-preference")
    whole = page.locator("#board").get_attribute("viewBox")
    page.keyboard.press("ArrowDown")
    x, y, w, h = flown(page, whole)
    assert x < 38_000 < x + w  # the worst place, SCK at 38.0, 23.0 mm; drawing units are micrometres, y downward
    assert y < -23_000 < y + h
    assert w < 0.6 * float(whole.split()[2])
    assert page.evaluate("location.hash") == "#f-trace-over-gap-sck-bot-38"
    assert page.locator("#f-trace-over-gap-sck-bot-38").get_attribute("open") is not None
    assert page.locator(".mark.on").count() == 1
    assert page.locator("#board.dimmed .net.on").count() >= 1
    for _ in range(7):
        page.keyboard.press("ArrowDown")
    # the eighth place lies on layer 1, so that layer is picked
    assert page.locator("#pick-0").is_checked()
    page.keyboard.press("Escape")
    assert page.locator(".mark.on").count() == 0
    page.keyboard.press("l")
    assert page.locator("#pick-1").is_checked()
    assert page.trouble == []


def test_reading_a_cause_moves_the_board_to_its_places(visit, build_result):
    page = visit(build_result())
    whole = page.locator("#board").get_attribute("viewBox")
    page.locator("#cause-3 h3").evaluate("e => scrollTo(0, e.getBoundingClientRect().top + scrollY - 300)")
    flown(page, whole)
    assert page.locator("#cause-3.reading").count() == 1
    assert page.locator(".mark.on").count() == 2
    assert page.trouble == []


def test_a_mailed_address_opens_its_place(visit, build_result):
    page = visit(build_result(), "#f-layer-change-without-return-clk-32m-u3-1")
    assert page.locator("#f-layer-change-without-return-clk-32m-u3-1 .inside").is_visible()
    assert page.locator('.mark.on[data-place="10"]').count() == 1


def test_search_finds_places_nets_and_parts_by_name(visit, build_result):
    page = visit(build_result())
    page.keyboard.press("/")
    page.keyboard.type("ant")
    assert page.locator("#found button").all_inner_texts()[0].startswith("11 ANT is 61")
    whole = page.locator("#board").get_attribute("viewBox")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    x, _, w, _ = flown(page, whole)
    assert x < 77_000 < x + w
    page.fill("#search", "no such thing")
    assert page.locator("#found").inner_text() == "nothing of that name"


def test_grades_can_be_left_out(visit, build_result):
    page = visit(build_result())
    page.locator("#ranking .filter button", has_text="change it").click()
    assert page.locator("#ranking tr[data-grade='change it']:visible").count() == 0
    assert page.locator("#ranking tr[data-grade='improve it']:visible").count() == 6


def test_layers_are_picked_and_everything_is_read_without_script(visit, build_result):
    page = visit(build_result(), java_script_enabled=False)
    assert page.locator(".layer-3").is_visible()
    assert not page.locator(".layer-0").is_visible()
    page.locator("#pick-0").check(force=True)
    assert page.locator(".layer-0").is_visible()
    assert not page.locator(".layer-3").is_visible()
    page.locator("#f-trace-over-gap-mosi-bot-38 summary").click()
    assert "MOSI on layer 4" in page.locator("#f-trace-over-gap-mosi-bot-38 .message").inner_text()
    assert not page.locator(".finder").is_visible()


def test_hostile_names_run_nothing(visit, build_result):
    result = build_result(name=HOSTILE)
    findings = [
        replace(
            f,
            title=HOSTILE,
            message=HOSTILE,
            subject=(HOSTILE, *f.subject),
            place=replace(f.place, nets=(HOSTILE,), parts=(HOSTILE,)),
        )
        for f in result.findings
    ]
    nets = [name and f"{name}{HOSTILE}" for name in result.drawing.nets]
    parts = [(f"{ref}{HOSTILE}", x, y, side) for ref, x, y, side in result.drawing.parts]
    drawing = replace(result.drawing, nets=nets, parts=parts)
    page = visit(build_result(findings=findings, drawing=drawing, name=HOSTILE))
    page.keyboard.press("ArrowDown")
    page.keyboard.press("/")
    page.keyboard.type("u1<")
    assert page.locator("#found button").first.inner_text().startswith(f"U1{HOSTILE}")
    assert page.evaluate("window.broken") is None
    assert page.locator("img").count() == 0
    assert page.trouble == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_its_ground(visit, build_result, scheme):
    page = visit(build_result(), color_scheme=scheme)
    ratio = page.evaluate(
        """() => {
          const channel = (v) => (v /= 255) <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4;
          const seen = (c) => c.match(/[\\d.]+/g).slice(0, 3).map(channel);
          const light = (c) => { const [r, g, b] = seen(c); return .2126 * r + .7152 * g + .0722 * b; };
          const ground = light(getComputedStyle(document.body).backgroundColor);
          const of = (q) => { const l = light(getComputedStyle(document.querySelector(q)).color);
            return (Math.max(l, ground) + .05) / (Math.min(l, ground) + .05); };
          return ['h1', '.kicker', '.why', '.caption', 'footer', '.facts th', '#ranking a'].map(of);
        }"""
    )
    assert min(ratio) >= 4.5  # W3C WCAG 2.1, contrast (minimum), level AA


@pytest.mark.parametrize("width", [390, 820, 1400])
def test_nothing_runs_out_of_the_page_sideways(visit, build_result, width):
    page = visit(build_result())
    page.set_viewport_size({"width": width, "height": 900})
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
