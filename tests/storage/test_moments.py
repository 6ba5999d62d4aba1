"""Times: UTC inside, as written outside."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fairpanel.storage.moments import as_utc, as_written, system_zone, zone_of

_OFFSETS = st.integers(-14 * 60, 14 * 60).map(lambda m: f"{'-' if m < 0 else '+'}{abs(m) // 60:02d}:{abs(m) % 60:02d}")


@given(st.datetimes(datetime(1990, 1, 2), datetime(2100, 1, 1)), _OFFSETS)
def test_a_time_comes_back_as_it_was_written(at, offset):
    """The same moment, on the same clock."""
    written = at.isoformat() + offset
    again = as_written(*as_utc(written, UTC))
    assert again.isoformat() == written


def test_kept_times_sort_by_moment():
    """As text, whatever offsets they were written with."""
    written = ["2026-02-03T10:00:00+01:00", "2026-02-03T05:00:00-05:00", "2026-02-03T10:00:00.5+00:00"]
    kept = [as_utc(one, UTC)[0] for one in written]
    assert kept == sorted(kept)


def test_a_time_without_offset_takes_the_benchs_zone_of_that_day():
    """Berlin is one hour ahead in winter, two in summer (tz database)."""
    berlin = zone_of("Europe/Berlin")
    assert as_utc("2026-01-15 12:00", berlin) == ("2026-01-15T11:00:00.000000Z", "+01:00")
    assert as_utc("2026-07-15 12:00", berlin) == ("2026-07-15T10:00:00.000000Z", "+02:00")


@pytest.mark.parametrize("name", ["", "Berlin", "+1", "../etc/passwd", "/etc/localtime", "+99:00"])
def test_what_is_no_zone(name):
    """Refused with what may be written."""
    with pytest.raises(ValueError, match="Europe/Berlin"):
        zone_of(name)


def test_the_computers_zone_is_one(monkeypatch):
    """From the environment, the system, or its present offset."""
    zone_of(system_zone())
    monkeypatch.setenv("TZ", "Asia/Kolkata")
    assert system_zone() == "Asia/Kolkata"
    monkeypatch.setenv("TZ", "")
    monkeypatch.setattr("fairpanel.storage.moments._linked_zone", lambda: "")
    zone_of(system_zone())
