"""The letter as PDF: its first page stands alone, names are never markup, drawings are vectors, bytes are the same."""

from __future__ import annotations

import copy
import io
import os
import re
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from quietcopper.errors import CallError
from quietcopper.findings import Comment, Decision, Drawing, DrawnLayer, NotChecked, Proposal, Remedy
from quietcopper.findings.document import to_document
from quietcopper.findings.model import ADVICE
from quietcopper.report import typeset, words
from quietcopper.report.outlook import cause_outlook, place_outlook
from quietcopper.report.overview import APART_PX, moved_apart
from quietcopper.report.pdf import SUMMED_CAUSES, _Composer, render_pdf, write_pdf

HOSTILE = (
    '#import "x": *',
    "$a$",
    r"\u{41}\u0041",
    "\"quoted\" 'and'",
    '#read("/etc/passwd")',
    "#{ panic() }",
    "] #sys.inputs [",
    "= heading",
    "/* // */",
    "<label> @ref `raw` ~ --- ...",
    "</svg></style><script>alert(1)</script>&amp;&#0;",
    "*bold* _it_ $ x^2 $",
    "x" * 300,
    "A_B/" * 60,
    "\u202egnp.exe",
    "\x00\x07\x1b[31m\ud800\ufffe",
    "网络 сеть Łódź Ωμ",
)


def read(data):
    """The pages of a PDF as text, without spaces and line ends, which reading back places as it likes."""
    reader = pypdf.PdfReader(io.BytesIO(data))
    return [squeezed(page.extract_text()) for page in reader.pages]


def squeezed(text):
    return re.sub(r"[\s\u200b\u00ad]+", "", text)


@pytest.fixture(scope="module")
def letter(invented):
    result, document = invented
    return render_pdf(document, result.drawing)


@pytest.fixture(scope="module")
def pages(letter):
    return read(letter)


def test_the_first_page_alone_tells_what_is_wrong_how_bad_and_what_to_change_first(invented, pages):
    result, document = invented
    first = pages[0]
    assert squeezed(words.headline(document)) in first
    composer = _Composer(document, result.drawing)
    change = composer.first()
    assert squeezed("Change first" + change["text"]) in first
    assert squeezed(change["share"]) in first
    assert len(composer.summary()) >= 3
    for row in composer.summary():
        for text in (row["title"], row["worst"], row["after"], row["change"]["text"]):
            assert squeezed(text) in first
    over = [c for c in document["causes"] if words.over(c["excess_before_db"])]
    assert [row["title"] for row in composer.summary()] == [c["title"] for c in over[:SUMMED_CAUSES]]
    assert "noverdictoncompliance" in first
    assert "+6dBistwice" in first


def test_the_parts_stand_in_their_order(pages):
    whole = "".join(pages)
    order = [
        "Changefirst",
        "Questionstothedesigner",
        "Thestackup",
        "Causes,intheorder",
        "Whatwaschecked,andfoundgood",
        "Whatwasnotchecked,andwhy",
        "Notreadfromthefile",
        "Whatcontradictsitself",
        "Cautions",
        "reviewer",
    ]
    places = [whole.index(text) for text in order]
    assert places == sorted(places)
    for text in ("41 of 44 nets", "no reference there to solve against", "accredited laboratory", "Creepage"):
        assert squeezed(text) in whole


def test_every_place_over_its_allowance_is_told_with_number_figures_and_source(invented, pages):
    _, document = invented
    whole = "".join(pages)
    over = [f for f in document["findings"] if words.over(f["excess_db"])]
    assert len(over) >= 6
    for finding in over:
        told = whole[whole.index("Causes,intheorder") :]
        row = told[told.index(squeezed(finding["title"])) :][:400]
        assert squeezed(words.figure(finding["predicted"], finding["unit"])) in row
        assert squeezed(words.decibels(finding["excess_db"])) in row
        assert squeezed(finding["allowance_source"]) in told


def test_title_reviewer_and_recipient_come_from_the_settings(invented):
    result, document = invented
    settings = {**document["settings"], "title": "Tide gauge", "reviewer": "Łucja Brandt", "recipient": "P. Îlves"}
    data = render_pdf({**document, "settings": settings}, result.drawing)
    first, *_, last = read(data)
    assert "Tidegauge" in first
    assert "reviewedbyŁucjaBrandt" in first
    assert "forP.Îlves" in first
    assert "ŁucjaBrandt,reviewer" in last
    meta = pypdf.PdfReader(io.BytesIO(data)).metadata
    assert meta.title == "Tide gauge: review of the layout"
    assert meta.author == "Łucja Brandt"


def poisoned(result, document, text):
    """The document and drawing with a text in every place that a board file or settings can reach."""
    bad = copy.deepcopy(document)
    names = [f"{text}{i}" for i in range(len(bad["board"]["layers"]))]
    layers = dict(zip(bad["board"]["layers"], names, strict=True))
    bad["board"] |= {"name": text, "source": text, "layers": names}
    bad["settings"] |= {"title": "", "reviewer": text, "recipient": text}
    for rows, keys in (
        ("assumptions", ("what", "value", "why")),
        ("not_checked", ("what", "why")),
        ("unread", ("what", "where", "why")),
        ("coverage", ("things",)),
    ):
        for row in bad[rows]:
            row |= dict.fromkeys(keys, text)
    bad["problems"] = [text]
    bad["stackup"]["judgement"] = [text]
    for row in bad["stackup"]["layers"]:
        row |= {"name": layers[row["name"]], "carries": text, "function": text}
        if row["reference"]:
            row["reference"] |= {"layer": layers[row["reference"]["layer"]], "net": text}
    for finding in bad["findings"]:
        finding |= {"title": text, "message": text, "nets": [text], "parts": [text], "allowance_source": text}
        finding["layers"] = [layers[name] for name in finding["layers"]]
        finding["decision"] = {"state": "agreed", "reason": text, "author": text, "time": text}
        finding["evidence"] = swapped(finding["evidence"], text)
        for remedy in finding["remedies"]:
            remedy["change"]["text"] = text
    for cause in bad["causes"]:
        cause["title"] = text
        if cause["change"]:
            cause["change"]["text"] = text
    for check in bad["checks"].values():
        check |= dict.fromkeys(("question", "mechanism", "formula"), text)
    for row in bad["plane_pairs"]:
        row |= dict.fromkeys(("upper", "lower", "upper_net", "lower_net"), text)
    old = result.drawing
    drawing = replace(
        old,
        nets=["", *[text] * (len(old.nets) - 1)],
        layers=[replace(layer, name=layers[layer.name]) for layer in old.layers],
        parts=[(text, x, y, side) for _, x, y, side in old.parts],
    )
    return bad, drawing


def swapped(evidence, text):
    """Evidence with its free texts replaced; words that choose a drawing stay."""
    if isinstance(evidence, dict):
        free = {"name", "what", "plane_below_name", "plane_above_name", "return_what", "limit_name"}
        return {k: text if k in free and isinstance(v, str) else swapped(v, text) for k, v in evidence.items()}
    return [swapped(item, text) for item in evidence] if isinstance(evidence, list) else evidence


@pytest.mark.parametrize("text", HOSTILE, ids=lambda text: ascii(text[:18]))
def test_what_a_file_names_is_shown_as_it_is_and_never_read_as_markup(invented, text):
    bad, drawing = poisoned(*invented, text)
    whole = "".join(read(render_pdf(bad, drawing)))
    shown = squeezed(typeset.printable(text))
    if "网" in text:
        shown = shown[2:]  # depends on the fonts of this machine
    assert whole.count(shown) > 20
    assert "root:" not in whole


def test_drawings_stand_alone_and_every_class_has_its_rule(invented):
    result, document = invented
    composer = _Composer(document, result.drawing)
    composer.data()
    files = composer.pictures.files
    assert len(files) > 15
    css = typeset.drawing_style()
    styled = set(re.findall(r"\.([a-z][\w-]*)", css))
    used = set()
    for name, data in files.items():
        root = etree.fromstring(data)
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        style = root[0].text
        assert not re.search(r"var\(|\$|\d\s*u\b", style), name
        assert not root.xpath("//*[local-name()='script' or local-name()='image' or local-name()='foreignObject']")
        used |= {c for element in root.iter() for c in (element.get("class") or "").split()}
        for reference in re.findall(rb"url\(#([\w-]+)\)", data):
            assert reference == b"hatch"
        if 'class="under"' in data.decode():
            assert root.xpath("//*[@id='hatch']")
    # groups that only carry others, layers of the page's picker, and names that its script looks for
    bare = {
        "board",
        "close-up",
        "start",
        "m0",
        "p0",
        "chart",
        "still",
        "holes",
        "section",
        "transition",
        "stack-layer",
        "line",
        "steps",
    }
    left = {c for c in used - styled - bare if not re.fullmatch(r"l\d+|all|level|comb|x0|s\d", c)}
    assert left == set()


def test_no_picture_is_a_raster_and_the_fonts_are_inside(letter):
    reader = pypdf.PdfReader(io.BytesIO(letter))
    fonts = set()
    for page in reader.pages:
        assert list(page.images) == []
        fonts |= {str(f.get_object()["/BaseFont"]) for f in page["/Resources"].get("/Font", {}).values()}
    assert any("Literata" in name for name in fonts)
    assert any("LetterSans" in name for name in fonts)
    for name in fonts:
        assert re.fullmatch(r"/[A-Z]{6}\+(Literata|LetterSans|LibertinusSerif|DejaVuSansMono).*", name)


def test_same_document_same_bytes_in_every_process_and_no_time_inside(invented, letter, build_result, tmp_path):
    _, document = invented
    again = build_result()
    write_pdf(to_document(again), again.drawing, tmp_path / "review.pdf")
    assert (tmp_path / "review.pdf").read_bytes() == letter
    reader = pypdf.PdfReader(io.BytesIO(letter))
    assert reader.metadata.creation_date is None
    assert reader.metadata.modification_date is None
    # another process, another order of hashes
    code = (
        "import sys, json, numpy as np; from quietcopper.findings import Drawing, DrawnLayer\n"
        "from quietcopper.report.pdf import render_pdf; from hashlib import sha256\n"
        "document = json.load(open(sys.argv[1]))\n"
        "layers = [DrawnLayer(n, [], [], [], [], [], [], []) for n in document['board']['layers']]\n"
        "outline = [[np.array([[0, 0], [88, 0], [88, 56], [0, 56]], float)]]\n"
        "drawing = Drawing(outline, layers, np.zeros((0, 3)), [], [''])\n"
        "print(sha256(render_pdf(document, drawing)).hexdigest())\n"
    )
    (tmp_path / "d.json").write_text(typeset.json.dumps(document))
    digests = {
        subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / "d.json")],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(digests) == 1


def test_a_time_only_from_source_date_epoch(invented, monkeypatch):
    result, document = invented
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1764061200")
    data = render_pdf(document, result.drawing)
    assert "25November2025" in read(data)[0]
    assert pypdf.PdfReader(io.BytesIO(data)).metadata.creation_date.isoformat().startswith("2025-11-25T09:00:00")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "yesterday")
    with pytest.raises(CallError, match="SOURCE_DATE_EPOCH is 'yesterday', a whole number"):
        render_pdf(document, result.drawing)


def test_a_board_without_findings_or_drawing_has_its_letter(build_result):
    empty = Drawing([], [DrawnLayer("L1", [], [], [], [], [], [], [])], np.zeros((0, 3)), [], [""])
    board = {**build_result().board, "layers": ["L1"], "outline_mm": [0, 0]}
    nothing = {"thickness_mm": None, "layers": [], "dielectrics": [], "judgement": []}
    result = build_result(findings=[], assumptions=(), drawing=empty, board=board, stackup=nothing, plane_pairs=())
    result = replace(result, causes=(), coverage=(), not_checked=(), unread=(), problems=())
    whole = "".join(read(render_pdf(to_document(result), empty)))
    for text in ("Nothing on this board could be checked.", "No place is over its allowance", "No check counted"):
        assert squeezed(text) in whole


def test_hundreds_of_places_stay_a_letter(build_result):
    result = build_result()
    first = result.findings[0]
    many = [replace(first, subject=(f"N{i}",), evidence={}) for i in range(400)]
    data = render_pdf(to_document(build_result(findings=many)), result.drawing)
    pages = read(data)
    assert len(pages) < 12
    assert "375moreplacesofthiscause,smaller" in "".join(pages)


def test_many_causes_are_told_in_full_up_to_a_dozen_and_the_others_briefly(build_result):
    result = build_result()
    document = to_document(result)
    finding, cause = document["findings"][0], document["causes"][0]
    document["findings"] = [{**finding, "id": f"f{i}", "title": f"Place number {i}"} for i in range(30)]
    document["causes"] = [{**cause, "title": f"Cause number {i}", "findings": [f"f{i}"]} for i in range(30)]
    assert words.over(finding["excess_db"])
    whole = "".join(read(render_pdf(document, result.drawing)))
    brief = whole.index("Furthercausesofplacesovertheirallowance")
    assert whole.index("Placenumber11") < brief
    assert "Placenumber12" not in whole
    for i in range(12, 30):
        assert f"Causenumber{i}" in whole[brief:]


def test_things_not_checked_for_one_reason_share_a_row(build_result):
    result = build_result(not_checked=[NotChecked("trace-off-plane", f"net N{i}", "no reference", 2) for i in range(9)])
    whole = "".join(read(render_pdf(to_document(result), result.drawing)))
    assert "netN0,netN1,netN2,netN3,netN4and4more" in whole
    assert whole.count("noreference") == 1


def test_what_was_decided_is_shown_and_a_cause_set_aside_is_not_what_to_change_first(build_result):
    result = build_result()
    plain = _Composer(to_document(result), result.drawing)
    assert plain.first()["number"] == 1
    ids = result.causes[0].findings
    decided = {i: Decision(i, "accepted", "inside a shielded can", "A. Weber", "2025-11-25T09:00:00Z") for i in ids}
    said = [Comment(i, "ask the maker", "B. Okafor", "2025-11-26T09:00:00Z") for i in ids[:1]]
    said.append(Comment(result.causes[0].id, "agreed on the phone", on_cause=True))
    document = to_document(replace(result, decisions=decided, comments=tuple(said)))
    composer = _Composer(document, result.drawing)
    assert composer.first()["number"] == 2
    assert composer.summary()[0]["places"].endswith(", accepted")
    whole = "".join(read(render_pdf(document, result.drawing)))
    assert f"decided:{len(ids)}accepted" in whole
    assert "Decided:Accepted:insideashieldedcan(A.Weber,2025-11-25)." in whole
    assert "twocomments" in whole
    assert "Comment:Askthemaker(B.Okafor,2025-11-26)." in whole
    assert "Comment:Agreedonthephone." in whole


def test_a_change_in_words_alone_is_advice(build_result):
    result = build_result()
    words_alone = Proposal("lead the line between two planes")
    cause = replace(result.causes[0], change=words_alone, excess_after_db=None, solved=ADVICE)
    remedy = Remedy(words_alone, None, ADVICE)
    findings = tuple(replace(f, remedies=(remedy,)) if f.id in cause.findings else f for f in result.findings)
    document = to_document(replace(result, causes=(cause, *result.causes[1:]), findings=findings))
    change = _Composer(document, result.drawing).change(1)
    assert (change["label"], change["text"]) == ("Advice", "Lead the line between two planes")
    assert _Composer(to_document(result), result.drawing).change(1)["label"] == "Proposed"


def test_what_only_an_assumed_cable_makes_a_cause_is_not_what_to_change_first(build_result):
    result = build_result()
    supposed = replace(result, causes=(replace(result.causes[0], supposed=True), *result.causes[1:]))
    document = to_document(supposed)
    assert document["causes"][0]["supposed"]
    assert _Composer(document, result.drawing).first()["number"] == 2
    all_of_them = replace(result, causes=tuple(replace(cause, supposed=True) for cause in result.causes))
    assert _Composer(to_document(all_of_them), result.drawing).first()["number"] == 1


def test_what_typst_cannot_set_is_one_sentence(invented, monkeypatch):
    monkeypatch.setattr(typeset, "resource", lambda folder, name: b"#unknown()")
    with pytest.raises(CallError, match="the letter could not be set: unknown variable: unknown"):
        typeset.compile_pdf("letter.typ", {}, {})


@given(st.text())
def test_printable_text_loses_only_what_cannot_be_printed_and_breaks_long_words(text):
    shown = typeset.printable(text)
    bare = shown.replace("\u200b", "")
    assert bare == typeset.printable(bare).replace("\u200b", "")
    assert len(bare) == len(text)
    assert all(a in (b, "?") for a, b in zip(bare, text, strict=True))
    shown.encode("utf-8")
    assert all(len(word) <= typeset.LONG_WORD for word in re.split(r"[\s\u200b]+", shown))


@given(st.lists(st.tuples(st.floats(0, 600), st.floats(0, 400)), min_size=1, max_size=6))
def test_numbers_on_the_overview_never_lie_on_each_other(points):
    moved = moved_apart(np.array(points), np.array([0.0, 0.0]), np.array([600.0, 400.0]))
    assert (moved >= 0).all()
    assert (moved <= (600, 400)).all()
    gaps = np.hypot(*(moved[:, None] - moved[None]).transpose(2, 0, 1))
    np.fill_diagonal(gaps, np.inf)
    assert gaps.min(initial=np.inf) > 0.8 * APART_PX  # the steps end before the last tenths of a pixel


def remedy(text, after=None, removed=False, how="estimate"):
    change = {"text": text, "kind": "", "arguments": {}}
    return {"change": change, "excess_after_db": after, "removed": removed, "how": how}


def place(excess, *remedies):
    return {"excess_db": excess, "remedies": list(remedies)}


def cause(change, before, after=None, removed=False):
    text = None if change is None else {"text": change, "kind": "", "arguments": {}}
    return {"change": text, "excess_before_db": before, "excess_after_db": after, "removed": removed}


@pytest.mark.parametrize(
    ("given_cause", "places", "expected"),
    [
        # its own change, worked out
        (cause("a", 10, 2), [place(10, remedy("a", 2))], ("a", 2, False, "estimate")),
        (cause("a", 10, None, True), [place(10, remedy("a", removed=True))], ("a", None, True, "estimate")),
        # a change that helps nothing is no proposal
        (cause("a", -3, 0), [place(-3, remedy("a", 0))], None),
        (cause(None, 4), [place(4, remedy("b", 5))], None),
        (cause(None, 4), [place(4)], None),
        # general words: the places' own remedies say what is left, at the worst of them
        (
            cause("spread", 6),
            [place(6, remedy("b", -1), remedy("c", -4)), place(5, remedy("d", 0.5, how="solved again")), place(-1)],
            ("spread", 0.5, False, "estimate and solved again"),
        ),
        # a change that every place names, worked out at some
        (
            cause("a", 9),
            [place(9, remedy("a"), remedy("b", 3)), place(4, remedy("a", removed=True))],
            ("a", None, False, "of its 2 places one goes; what is left of the others was not worked out"),
        ),
        # none of its own: the worst place's, the others by theirs
        (
            cause(None, 9),
            [place(9, remedy("widen X", 1)), place(4, remedy("widen Y", removed=True))],
            ("widen X; the other place by its own change", 1, False, "estimate"),
        ),
        (cause("a", 9), [place(9, remedy("a", how="not solved: why"))], ("a", None, False, "not solved: why")),
        (cause("z", 9), [place(9), place(8, remedy("b", 1))], ("z", None, False, "worked out at one of 2 places")),
    ],
)
def test_what_is_proposed_for_a_cause_and_what_is_left(given_cause, places, expected):
    found = cause_outlook(given_cause, places)
    assert (None if found is None else (found.text, found.after_db, found.removed, found.note)) == expected


def test_the_best_remedy_of_a_place_is_the_one_that_leaves_least():
    best = place_outlook(place(8, remedy("a", 3), remedy("b", -2), remedy("c", None)))
    assert (best.text, best.after_db) == ("b", -2)
    assert place_outlook(place(8, remedy("a", 3), remedy("b", removed=True))).removed
    assert place_outlook(place(8, remedy("a", 9))) is None
    assert place_outlook(place(8, remedy("a", 9), remedy("b"))).text == "b"
