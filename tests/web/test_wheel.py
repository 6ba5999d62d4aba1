"""What the pages need is in the wheel, not only in the tree."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import fairpanel

HOME = Path(fairpanel.__file__).parent
TREE = HOME.parents[1]


def test_templates_styles_and_modules_are_in_the_wheel(tmp_path):
    """Every file beside the code, in a wheel built from the tree."""
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=TREE, check=True, capture_output=True,
    )  # fmt: skip
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        there = set(packed.namelist())
    wanted = {
        f"fairpanel/{p.relative_to(HOME).as_posix()}"
        for p in HOME.rglob("*")
        if p.suffix in (".html", ".css", ".mjs", ".svg", ".py")
    }
    assert len([w for w in wanted if "/web/" in w]) > 20
    assert wanted <= there
