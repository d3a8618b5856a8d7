"""The page in a real browser: reads without script, follows the reading with it, stays inert whatever it is named."""

from __future__ import annotations

import io
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from quietcopper.findings.document import to_document
from quietcopper.report.html import render, write_html

HOSTILE = "</script><img src=x onerror=\"window.broken=1\"><svg onload='window.broken=1'>"

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")  # playwright's own pipes


@pytest.fixture
def visit(watched, tmp_path):
    """visit(result, fragment, **context options) -> the page of a result, opened from disk."""

    def go(result, fragment="", **options):
        write_html(to_document(result), result.drawing, tmp_path / "review.html")
        page = watched(**options)
        page.goto(f"file://{tmp_path / 'review.html'}{fragment}")
        return page

    return go


def drawn(page):
    """Waits until the copper is painted as the page last asked for it."""
    page.wait_for_function(
        "() => { const near = document.querySelector('.sheet-near'); return near && near.dataset.picture"
        " && near.dataset.picture === document.getElementById('board').dataset.asked; }"
    )
    page.wait_for_timeout(80)


def seen(page):
    """The board as it is seen once two pictures in a row are the same, (height, width, 3)."""
    last = b""
    for _ in range(40):
        drawn(page)
        now = page.locator(".view").screenshot()
        if now == last:
            break
        last = now
        page.wait_for_timeout(150)
    return np.asarray(Image.open(io.BytesIO(last)).convert("RGB")).astype(int)


def dark(picture):
    """How many pixels are as dark as the ink."""
    return int((picture.max(axis=2) < 60).sum())


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
    assert page.locator("#board.dimmed").count() == 1
    for _ in range(7):
        page.keyboard.press("ArrowDown")
    # the eighth place lies on layer 1, so that layer is picked
    assert page.locator("#pick-0").is_checked()
    chosen = dark(seen(page))
    page.keyboard.press("Escape")
    assert page.locator(".mark.on").count() == 0
    assert dark(seen(page)) < chosen  # the copper of the place's nets was in ink
    page.keyboard.press("l")
    assert page.locator("#pick-1").is_checked()
    assert page.trouble == []


def test_reading_a_cause_moves_the_board_to_its_places(visit, build_result):
    page = visit(build_result())
    whole = page.locator("#board").get_attribute("viewBox")
    page.locator("details:has(> #cause-3)").evaluate("fold => { fold.open = true; }")  # the smaller things
    page.locator("#cause-3 h3").evaluate("e => scrollTo(0, e.getBoundingClientRect().top + scrollY - 300)")
    flown(page, whole)
    assert page.locator("#cause-3.reading").count() == 1
    assert page.locator(".mark.on").count() == 2
    assert page.trouble == []


def test_a_cause_folded_away_in_another_is_not_what_is_read(visit, build_result):
    """What lies in a closed fold has a box, which reaches down over the next cause."""
    result = build_result()
    first, second, third, *others = result.causes
    folded = [replace(cause, cured_by=first.id) for cause in (third, *others)]
    page = visit(replace(result, causes=(first, second, *folded)))
    whole = page.locator("#board").get_attribute("viewBox")
    page.locator("#cause-2 h3").evaluate("e => scrollTo(0, e.getBoundingClientRect().top + scrollY - 300)")
    flown(page, whole)
    assert page.locator(".cause.reading").evaluate_all("all => all.map(e => e.id)") == ["cause-2"]
    assert page.trouble == []


def test_a_mailed_address_opens_its_place(visit, build_result):
    page = visit(build_result(), "#f-layer-change-without-return-clk-32m-u3-1")
    assert page.locator("#f-layer-change-without-return-clk-32m-u3-1 .inside").is_visible()
    assert page.locator('.mark.on[data-place="10"]').count() == 1


def test_search_finds_places_nets_and_parts_by_name(visit, build_result):
    page = visit(build_result())
    page.keyboard.press("/")
    page.keyboard.type("ant")
    hits = page.locator("#found button").all_inner_texts()
    assert hits[0].startswith("ANT")  # the net of just that name
    assert hits[1].startswith("11 ANT is 61")
    whole = page.locator("#board").get_attribute("viewBox")
    page.keyboard.press("ArrowDown")
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


def test_a_net_is_walked_stretch_by_stretch_with_its_reference_under_it(visit, build_result):
    page = visit(build_result())
    page.keyboard.press("/")
    page.keyboard.type("sck")
    page.keyboard.press("Enter")
    assert page.locator("#walk").is_visible()
    assert "U1.3 to U3.7: 47.2 mm in 3 stretches" in page.locator(".walk-words").inner_text()
    page.keyboard.press("ArrowRight")
    words = page.locator(".walk-words").inner_text()
    assert words == "1 of 3: trace on layer 4 (BOT), 24.6 mm, 52.4 Ω; returns in VDD_3V3 on layer 3 (PWR)."
    x, y, w, h = window(page)
    assert x < 14_000 < 37_600 < x + w
    assert y < -18_000 < y + h
    assert page.locator("#pick-3").is_checked()
    over = seen(page)
    page.keyboard.press("ArrowRight")
    assert "no reference: nothing carries its return" in page.locator(".walk-words").inner_text()
    assert (seen(page) != over).any()
    page.keyboard.press("ArrowRight")
    assert page.locator("#pick-0").is_checked()
    page.wait_for_url("**net=SCK**")
    address = page.url
    page.keyboard.press("Escape")
    assert not page.locator("#walk").is_visible()
    assert page.evaluate("location.hash") == ""
    page.goto("about:blank")
    page.goto(address)  # mailed
    assert page.locator(".walk-net").inner_text() == "SCK"
    assert page.trouble == []


def test_copper_is_chosen_by_a_click(visit, build_result):
    page = visit(build_result())
    drawn(page)
    x, y, w, h = window(page)
    frame = page.locator("#board").bounding_box()
    px = max(w / frame["width"], h / frame["height"])
    at = (20_000, -18_000)  # on SCK, which runs along y = 18 mm on layer 4
    page.mouse.click(
        frame["x"] + frame["width"] / 2 + (at[0] - x - w / 2) / px,
        frame["y"] + frame["height"] / 2 + (at[1] - y - h / 2) / px,
    )
    page.wait_for_selector("#walk:not([hidden])")
    assert page.locator(".walk-net").inner_text() == "SCK"


def test_a_distance_is_measured_by_keys(visit, build_result):
    page = visit(build_result())
    page.locator("#board").focus()
    page.keyboard.press("m")
    page.keyboard.press("m")
    width = window(page)[2]
    page.keyboard.press("ArrowRight")
    page.keyboard.press("m")
    assert page.locator("#measured").inner_text().startswith(f"{0.15 * width / 1000:.3f} mm")
    page.keyboard.press("Escape")
    assert not page.locator("#measured").is_visible()


def test_a_click_leaves_the_board_where_it_is_and_the_whole_board_has_its_button(visit, build_result):
    page = visit(build_result())
    whole = window(page)
    page.locator("#board").focus()
    page.keyboard.press("+")
    near = flown(page, " ".join(f"{v:g}" for v in whole))
    page.keyboard.press("m")
    frame = page.locator("#board").bounding_box()
    for dx in 100, 250:
        page.mouse.click(frame["x"] + dx, frame["y"] + 120)
    page.wait_for_timeout(700)  # a flight would be over
    assert window(page) == near
    apart = 150 * near[2] / frame["width"] / 1000
    measured = float(page.locator("#measured").inner_text().split(" mm")[0])
    # a view that is taller than its frame is scaled by its height
    assert measured == pytest.approx(max(apart, 150 * near[3] / frame["height"] / 1000), rel=0.02)
    page.locator(".tools [data-whole]").click()
    page.wait_for_timeout(900)
    assert window(page)[2] >= whole[2]


def test_labels_on_the_board_stand_apart(visit, build_result):
    page = visit(build_result())
    page.wait_for_timeout(400)
    boxes = page.locator(".mark:not(.crowded) text:visible").evaluate_all(
        "texts => texts.filter((t) => t.textContent).map((t) => { const r = t.getBoundingClientRect();"
        " return [r.left + 1, r.top + 4, r.right - 1, r.bottom - 4]; })"
    )
    assert len(boxes) > 2
    struck = [
        (a, b)
        for i, a in enumerate(boxes)
        for b in boxes[:i]
        if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
    ]
    assert struck == []


def test_an_address_names_a_window_and_a_layer(visit, build_result):
    page = visit(build_result(), "#x=44.00&y=30.00&w=12.0&layer=2")
    x, y, w, h = window(page)
    assert (x + w / 2, y + h / 2) == (pytest.approx(44_000, abs=2), pytest.approx(-30_000, abs=2))
    assert w == pytest.approx(12_000, abs=2)
    assert page.locator("#pick-1").is_checked()
    for odd in ("#x=1&y=2", "#x=a&y=b&w=c", "#%E0%A4%A", "#net=nobody", "#x=1&y=1&w=-5&layer=99"):
        page.goto(page.url.split("#")[0] + odd)
    assert page.trouble == []


@pytest.mark.parametrize(("label", "option"), [("kind", "trace-over-gap"), ("layer", "4 BOT"), ("net", "SCK")])
def test_places_are_filtered(visit, build_result, label, option):
    result = build_result()
    page = visit(result)
    page.get_by_label(label, exact=True).select_option(label=option)
    document = to_document(result)["findings"]
    meant = {
        "kind": [f for f in document if f["check"] == option],
        "layer": [f for f in document if option.split()[-1] in f["layers"]],
        "net": [f for f in document if option in f["nets"]],
    }[label]
    assert 0 < len(meant) < len(document)
    assert page.locator("#ranking tr[data-place]:not(.filtered-out)").count() == len(meant)
    assert page.locator("#board .mark:not(.filtered-out)").count() == len(meant)
    assert page.locator("#filtered").inner_text() == f"{len(meant)} of {len(document)} places"
    page.keyboard.press("Escape")


def test_what_is_painted_is_what_the_browser_draws_by_itself(watched, build_result, tmp_path):
    """Two drawings of one board: the page's script on its canvas, and the browser's own of the picture in the page."""
    # without the hatching, which each lays out for itself
    css = ".mark,.scale-bar,.tools,.part{visibility:hidden!important}"
    css += ":root{--hatch:#e5e0d0!important;--under:#e5e0d0!important}"
    result = build_result()
    page = render(to_document(result), result.drawing).replace("</style>", css + "</style>", 1)
    (tmp_path / "review.html").write_text(page, encoding="utf-8")
    still, painted = watched(java_script_enabled=False), watched()
    for view in (still, painted):
        view.goto(f"file://{tmp_path / 'review.html'}")
    for layer in (0, 3, 2):
        pictures = []
        for view in (still, painted):
            view.locator(f"#pick-{layer}").check(force=True)
            if view is painted:
                drawn(view)
            shot = view.locator(".view").screenshot()
            pictures.append(np.asarray(Image.open(io.BytesIO(shot)).convert("L")).astype(int))
        off = np.abs(pictures[0] - pictures[1])
        assert off.mean() < 2  # of 255; edges are smoothed differently
        assert (off > 90).mean() < 0.004


def test_a_board_of_a_hundred_thousand_shapes_is_painted_and_moved(visit, build_result):
    """No time is asserted here; benchmarks/page.py measures."""
    result, rng = build_result(), np.random.default_rng(1)
    many = {"traces": 70_000, "pads": 30_000}
    start = rng.uniform((4, 4), (84, 52), (many["traces"], 2))
    lines = np.stack([start, start + rng.normal(0, 0.6, start.shape)], axis=1)
    corners = np.array([(-0.1, -0.1), (0.1, -0.1), (0.1, 0.1), (-0.1, 0.1), (-0.1, -0.1)])
    squares = rng.uniform((4, 4), (84, 52), (many["pads"], 1, 2)) + corners
    crowded = replace(
        result.drawing.layers[3],
        traces=list(lines),
        trace_widths=[0.1] * many["traces"],
        trace_nets=rng.integers(1, 14, many["traces"]).tolist(),
        pads=[[ring] for ring in squares],
        pad_nets=rng.integers(1, 14, many["pads"]).tolist(),
    )
    page = visit(replace(result, drawing=replace(result.drawing, layers=[*result.drawing.layers[:3], crowded])))
    page.set_default_timeout(60_000)
    drawn(page)
    page.locator("#board").focus()
    for key in "+", "+", "ArrowRight":
        page.keyboard.press(key)
    near = seen(page)
    assert near.std() > 10  # copper fills the view
    page.keyboard.press("Escape")
    assert (seen(page) != near).mean() > 0.2
    assert page.trouble == []


def test_without_a_painter_the_pages_own_drawing_stays(visit, build_result, watched, tmp_path):
    write_html(to_document(build_result()), build_result().drawing, tmp_path / "review.html")
    page = watched()
    page.add_init_script("delete window.OffscreenCanvas")
    page.goto(f"file://{tmp_path / 'review.html'}")
    assert page.locator("canvas").count() == 0
    assert page.locator(".layer-3").is_visible()
    page.keyboard.press("ArrowDown")
    assert page.locator(".mark.on").count() == 1
    assert page.trouble == []


def test_paper_shows_the_whole_board_as_vectors(visit, build_result):
    page = visit(build_result())
    page.keyboard.press("ArrowDown")
    drawn(page)
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator(".layer-3").is_visible()
    assert not page.locator(".sheet-near").is_visible()
    assert not page.locator(".finder").is_visible()
    assert page.locator("#board").get_attribute("viewBox") == page.locator("#board").get_attribute("data-whole")


def test_the_ground_is_the_readers_choice(visit, build_result):
    page = visit(build_result(), color_scheme="light")
    light = seen(page).mean()
    page.get_by_role("button", name="on dark ground").click()
    page.wait_for_timeout(200)
    assert seen(page).mean() < light - 60
    page.reload()
    assert page.evaluate("document.documentElement.dataset.scheme") == "dark"
    page.get_by_role("button", name="on light ground").click()
    page.wait_for_timeout(200)
    assert seen(page).mean() == pytest.approx(light, abs=3)


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


KEPT = Path(__file__).with_name("page_seen.png")
TILES = (70, 45)  # the page is kept this coarse: words may break elsewhere, the picture as a whole may not change


def coarse(page):
    """The page as it is first seen, in tiles of 20 px, (45, 70, 3)."""
    seen(page)
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB").resize(TILES, Image.Resampling.BOX)
    return np.asarray(picture).astype(int)


def unlike(one, other):
    """(mean difference, share of tiles that differ clearly), of 255 and of 1."""
    off = np.abs(one - other).max(axis=2)
    return float(off.mean()), float((off > 36).mean())


def alike(one, other):
    mean, share = unlike(one, other)
    return mean < 2.5 and share < 0.02


def test_the_page_looks_as_it_was_looked_at(visit, build_result):
    """The stored picture was opened and judged. Where the page is meant to look otherwise, make it anew with
    KEEP_PAGE=1 in the environment, and look at it."""
    page = visit(build_result())
    now = coarse(page)
    if os.environ.get("KEEP_PAGE"):
        Image.fromarray(now.astype(np.uint8)).save(KEPT, optimize=True)
    kept = np.asarray(Image.open(KEPT).convert("RGB")).astype(int)
    assert alike(now, kept), unlike(now, kept)
    # and it can tell: the board gone, the columns changed over, another ground
    for css in (
        ".view { opacity: 0 }",
        ".desk { grid-column: 1 !important } .letter { grid-column: 2 !important }",
        "body { background: #e8dcc8 }",
    ):
        style = page.add_style_tag(content=css)
        assert not alike(coarse(page), kept), css
        style.evaluate("style => style.remove()")
