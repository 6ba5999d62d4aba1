"""`fairpanel new`, `read`, `results`: what they print, on which stream, with which exit code."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from PIL import Image

RESULT = {"product", "method", "quantity", "unit", "value", "low", "high", "plates", "decision_limit",
          "detection_limit", "finding", "sentence", "flags", "budget"}  # fmt: skip
STRIP = {"picture", "strip", "product", "plate", "blocked", "low", "high", "transmission", "standard_uncertainty",
         "flags"}  # fmt: skip
FINDINGS = {"shown", "not_detected", "undecided", "at_least", "at_most", "not_read"}


def test_a_first_day(fairpanel, made, tmp_path):
    """new, take-in, read, results: each ends with 0 and names the next command."""
    bench = tmp_path / "bench"
    done = fairpanel("new", bench)
    assert (done.code, done.err) == (0, "") and "take-in" in done.out
    done = fairpanel("take-in", bench, made.table)
    assert (done.code, done.err) == (0, "") and f"fairpanel read {bench}" in done.out
    done = fairpanel("read", bench)
    assert (done.code, done.err) == (0, "")
    assert "3 readings, 0 refused, from 1 picture (1 measured now)" in done.out
    assert f"fairpanel results {bench}" in done.out
    done = fairpanel("results", bench)
    assert (done.code, done.err) == (0, "") and all(r["product"] in done.out for r in made.rows if r["product"])
    assert "Measured on glass, for paint. Says nothing about skin or sunscreen." in done.out


def test_a_bench_is_not_made_where_something_lies(fairpanel, bench):
    """On a bench, in a folder with other things: exit code 2."""
    for folder in (bench, bench.parent):
        done = fairpanel("new", folder)
        assert done.code == 2 and str(folder) in done.err and done.out == ""


def test_read_again_measures_nothing_again(fairpanel, read):
    """What was measured stays measured; the numbers are the same to the last digit."""
    before = fairpanel("results", read, "--json").data
    done = fairpanel("read", read)
    assert done.code == 0 and "(0 measured now)" in done.out
    assert fairpanel("results", read, "--json").data == before


def test_the_pinned_form_of_the_results(fairpanel, read_already, made):
    """JSON alone on standard output, exactly the pinned keys, names as in the table, numbers that fit together."""
    done = fairpanel("results", read_already, "--json")
    assert (done.code, done.err) == (0, "")
    assert set(done.data) == {"results", "strips", "refused"} and done.data["refused"] == []
    truth = {s["strip"]: s for s in made.truth["strips"] if "product" in s}
    assert {r["product"] for r in done.data["results"]} == {s["product"] for s in truth.values()}
    assert {(s["picture"], s["strip"], s["product"], s["plate"]) for s in done.data["strips"]} == {
        (r["picture"], r["strip"], r["product"], r["plate"]) for r in made.rows if r["product"]
    }
    for r in done.data["results"]:
        assert set(r) == RESULT and (r["method"], r["quantity"], r["unit"]) == ("uv_strip", "blocked", "%")
        assert r["finding"] in FINDINGS and r["sentence"].startswith(r["product"])
        assert r["low"] < r["value"] < r["high"] and 0 < r["decision_limit"] < r["detection_limit"]
        points = [part["points"] for part in r["budget"]]
        assert points == sorted(points, reverse=True) and all(set(b) == {"source", "points"} for b in r["budget"])
    for s in done.data["strips"]:
        assert set(s) == STRIP and s["low"] < s["blocked"] < s["high"]
        assert s["blocked"] == pytest.approx(100 * (1 - s["transmission"]), abs=1e-6)
        reach = 1.2 * (s["high"] - s["low"])  # far outside its interval would be a mix-up of strips
        assert abs(s["blocked"] - truth[s["strip"]]["blocked"]) < reach


def test_strips_are_shown_with_their_flags(fairpanel, read_already, made):
    """`--strips` adds a line for each."""
    done = fairpanel("results", read_already, "--strips")
    assert done.code == 0
    for row in made.rows:
        if row["product"]:
            assert row["strip"] in done.out


def test_results_show_the_last_read(fairpanel, read, made):
    """Rows taken in or changed since then do not show before the next read."""
    before = fairpanel("results", read, "--json").data
    lines = made.table.read_bytes().splitlines(keepends=True)
    first = next(i for i, line in enumerate(lines) if b"product" in line and i)
    name = next(r["product"] for r in made.rows if r["product"]).encode()
    folder = shutil.copytree(made.folder, read.parent / "again")
    (folder / "TABLE.csv").write_bytes(b"".join(lines).replace(name, b"Renamed wax"))
    assert first and fairpanel("take-in", read, folder / "TABLE.csv", "--amend", "name was wrong").code == 0
    assert fairpanel("results", read, "--json").data == before
    assert fairpanel("read", read).code == 0
    assert "Renamed wax" in {r["product"] for r in fairpanel("results", read, "--json").data["results"]}


def test_nothing_was_read_yet(fairpanel, taken, bench):
    """Asking too early: exit code 2, what to do, and nothing on standard output even with --json."""
    for folder in (taken, bench):
        for more in ([], ["--json"]):
            done = fairpanel("results", folder, *more)
            assert (done.code, done.out) == (2, "") and "fairpanel read" in done.err


def test_nothing_could_be_read(fairpanel, bench, table):
    """A blank picture: read and results end with 3; the reasons stand in the results; the product is not_read."""
    Image.fromarray(np.full((300, 300, 3), 240, np.uint8)).save(bench.parent / "a.png")
    fairpanel("take-in", bench, table(
        "picture,strip,role,seconds,product,box\na.png,P1,product,90,Wax A,10 10 50 90\n"
        + "".join(f"a.png,steps,step,{30 * k},,{70 + 40 * k} 10 35 90\n" for k in range(5))
    ))  # fmt: skip
    done = fairpanel("read", bench)
    assert done.code == 3 and "0 readings, 1 refused" in done.out and "Nothing could be read" in done.err
    done = fairpanel("results", bench, "--json")
    assert (done.code, done.err) == (3, "")
    (result,), (refused,) = done.data["results"], done.data["refused"]
    assert set(result) == RESULT and result["finding"] == "not_read" and result["value"] is None
    assert set(refused) == {"picture", "strip", "reason", "what_to_do"} and refused["strip"] == "P1"
    assert "hardly differ" in refused["reason"] and refused["what_to_do"]
    done = fairpanel("results", bench)
    assert done.code == 3 and "Refused: 1" in done.out and "Not read" in done.out


def test_an_empty_bench_has_nothing_to_read(fairpanel, bench):
    """Exit code 3, and the way on."""
    done = fairpanel("read", bench)
    assert done.code == 3 and "0 readings" in done.out


def test_no_bench_there(fairpanel, tmp_path):
    """Every command that needs one says so in a line, exit code 2."""
    for words in (["read"], ["results"], ["results", "--json"], ["check"], ["publish", tmp_path / "page"]):
        done = fairpanel(words[0], tmp_path / "none", *words[1:])
        assert (done.code, done.out) == (2, "") and "none" in done.err and len(done.err.splitlines()) == 1
    assert not (tmp_path / "page").exists()
