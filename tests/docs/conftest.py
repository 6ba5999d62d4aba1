"""Lets the tests of the docs share `the_pages`: pytest imports test files without their folder."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
