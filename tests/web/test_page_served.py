"""The served page in a real browser: decisions into the file, changes tried, a plan saved; and what a reader without
sight, or of another page, meets."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietcopper.changes import read_plan
from quietcopper.review.decisions import read_decisions
from quietcopper.web.service import SAVED

AXE = Path(__file__).parents[2] / "web" / "node_modules" / "axe-core" / "axe.min.js"
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")  # playwright's own pipes


@pytest.fixture
def page(watched, served):
    """The page, opened by the address that the terminal shows."""
    address = served.server.address
    page = watched(origin=address.split("/?")[0])
    page.goto(address)
    page.wait_for_selector("#thicknesses:not([hidden])")
    return page


def test_a_decision_is_recorded_and_shown(page, served):
    assert "key" not in page.url
    first = served.server.service.document["findings"][0]
    page.keyboard.press("ArrowDown")
    form = page.locator(".place[open] .decide").first
    form.get_by_role("button", name="record").click()
    assert form.locator(".status").inner_text() == "Choose one of the three."
    form.get_by_label("accepted as it is").check()
    form.get_by_label("by").fill("R. Viewer")
    form.get_by_role("button", name="record").click()
    form.locator(".status", has_text="needs its reason").wait_for()
    form.get_by_label("reason").fill("</p><img src=x onerror=alert(1)> measured, fine")
    form.get_by_role("button", name="record").click()
    form.locator(".status", has_text="Recorded").wait_for()
    held = read_decisions(served.server.service.decisions).latest[first["id"]]
    assert (held.state, held.author) == ("accepted", "R. Viewer")
    page.reload()
    page.wait_for_selector(".ranking .state")
    assert "measured, fine" in page.locator(".decision").first.text_content()
    assert page.locator("img").count() == 0
    assert [t for t in page.trouble if "400" not in t] == []  # the refused record is told by the browser, too


def test_a_cause_and_a_place_are_commented_on_without_a_decision(page, served):
    document = served.server.service.document
    for holder, css in ((page.locator("#cause-1"), ".places"), (page.locator(".place[open] .inside").first, "")):
        remark = holder.locator(":scope > .remark")
        remark.locator("summary").click()
        remark.get_by_label("comment, without a decision").fill(f"<b>seen</b> {css}")
        remark.get_by_label("by").fill("B. Okafor")
        remark.get_by_role("button", name="add the comment").click()
        remark.locator(".status", has_text="Recorded").wait_for()
    held = read_decisions(served.server.service.decisions)
    assert held.latest == {}
    assert [(c.subject, c.on_cause, c.author) for c in held.comments] == [
        (document["causes"][0]["id"], True, "B. Okafor"),
        (document["findings"][0]["id"], False, "B. Okafor"),
    ]
    page.reload()
    page.wait_for_selector("#cause-1 > .comments li")
    assert page.locator("#cause-1 > .comments li").inner_text().startswith("<b>seen</b> .places (B. Okafor, 20")
    assert page.locator(".inside > .comments li").count() == 1
    assert page.trouble == []


def test_a_proposal_is_tried_and_kept_as_a_plan(page, served):
    document = served.server.service.document
    page.locator(".cause .gain .try-it").first.click()
    page.wait_for_selector(".then", timeout=60_000)
    words = page.locator(".trial-words").inner_text()
    assert words.startswith("1 change tried: ")
    before = sum(f["excess_db"] is not None and f["excess_db"] >= 0 for f in document["findings"])
    assert f": {before} → " in words
    page.get_by_label("layer 3 to 4").fill("0.3")
    page.get_by_label("layer 3 to 4").press("Enter")
    page.locator(".trial-words", has_text="2 changes tried").wait_for(timeout=60_000)
    page.get_by_role("button", name="save as a plan").click()
    page.wait_for_selector("#saved a")
    saved = served.server.service.folder / SAVED
    kinds = [change.kind for change in read_plan(saved)]
    assert kinds[0] == "set-dielectric"
    assert len(kinds) >= 2
    saved.unlink()
    page.get_by_role("button", name="as it was").click()
    page.locator(".then").first.wait_for(state="detached")
    assert not page.locator("#trial").is_visible()
    assert page.trouble == []


def test_another_page_can_do_nothing(page, served, watched):
    """A page of another origin that knows the address: its script's requests are refused."""
    other = watched(origin="http")
    other.goto("data:text/html,<p>elsewhere")
    address = served.server.address.split("/?")[0]
    refused = other.evaluate(
        """async (address) => {
          const tries = [
            fetch(address + '/findings.json', { credentials: 'include' }),
            fetch(address + '/api/decide', { method: 'POST', mode: 'no-cors', credentials: 'include', body: '{}' }),
          ];
          return (await Promise.allSettled(tries)).map((t) => t.status === 'rejected' || t.value.type === 'opaque');
        }""",
        address,
    )
    assert refused == [True, True]
    assert not served.server.service.decisions.exists()


@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not installed (make page): accessibility was not checked")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_to_say(page, scheme):
    """axe-core's rules of WCAG 2.1 A and AA, with a place open, its form, the walk's and the trial's panels."""
    page.emulate_media(color_scheme=scheme)
    page.keyboard.press("ArrowDown")
    page.evaluate("for (const id of ['walk', 'trial', 'measured']) document.getElementById(id).hidden = false")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    said = page.evaluate(
        """async () => (await axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa'] }))
          .violations.map((v) => v.id + ': ' + v.nodes.map((n) => n.target.join(' ')).slice(0, 4).join(' | '))"""
    )
    assert said == []
