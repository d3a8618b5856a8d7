"""`python -m quietcopper`."""

import sys

from quietcopper.cli import main

sys.exit(main())
