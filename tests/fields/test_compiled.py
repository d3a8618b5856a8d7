"""Kernels compile with or without a folder to keep them in."""

from __future__ import annotations

import numba
import pytest

from quietcopper.fields.compiled import compiled


def _double(x: float) -> float:
    return 2 * x


def test_kept_on_disk_by_default() -> None:
    fast = compiled()(_double)
    assert fast(2.0) == 4.0
    assert fast.stats.cache_path


def test_works_where_nothing_can_be_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = numba.njit

    def refusing(**options: object) -> object:
        if options.get("cache"):
            raise RuntimeError("cannot cache function: no locator available")
        return plain(**options)

    monkeypatch.setattr(numba, "njit", refusing)
    assert compiled(error_model="numpy")(_double)(3.0) == 6.0
