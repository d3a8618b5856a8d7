"""`python -m quietcopper.fields.ahead`: compile all kernels, so that no review has to; for once after installing."""

from __future__ import annotations

import pkgutil
from functools import partial
from importlib import import_module

from quietcopper import fields
from quietcopper.fields.compiled import KERNELS, Kernel
from quietcopper.workers import several_processes, spread


def main() -> None:
    for module in pkgutil.iter_modules(fields.__path__):
        import_module(f"quietcopper.fields.{module.name}")
    with several_processes(4):
        spread([partial(_loaded, kernel) for kernel in KERNELS])


def _loaded(kernel: Kernel) -> None:
    kernel.load()


if __name__ == "__main__":
    main()
