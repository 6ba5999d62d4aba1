"""What the picture libraries say only on the error channel.

The JPEG decoder fills up a damaged picture and mentions it on standard error alone. The channel is therefore
listened to while a picture is decoded, so that damage is seen and nothing of it reaches the tester's screen.
"""

from __future__ import annotations

import os
import re
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_FROM_A_LIBRARY = re.compile(
    r"^(\[ ?(WARN|ERROR|INFO)|OpenCV\(|libpng |Corrupt JPEG|Premature end|Invalid SOS|Unsupported|Warning|> "
    r"|tempfile\.tif|\w*Decode)"
)

#: Messages that mean the picture is not what the file promised.
_DAMAGE = re.compile(
    r"premature end|bad huffman|instead of rst|too much image data|not enough image data|crc error|TIFF_Error"
    r"|not enough data|data probably corrupted|code not yet in table"
    r"|[0-9]{4,} extraneous bytes",  # a few are padding that some cameras write
    re.IGNORECASE,
)

_listening = threading.Lock()


@contextmanager
def heard() -> Iterator[list[str]]:
    """Collect what libraries write on standard error meanwhile; what is not theirs is passed on afterwards.

    The list is filled when the block ends. Where there is no standard error it stays empty.
    """
    messages: list[str] = []
    with _listening:
        try:
            kept = os.dup(2)
        except OSError:
            yield messages
            return
        with tempfile.TemporaryFile() as catch:
            os.dup2(catch.fileno(), 2)
            try:
                yield messages
            finally:
                os.dup2(kept, 2)
                os.close(kept)
                catch.seek(0)
                text = catch.read().decode("utf-8", "replace")
                messages += text.splitlines()
                _pass_on(messages)


def _pass_on(messages: list[str]) -> None:
    others = [m for m in messages if m and not _FROM_A_LIBRARY.match(m)]
    if others:
        os.write(2, ("\n".join(others) + "\n").encode())


def tell_of_damage(messages: list[str]) -> bool:
    """Whether a decoder said that the picture is incomplete or damaged."""
    return any(_DAMAGE.search(m) for m in messages)
