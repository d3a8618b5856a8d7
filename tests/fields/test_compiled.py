"""Kernels do what their Python does, are kept as machine code, and compiled anew when what they depend on changes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from quietcopper.fields import compiled
from quietcopper.fields.compiled import FAST, kernel

FACTOR = 2.0


@kernel()
def _weighted(x: float, y: complex) -> float:
    return FACTOR * x * abs(y)


@kernel("f8[:,::1], i8, f8, c16[::1]", fastmath=FAST)
def _filled(table: Any, row: int, add: float, phases: Any) -> None:
    for j in range(table.shape[1]):
        table[row, j] = _weighted(j + add, phases[j])


@kernel("f8[::1]")
def _refusing(values: Any) -> None:
    if values[0] > 1:
        raise ValueError("too much")


def _call() -> NDArray[np.float64]:
    table = np.zeros((2, 3))
    _filled(table, 1, 0.5, np.array([1j, -2.0, 3 + 4j]))
    return table


@kernel("f8[::1]")
def _making(values: Any) -> None:
    values[0] = np.ones(int(values[0])).sum()


@pytest.fixture
def folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    (tmp_path / "file").touch()
    monkeypatch.setattr(compiled, "_folders", lambda: (tmp_path / "file" / "in it", tmp_path / "kept"))
    for one in (_filled, _refusing):
        monkeypatch.setattr(one, "_entry", None)
    return tmp_path / "kept"


def test_does_what_its_python_does_and_is_kept(folder: Path) -> None:
    expected = [[0.0, 0.0, 0.0], [2 * 0.5 * 1, 2 * 1.5 * 2, 2 * 2.5 * 5]]
    assert _call() == pytest.approx(np.array(expected))
    (file,) = folder.iterdir()
    before = file.stat()
    _filled._entry = None  # type: ignore[attr-defined]
    assert _call() == pytest.approx(np.array(expected))
    assert file.stat() == before
    assert len(list(folder.iterdir())) == 1


def test_what_was_damaged_is_compiled_anew(folder: Path) -> None:
    _call()
    (file,) = folder.iterdir()
    whole = file.read_bytes()
    file.write_bytes(whole[:-200])
    _filled._entry = None  # type: ignore[attr-defined]
    assert _call()[1] == pytest.approx([1.0, 6.0, 25.0])
    assert file.stat().st_size > len(whole) - 200


def test_compiled_anew_when_a_constant_changes(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _call()
    monkeypatch.setitem(_weighted.function.__globals__, "FACTOR", 10.0)  # type: ignore[attr-defined]
    monkeypatch.delitem(_weighted.__dict__, "_njit", raising=False)
    monkeypatch.delitem(_filled.__dict__, "_njit", raising=False)
    _filled._entry = None  # type: ignore[attr-defined]
    assert _call()[1] == pytest.approx([5.0, 30.0, 125.0])
    assert len(list(folder.iterdir())) == 2


def test_works_where_nothing_can_be_kept(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiled, "_folders", lambda: (folder.parent / "file" / "in it",))
    assert _call()[1] == pytest.approx([1.0, 6.0, 25.0])


@pytest.mark.parametrize(
    "table", [np.zeros((2, 3), dtype=np.float32), np.zeros(3), np.zeros((3, 2)).T], ids=["type", "axes", "order"]
)
def test_an_array_of_another_kind_is_refused(table: NDArray[Any]) -> None:
    with pytest.raises(TypeError, match=r"test_compiled\.filled\(f8"):
        _filled(table, 0, 0.5, np.zeros(3, dtype=complex))


def test_a_kernel_that_fails_says_so(folder: Path) -> None:
    _refusing(np.zeros(1))
    with pytest.raises(RuntimeError, match="refusing failed"):
        _refusing(np.full(1, 2.0))


def test_a_kernel_that_makes_an_array_is_refused(folder: Path) -> None:
    with pytest.raises(TypeError, match="making cannot be a kernel"):
        _making(np.ones(3))
    assert not list(folder.glob("*"))


def test_kept_kernels_do_without_the_compiler() -> None:
    code = (
        "import sys; from quietcopper.fields.section_kernels import self_potential; self_potential(0.5, 3);"
        "print('numba' in sys.modules)"
    )
    for _ in range(2):  # the first may have to compile
        last = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert last.strip() == "False"
