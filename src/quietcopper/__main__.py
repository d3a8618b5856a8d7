"""`python -m quietcopper`."""

import sys

from quietcopper.cli import command

sys.exit(command())
