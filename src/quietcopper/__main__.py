"""`python -m quietcopper`."""

from quietcopper.cli import command

command()
