"""Times: kept as UTC, with the offset as it was written."""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

_OFFSET = re.compile(r"([+-])(\d\d):(\d\d)")


def zone_of(name: str) -> tzinfo:
    """A time zone by its name ("Europe/Berlin") or fixed offset ("+01:00").

    Raises
    ------
    ValueError
        No such zone; the message says what may be written.
    """
    fixed = _OFFSET.fullmatch(name)
    try:
        if fixed:
            ahead = timedelta(hours=int(fixed[2]), minutes=int(fixed[3]))
            return timezone(-ahead if fixed[1] == "-" else ahead)
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(
            f"“{name}” is not a time zone; write one like Europe/Berlin, or an offset like +01:00"
        ) from None


def system_zone() -> str:
    """Name of the computer's time zone, or its present offset where the name cannot be told."""
    for name in (os.environ.get("TZ", ""), _linked_zone()):
        try:
            zone_of(name)
        except ValueError:
            continue
        return name
    return _written(datetime.now().astimezone())


def _linked_zone() -> str:
    try:
        return str(Path("/etc/localtime").resolve()).split("zoneinfo/", 1)[1]
    except (IndexError, OSError):
        return ""


def now(zone: tzinfo) -> tuple[str, str]:
    """The present moment as (UTC, offset in that zone).

    >>> at, offset = now(zone_of("+01:00"))
    >>> at[-1], offset
    ('Z', '+01:00')
    """
    return _kept(datetime.now(zone))


def as_utc(written: str, zone: tzinfo) -> tuple[str, str]:
    """A time as the tester wrote it, as (UTC, offset as written); without offset it takes the zone's.

    Parameters
    ----------
    written : str
        ISO 8601, a date or a date with time.
    zone : tzinfo
        The bench's.

    Raises
    ------
    ValueError
        Not a time.

    Examples
    --------
    >>> as_utc("2026-02-03T14:20+05:30", zone_of("+01:00"))
    ('2026-02-03T08:50:00.000000Z', '+05:30')
    >>> as_utc("2026-07-03 14:20", zone_of("Europe/Berlin"))
    ('2026-07-03T12:20:00.000000Z', '+02:00')
    """
    at = datetime.fromisoformat(written)
    return _kept(at if at.tzinfo else at.replace(tzinfo=zone))


def as_written(at_utc: str, offset: str) -> datetime:
    """The moment again, on the clock it was written by."""
    return datetime.fromisoformat(at_utc).astimezone(zone_of(offset))


def _kept(at: datetime) -> tuple[str, str]:
    utc = at.astimezone(UTC).replace(tzinfo=None)
    return utc.isoformat(timespec="microseconds") + "Z", _written(at)


def _written(at: datetime) -> str:
    minutes = round((at.utcoffset() or timedelta()).total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
