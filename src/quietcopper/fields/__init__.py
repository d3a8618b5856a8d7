"""The physics: pure functions over arrays in SI units, each with its published source."""
