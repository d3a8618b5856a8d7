"""An invented product in two revisions: Bogbean, a node that measures the gas flux of wetlands."""

from __future__ import annotations

from pathlib import Path

from quietcopper.demo.revision_a import revision_a
from quietcopper.demo.revision_b import revision_b
from quietcopper.demo.sins import SETTINGS, SINS, Sin

__all__ = ["SETTINGS", "SINS", "Sin", "revision_a", "revision_b", "write_demo"]


def write_demo(folder: Path) -> tuple[Path, Path, Path]:
    """Write rev-a.xml, rev-b.xml (IPC-2581) and bogbean.toml, the settings of both, into an existing folder."""
    from quietcopper.formats.ipc2581.writer import write_ipc2581

    old, new, settings = folder / "rev-a.xml", folder / "rev-b.xml", folder / "bogbean.toml"
    write_ipc2581(revision_a(), old)
    write_ipc2581(revision_b(), new)
    settings.write_text(SETTINGS, encoding="utf-8")
    return old, new, settings
