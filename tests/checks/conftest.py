"""What every test of a check needs: run one check on one board."""

from __future__ import annotations

import pytest

from quietcopper.changes import Rules, apply_change
from quietcopper.checks import load
from quietcopper.electrical.settings import NetSettings, Settings
from quietcopper.electrical.view import View
from quietcopper.findings import Coverage, Finding, NotChecked


class Said:
    """What a check said, sorted by kind."""

    def __init__(self, said):
        said = list(said)
        self.findings = sorted((s for s in said if isinstance(s, Finding)), key=lambda f: -f.excess_db)
        self.coverage = [s for s in said if isinstance(s, Coverage)]
        self.not_checked = [s for s in said if isinstance(s, NotChecked)]

    @property
    def only(self):
        (finding,) = self.findings
        return finding

    def of(self, net):
        return next(f for f in self.findings if net in f.place.nets)


@pytest.fixture
def run():
    """run(check, board, nets={"CLK": {...}}, **settings) -> Said; net figures in SI as NetSettings has them."""

    def run(check, board, nets=None, **settings):
        named = {name: NetSettings(**values) for name, values in (nets or {}).items()}
        return Said(load(check).look(View(board, Settings(nets=named, **settings))))

    return run


@pytest.fixture
def changed():
    """changed(board, change) -> the board after a proposal."""

    def changed(board, change):
        rules = Rules(spacing=0.1e-3, width=0.1e-3, barrier=3e-3)
        return apply_change(board, change.kind, change.arguments, rules).board

    return changed


FAST = {"role": "signal", "kind": "clock", "swing": 3.3, "rise": 0.5e-9, "source": 50.0, "rate": 100e6}


@pytest.fixture
def fast():
    """A fast clock's figures: 3.3 V in 0.5 ns from 50 ohm at 100 MHz."""
    return dict(FAST)
