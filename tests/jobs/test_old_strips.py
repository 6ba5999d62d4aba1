"""Old strips and an old step strip laid in one scan, with no word on whether glass lay over the steps."""

from __future__ import annotations

from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.showing import as_json, load_last_read
from fairpanel.jobs.take_in import take_in
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench


def test_old_strips_are_read_wider_where_the_glass_is_not_known(tmp_path):
    """Loose strips on a scanner, role “step unknown”: read, flagged, and wide enough to hold the truth either way."""
    made = make_suite(
        "steps_unknown_glass", 4, camera="scan", scene="loose", per_picture=3, lie="plain", dpi=200, table="short"
    )
    table = made.write(tmp_path / "made")
    assert "step unknown" in table.read_text(encoding="utf-8-sig").replace("_", " ")
    Bench.create(tmp_path / "bench").close()
    take_in(tmp_path / "bench", table)
    read_bench(tmp_path / "bench")
    read = load_last_read(tmp_path / "bench")
    true = {s["strip"]: s["blocked"] for s in made.truth["strips"] if s.get("product")}
    strips = as_json(read)["strips"]
    assert not read.refused and {s["strip"] for s in strips} == set(true)
    for s in strips:
        assert s["low"] <= true[s["strip"]] <= s["high"]
        assert "steps' glass not known" in s["flags"]
        points_either_way = 0.20 * (100 - s["blocked"])  # glass takes about 20 %
        assert s["high"] - s["low"] >= points_either_way
