"""An invented product in two revisions."""
