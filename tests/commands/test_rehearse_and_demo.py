"""`fairpanel rehearse` and `demo`, on small plans."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fairpanel.jobs import demonstrating
from fairpanel.rehearsal.suites import make_suite

SMALL = ["--product", "Wax A=0", "--product", "Coating J=60", "--plates", "1", "--repeats", "1"]


def test_a_plan_is_tried_out(fairpanel):
    """JSON alone: the plan, and for each product what it was made to block and what was found."""
    done = fairpanel("rehearse", *SMALL, "--json", "--seed", "3")
    assert (done.code, done.err) == (0, "")
    assert done.data["plan"]["seconds"] == [90.0] and done.data["plan"]["half_plates"] is True
    assert done.data["refused"] == 0 and done.data["made"].startswith("invented")
    coating, wax = done.data["products"]
    assert (coating["product"], coating["blocked"], wax["product"], wax["blocked"]) == ("Coating J", 60, "Wax A", 0)
    assert coating["shown"] == 1 and 45 < coating["low"] < 75
    assert -10 < wax["low"] < 10 and wax["plates"] == 1 and wax["detection_limit"] > 0


def test_a_plan_told_on_the_terminal(fairpanel):
    """What was planned, a line for each product, and that it is invented."""
    done = fairpanel("rehearse", "--product", "Coating J=60", "--plates", "1", "--repeats", "1")
    assert (done.code, done.err) == (0, "")
    for words in ("1 product, 1 half plate of each on 1 paper sheet, 90 s (1.5 half-way times), scan",
                  "1 made campaign of 1 picture", "Coating J", "60.0 %", "1 of 1", "no measurement"):  # fmt: skip
        assert words in done.out


def test_plans_that_cannot_be_carried_out(fairpanel):
    """Every fault at once, exit code 2; a time or a product that cannot be understood as well."""
    done = fairpanel("rehearse", "--plates", "2", "--sheets", "3", "--steps", "0,60", "--product", "Wax=100")
    assert (done.code, done.out) == (2, "")
    for words in ("3 paper sheets for 2 plates", "at least three different times", "Wax is supposed to block 100 %"):
        assert words in done.err
    for words in (["--exposure", "soon"], ["--product", "Wax A"], ["--camera", "film"], ["--repeats", "0"]):
        done = fairpanel("rehearse", *words)
        assert done.code == 2 and words[1].split("=")[0] in done.err


# ---- the demonstration -----------------------------------------------------------------------------------------


@pytest.fixture
def small_demo(monkeypatch):
    """A demonstration of one picture, its run begun with a cold lamp; gives the faults that are said to be planted."""
    made = make_suite("scan_half", 7, per_picture=2, dpi=100.0, table="full")
    cold = [replace(p, rows=[r | {"run": "7", "lamp_on_s": "60"} for r in p.rows]) for p in made.pictures]
    monkeypatch.setattr(demonstrating, "demo_campaign", lambda seed: replace(made, pictures=cold))
    faults = {"1": "run 7 was started with a cold lamp"}
    monkeypatch.setattr(demonstrating, "FAULTS", faults)
    return faults


def test_a_demonstration_from_scratch(fairpanel, small_demo, tmp_path):
    """Bench, made pictures and page; the planted fault is caught; a second time makes it anew."""
    for _ in range(2):
        done = fairpanel("demo", tmp_path / "demo")
        assert (done.code, done.err) == (0, "")
        assert "run 7 was started with a cold lamp" in done.out and "lamp cold (2 of 2 strips)" in done.out
        assert "Everything here is invented" in done.out
        assert (tmp_path / "demo" / "page" / "index.html").is_file()
        assert (tmp_path / "demo" / "made pictures" / "TABLE.csv").is_file()
    assert fairpanel("check", tmp_path / "demo").code == 0


def test_a_planted_fault_that_is_missed(fairpanel, small_demo, tmp_path):
    """Said so in its line, exit code 3."""
    small_demo["6"] = "strips pictured too early"
    done = fairpanel("demo", tmp_path / "demo")
    assert done.code == 3
    assert next(line.split() for line in done.out.splitlines() if "pictured too early" in line)[-1] == "no"


def test_a_demonstration_spares_what_is_there(fairpanel, tmp_path):
    """A folder with other things: exit code 2, nothing touched."""
    (tmp_path / "letter.txt").write_text("dear")
    done = fairpanel("demo", tmp_path)
    assert done.code == 2 and [p.name for p in tmp_path.iterdir()] == ["letter.txt"]
