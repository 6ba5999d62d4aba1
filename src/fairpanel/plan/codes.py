"""Blind codes: short words of consonants that stand for products while a campaign is sealed."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Sequence

# No vowels, so that no word comes out; no letters that look like another or like a digit.
_LETTERS = "BCDFGHJKMNPRTVWX"
_SHORTEST = 4


def codes_of(keys: Sequence[str], *, salt: str) -> dict[str, str]:
    """A code for each key, the same again for the same salt and order; more keys at the end change none before.

    Parameters
    ----------
    keys : sequence of str
        What the codes stand for, in order of entry.
    salt : str
        Secret of the seal: without it no code can be traced back by trying names.
    """
    taken: dict[str, str] = {}
    for key in dict.fromkeys(keys):
        drawn = hmac.digest(salt.encode(), key.encode(), hashlib.sha256)
        word = "".join(_LETTERS[b & 15] + _LETTERS[b >> 4] for b in drawn)
        length = next(n for n in range(_SHORTEST, len(word)) if word[:n] not in taken)
        taken[word[:length]] = key
    return {key: code for code, key in taken.items()}


def commitment(salt: str) -> str:
    """A hash to be written down when sealing: whoever opens the seal can be held to the codes it made."""
    return hashlib.sha256(salt.encode()).hexdigest()
