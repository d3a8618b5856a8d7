"""The page's script is built from web/ and committed; here it is held against its sources, without node."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = ROOT / "web"
BUILT = ROOT / "src" / "quietcopper" / "report" / "static" / "review.js"


def test_the_script_in_the_package_was_built_from_these_sources():
    if not SOURCES.is_dir():
        pytest.skip("the sources of the page are not here")
    digest = hashlib.sha256()
    files = sorted(path.relative_to(SOURCES).as_posix() for path in (SOURCES / "src").glob("*.ts"))
    for name in [*files, "vite.config.js", "tsconfig.json"]:
        digest.update(name.encode() + b"\0" + (SOURCES / name).read_bytes() + b"\0")
    said = re.match(r"/\* built from web/ by vite; sources sha256 (\w+) \*/", BUILT.read_text(encoding="utf-8"))
    assert said is not None
    assert said[1] == digest.hexdigest(), "run 'make page'"


def test_the_script_can_stand_in_a_page():
    text = BUILT.read_text(encoding="utf-8")
    assert "</script" not in text.lower()
    assert "<!--" not in text
    assert not re.search(r"https?://(?!www\.w3\.org/)", text)


def test_the_lock_file_names_no_host():
    lock = json.loads((SOURCES / "package-lock.json").read_text(encoding="utf-8"))
    assert not [name for name, entry in lock["packages"].items() if "resolved" in entry]
    assert all("integrity" in entry for name, entry in lock["packages"].items() if name)
