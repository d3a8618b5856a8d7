"""The page as a file: complete, self-contained, inert, the same every time."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from importlib.resources import files

import numpy as np
import pytest

from quietcopper.findings import Drawing, DrawnLayer
from quietcopper.findings.document import to_document
from quietcopper.report.html import render, script_json, write_html
from quietcopper.report.letter import anchors

VOID = {"meta", "input", "br", "img", "link", "hr"}
HOSTILE = "</script><img src=x onerror=alert(1)>\"'&{{7*7}}]]>"


class Reader(HTMLParser):
    """Collects tags, attributes, ids and text; fails where tags do not nest."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.ids, self.text = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.ids += [value for key, value in attrs if key == "id"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.ids += [value for key, value in attrs if key == "id"]

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag, f"</{tag}> does not nest"

    def handle_data(self, data):
        self.text.append(data)


def read(page):
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


@pytest.fixture(scope="module")
def page(invented):
    result, document = invented
    return render(document, result.drawing)


def test_the_page_nests_has_unique_ids_and_every_link_inside_it_leads_somewhere(page):
    reader = read(page)
    assert len(reader.ids) == len(set(reader.ids))
    targets = [a["href"] for tag, a in reader.tags if "href" in a]
    assert len(targets) > 20
    assert {t for t in targets if t.startswith("#")} == set(targets)
    assert {t[1:] for t in targets} <= set(reader.ids)


def test_the_page_asks_no_network(page):
    reader = read(page)
    for tag, attributes in reader.tags:
        for name in ("src", "href", "action", "data", "poster"):
            assert not re.match(r"\s*(https?:)?//", attributes.get(name) or ""), f"{tag} {name}"
    assert not re.search(r"url\((?!data:font/woff2|#hatch)", page)
    assert "@import" not in page
    policy = next(a["content"] for tag, a in reader.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy


def test_the_parts_of_a_review_stand_in_their_order(page):
    order = [
        "One cause explains",
        "Causes, worst first",
        "What was assumed",
        "The stackup</h2>",
        "All places, worst first",
    ]
    order += [
        "What was checked",
        "What was not checked, and why",
        "What was not read",
        "contradicts itself",
        "Cautions",
    ]
    places = [page.index(text) for text in order]
    assert places == sorted(places)
    for text in (
        "41 of 44 nets",
        "no reference there to solve against",
        "accredited laboratory",
        "Creepage and clearance",
    ):
        assert text in page


def test_every_finding_is_told_with_its_numbers_source_and_remedies(page, invented):
    _, document = invented
    reader = read(page)
    for finding in document["findings"]:
        anchor = anchors([f["id"] for f in document["findings"]])[finding["id"]]
        assert anchor in reader.ids
        told = page[page.index(f'id="{anchor}"') :]
        told = unescape(told[: told.index("</details>")])
        assert finding["allowance_source"] in told
        for remedy in finding["remedies"]:
            assert remedy["change"]["text"][1:] in told


def test_evidence_is_drawn_where_it_was_given(page):
    for label in (
        "Impedance along the path",
        "Spectrum against CISPR 32 class B",
        "Layer change through the board",
        "Standing wave",
    ):
        assert f'aria-label="{label}"' in page
    assert "What adds up to it: three parts" in page
    assert 'class="reach"' in page
    assert 'class="return"' in page


def test_evidence_of_another_form_is_named_and_costs_nothing(build_result):
    result = build_result()
    odd = {
        "spectrum": [1, 2],
        "section": {"strips": 3},
        "impedance": {},
        "mode": None,
        "reach": 5,
        "return_path": "x",
        "er": 4.2,
    }
    document = to_document(replace(result, findings=(replace(result.findings[0], evidence=odd), *result.findings[1:])))
    page = render(document, result.drawing)
    assert page.count("given in a form that cannot be drawn") == 4


def test_names_from_files_are_text_and_nothing_else(build_result):
    result = build_result(name=HOSTILE)
    layers = [replace(layer, name=f"{layer.name}{HOSTILE}") for layer in result.drawing.layers]
    drawing = replace(
        result.drawing,
        nets=[name and name + HOSTILE for name in result.drawing.nets],
        layers=layers,
        parts=[(ref + HOSTILE, x, y, side) for ref, x, y, side in result.drawing.parts],
    )
    findings = []
    for f in result.findings:
        place = replace(f.place, nets=tuple(n + HOSTILE for n in f.place.nets), parts=(f"U1{HOSTILE}",))
        cause = replace(f.cause, title=f.cause.title + HOSTILE)
        evidence = {HOSTILE: HOSTILE, "impedance": {"found_ohm": 61.0, "target_ohm": 50.0, "name": HOSTILE}}
        findings.append(
            replace(
                f,
                title=HOSTILE,
                message=HOSTILE,
                subject=(HOSTILE, *f.subject),
                place=place,
                cause=cause,
                evidence=evidence,
            )
        )
    hostile = build_result(
        findings=findings,
        drawing=drawing,
        name=HOSTILE,
        problems=(HOSTILE,),
        board={**result.board, "name": HOSTILE, "source": HOSTILE, "layers": [layer.name for layer in layers]},
    )
    reader = read(render(to_document(hostile), hostile.drawing))
    assert "img" not in {tag for tag, _ in reader.tags}
    assert [tag for tag, _ in reader.tags].count("script") == 3
    assert not [key for _, attributes in reader.tags for key in attributes if key.startswith("on")]
    text = "".join(reader.text)
    assert HOSTILE in text
    assert "49" not in re.findall(r"onerror=alert\(1\)>\"'&(.{2})", text)  # no template is run twice
    data = next(t for t in reader.text if t.startswith('{"places"'))
    assert "<" not in data
    assert json.loads(data)["places"][0]["title"] == HOSTILE


def test_json_in_a_script_element_survives_the_round_trip():
    value = {"a": "</script><!-- \u2028 &amp;"}
    text = script_json(value)
    assert not set("<>&\u2028") & set(text)
    assert json.loads(text) == value


def test_a_review_that_found_nothing_and_a_board_of_one_layer_are_pages_too(build_result):
    result = build_result(findings=[])
    page = render(to_document(result), result.drawing)
    assert "What could be checked is within its allowance." in page
    assert "so there is no cause to remove" in page
    read(page)
    empty = DrawnLayer("L1", [], [], [], [], [], [], [])
    bare = replace(
        result,
        drawing=Drawing([], [empty], np.zeros((0, 3)), [], [""]),
        board={**result.board, "layers": ["L1"], "outline_mm": [0.0, 0.0]},
        stackup={"thickness_mm": None, "layers": [], "dielectrics": [], "judgement": []},
        assumptions=(),
        coverage=(),
        lines=(),
        plane_pairs=(),
        unread=(),
        problems=(),
    )
    page = render(to_document(bare), bare.drawing)
    assert "Nothing on this board could be checked." in page
    assert "what was not read" not in page.lower()
    read(page)


def test_findings_on_a_board_whose_layers_are_unknown_still_have_their_marks(build_result):
    result = build_result()
    findings = [replace(f, place=replace(f.place, layers=())) for f in result.findings]
    document = to_document(build_result(findings=findings))
    page = render(document, result.drawing)
    assert len(re.findall(r'class="mark x\d all', page)) >= len(findings)


def test_many_findings_fold_their_tail(build_result):
    result = build_result()
    first = result.findings[0]
    many = [replace(first, subject=(f"N{i}",), evidence={}) for i in range(300)]
    page = render(to_document(build_result(findings=many)), result.drawing)
    assert "295 more places of this cause" in page
    assert "260 more, " in page
    assert page.count('<details class="place"') == 300
    assert len(page) < 2_500_000


def test_same_document_same_bytes(invented, build_result, tmp_path):
    result, document = invented
    write_html(document, result.drawing, tmp_path / "a.html")
    again = build_result()
    write_html(to_document(again), again.drawing, tmp_path / "b.html")
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def test_anchors_are_safe_distinct_and_made_of_the_id():
    ids = ["trace-over-gap:CLK+:L4", "trace-over-gap:CLK-:L4", "трасса", "a b"]
    names = anchors(ids)
    assert list(names.values()) == ["f-trace-over-gap-clk-l4", "f-trace-over-gap-clk-l4--2", "f-place", "f-a-b"]


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_the_colour_ramp_is_one_sequence_of_lightness(scheme):
    """Each step is darker than the one before (lighter in dark), so that it reads without colour as well."""
    css = files("quietcopper.report").joinpath("static/review.css").read_text("utf-8")
    pairs = [re.search(rf"--x{i}: light-dark\(#(\w{{6}}), #(\w{{6}})\)", css).groups() for i in range(1, 6)]
    paper = re.search("".join(rf"--x{i}: #(\w{{6}});\s*" for i in range(1, 6)), css).groups()
    ramp = {"light": [a for a, _ in pairs], "dark": [b for _, b in pairs], "print": paper}[scheme]

    def luminance(colour):  # relative luminance, W3C WCAG 2.1
        channels = [int(colour[i : i + 2], 16) / 255 for i in (0, 2, 4)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))

    steps = np.diff([luminance(c) for c in ramp])
    assert (steps > 0).all() if scheme == "dark" else (steps < 0).all()


def test_every_font_in_the_page_has_its_licence_beside_it():
    folder = files("quietcopper.report").joinpath("static/fonts")
    names = {entry.name for entry in folder.iterdir()}
    assert {"LICENSE-literata.txt", "LICENSE-source-sans.txt"} <= names
    for name in names:
        assert name.startswith(("literata", "source-sans", "LICENSE", "README"))
