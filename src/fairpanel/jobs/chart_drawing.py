"""Charts drawn in a process of their own and kept: the drawing library holds up everything else in its process.

The process is this module run by itself (`python -m`): a chart comes in as a line of JSON, its drawing goes out as
one. It draws one at a time and ends when its input does, so that it cannot outlive whoever began it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import subprocess
import sys
import threading
from collections import OrderedDict
from collections.abc import Mapping
from typing import Any

from fairpanel.publication.drawing import svg_of

#: Charts that are kept.
KEPT = 300


class Drawer:
    """Draws charts, one after another, for several threads. Close it at the end."""

    def __init__(self) -> None:
        self._turn = threading.Lock()
        self._process: subprocess.Popen[str] | None = None
        self._kept: OrderedDict[str, bytes] = OrderedDict()

    def svg(self, spec: Mapping[str, Any]) -> bytes:
        """A chart as an SVG file; the same chart is drawn once.

        Raises
        ------
        ValueError
            The chart cannot be drawn.
        """
        asked = json.dumps(spec, sort_keys=True)
        key = hashlib.sha256(asked.encode()).hexdigest()
        with self._turn:
            if key not in self._kept:
                self._kept[key] = self._drawn(asked)
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return self._kept[key]

    def _drawn(self, asked: str) -> bytes:
        answer = self._answer(asked) or self._answer(asked)  # a process that was killed is begun anew, once
        told = json.loads(answer or '{"error": "the process that draws ended"}')
        if "error" in told:
            raise ValueError(told["error"])
        return str(told["svg"]).encode()

    def _answer(self, asked: str) -> str:
        """The process's line of answer; empty where it has ended."""
        if self._process is None or self._process.poll() is not None:
            self._process = subprocess.Popen(
                [sys.executable, "-m", __name__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8"
            )
        assert self._process.stdin is not None and self._process.stdout is not None
        with contextlib.suppress(OSError):
            self._process.stdin.write(asked + "\n")
            self._process.stdin.flush()
            return self._process.stdout.readline()
        return ""

    def close(self) -> None:
        """End the process."""
        with self._turn:
            process, self._process = self._process, None
        if process is not None:
            with contextlib.suppress(OSError):
                process.communicate(timeout=10)


def main() -> None:
    """Draw what comes in, line by line."""
    for line in sys.stdin:
        try:
            told = {"svg": svg_of(json.loads(line)).decode()}
        except ValueError as problem:
            told = {"error": str(problem)}
        sys.stdout.write(json.dumps(told) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
