"""Job files: what is taken from them, and that a damaged one cannot do harm."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcopper.errors import ReadError
from quietcopper.formats.gerber_job import Job, looks_like_job, read_job

FULL: dict[str, Any] = {
    "Header": {"GenerationSoftware": {"Vendor": "someone"}},
    "GeneralSpecs": {
        "ProjectId": {"Name": "board", "GUID": "", "Revision": "C"},
        "Size": {"X": 10.0, "Y": 20.0},
        "LayerNumber": 2,
        "BoardThickness": 1.6,
        "ImpedanceControlled": True,
    },
    "FilesAttributes": [
        {"Path": "out/top.gbr", "FileFunction": "Copper,L1,Top", "FilePolarity": "Positive"},
        {"Path": "plane.gbr", "FileFunction": "Copper,L2,Bot", "FilePolarity": "Negative"},
        {"Path": "profile.gbr", "FileFunction": "Profile"},
    ],
    "MaterialStackup": [
        {"Type": "SolderMask", "Thickness": 0.0152, "Name": "Top Solder Mask"},
        {"Type": "Copper", "Thickness": 0.0432, "Name": "Top"},
        {
            "Type": "Dielectric",
            "Thickness": 0.1107,
            "Material": "FR4",
            "DielectricConstant": "3.23",
            "LossTangent": 0.02,
        },
        {"Type": "Copper", "Name": "Bottom"},
    ],
}


def read(document: Any) -> Job:
    return read_job(json.dumps(document).encode(), "x.gbrjob")


def test_everything_that_a_job_file_states() -> None:
    job = read(FULL)
    assert (job.name, job.revision, job.layer_count, job.thickness) == ("board", "C", 2, pytest.approx(1.6e-3))
    assert job.impedance_controlled
    assert job.entries["top.gbr"].function == ("Copper", "L1", "Top")
    assert [job.entries[n].negative for n in ("top.gbr", "plane.gbr", "profile.gbr")] == [False, True, None]
    mask, top, sheet, bottom = job.stackup
    assert (mask.kind, top.kind, sheet.kind) == ("soldermask", "copper", "dielectric")
    assert (top.name, bottom.thickness) == ("Top", None)
    assert top.thickness == pytest.approx(43.2e-6)
    assert (sheet.er, sheet.tan_d, sheet.material) == (3.23, 0.02, "FR4")  # a number in quotes is one
    assert not job.problems


def test_the_old_form_in_gerber_syntax() -> None:
    text = (
        b"G04 Gerber job file.*\n%TF.FileFunction,JobInfo*%\n%MOMM*%\n%TJ.B_Owner,someone*%\n%TJ.B_ID,board*%\n"
        b"%TJ.B_LayerNum,2*%\n%TJ.B_Thickness,1.570000*%\nM02*"
    )
    assert looks_like_job(text)
    job = read_job(text, "old.gbrjob")
    assert (job.name, job.layer_count, job.thickness) == ("board", 2, pytest.approx(1.57e-3))
    assert job.unread[0].what == "B_Owner in the job file"
    inch = read_job(text.replace(b"%MOMM*%", b"%MOIN*%").replace(b"1.570000", b"0.062"), "old.gbrjob")
    assert inch.thickness == pytest.approx(0.062 * 25.4e-3)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ({"Type": "Copper", "Thickness": -1}, "Thickness is '-1'"),
        ({"Type": "Copper", "Thickness": True}, "Thickness is 'True'"),
        ({"Type": "Copper", "Thickness": 1e400}, "Thickness is 'inf'"),
        ({"Type": "Dielectric", "DielectricConstant": 0.5}, "DielectricConstant is '0.5'"),
        ({"Type": "Dielectric", "LossTangent": "n/a"}, "LossTangent is 'n/a'"),
    ],
)
def test_figures_that_cannot_be_are_left_out_and_told(row: dict[str, Any], told: str) -> None:
    job = read({"MaterialStackup": [row]})
    assert told in job.problems[0]
    assert (job.stackup[0].thickness, job.stackup[0].er, job.stackup[0].tan_d) == (None, None, None)


@pytest.mark.parametrize("document", [{"GeneralSpecs": 5}, {"FilesAttributes": {}}, {"MaterialStackup": [1, None]}])
def test_things_of_the_wrong_kind_are_told(document: Any) -> None:
    assert read(document).problems


def test_a_file_listed_twice_with_two_functions_is_told() -> None:
    rows = [{"Path": "a/t.gbr", "FileFunction": "Copper,L1"}, {"Path": "t.gbr", "FileFunction": "Copper,L2"}]
    job = read({"FilesAttributes": rows})
    assert job.entries["t.gbr"].function == ("Copper", "L1")
    assert "t.gbr is listed twice" in job.problems[0]


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b'{"GeneralSpecs": {', "no JSON"),
        (b'{"a": ' * 100_000, "nested too deeply"),
        (b'{"a": ' + b"9" * 10_000 + b"}", "endless numbers"),
        (b"", "no job statement"),
        (b"%" * 100, "no job statement"),
    ],
)
def test_damaged_files_are_refused_in_one_sentence(data: bytes, found: str) -> None:
    with pytest.raises(ReadError, match=found):
        read_job(data, "x.gbrjob")


def test_a_file_of_any_size_is_not_parsed() -> None:
    with pytest.raises(ReadError, match="at most"):
        read_job(b"{" + b" " * (17 << 20), "x.gbrjob")


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=8) | st.integers(),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from([*FULL, "Type", "Thickness", "Path", "LayerNumber"]), inner, max_size=5)
    ),
    max_leaves=20,
)


@given(st.dictionaries(st.sampled_from(list(FULL)), JSON, max_size=4))
@settings(max_examples=200, deadline=None)
def test_any_document_is_read_or_refused(document: Any) -> None:
    job = read(document)
    assert all(sheet.thickness is None or 0 < sheet.thickness < 1 for sheet in job.stackup)
