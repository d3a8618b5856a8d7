"""`make bench`: every benchmark, one after another, or those named."""

from __future__ import annotations

import sys
from importlib import import_module

ALL = ("sections", "geometry", "planes", "reviews", "page")

for name in sys.argv[1:] or ALL:
    print(f"== {name}", flush=True)
    import_module(f"benchmarks.{name}").main()
