"""A typed 0 to 5 rating from outside: it shows in take-in, results and publication with nothing else changed."""

from __future__ import annotations

import sys

import pytest

from fairpanel.methods import all_methods

#: All that its author writes: one module and an entry point.
MODULE = """
from dataclasses import dataclass

from fairpanel.measured import Component, Measured
from fairpanel.methods.columns import CellError, Fault, column, number, text
from fairpanel.methods.contract import Flag, Method, Quantity, Reading, Refusal, Words


def grade(cell):
    value = number(cell)
    if not 0 <= value <= 5:
        raise CellError(f"“{cell}” is not between 0 and 5")
    return value


@dataclass(frozen=True)
class Row:
    product: str = column(text, required=True, noun="product", short_form=True, help="the product", example="Wax A")
    panel: str = column(text, required=True, noun="specimen", identity=True, short_form=True, help="the panel",
                        example="7")
    etching: float = column(grade, required=True, unit="grades", short_form=True, help="0 none to 5 severe",
                            example="2.5")

    @staticmethod
    def check(rows):
        seen = {}
        for line, row in rows:
            if row.panel in seen:
                yield Fault(line, "panel", f"was rated in row {seen[row.panel]} already")
            seen[row.panel] = line


def readings(marks, entered):
    found = [
        Reading((e.id,), e.row.product, e.row.panel, "", "", "etching",
                Measured(e.row.etching, (Component("reader", 0.3),)), e.row.etching - 0.6, e.row.etching + 0.6,
                flags=("severe",) if e.row.etching >= 4 else ())
        for e in entered if e.row.panel != "lost"
    ]
    return found, [Refusal("", e.row.panel, "the panel is lost", "Coat another.") for e in entered
                   if e.row.panel == "lost"]


METHOD = Method(
    name="etching", title="Etching by bird lime", version=1,
    quantities=(Quantity("etching", "grades", "ordinal", "lower", 1, between=lambda value: 0.3, ends=(0.0, 5.0)),),
    Row=Row, readings=readings,
    words=lambda result: Words("is etched", "on this scale", "no etching found", "by one hand"),
    flags=(Flag("severe", True, "The lacquer is gone."), Flag("no replicate", False, "Only one panel.")),
    procedure="# Etching",
)
"""

TABLE = """method,product,panel,etching
etching,Wax A,1,"2,5"
etching,Wax A,2,3
etching,Wax A,3,2.5
etching,Coating J,4,4.5
etching,Coating J,5,4
etching,Coating J,lost,1
"""


@pytest.fixture
def etching(tmp_path, monkeypatch):
    """The method, installed by its entry point."""
    home = tmp_path / "site"
    about = home / "etching_test-1.0.dist-info"
    about.mkdir(parents=True)
    (home / "etching_test.py").write_text(MODULE, encoding="utf-8")
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: etching-test\nVersion: 1.0\n")
    (about / "entry_points.txt").write_text("[fairpanel.methods]\netching = etching_test:METHOD\n")
    monkeypatch.syspath_prepend(str(home))
    all_methods.cache_clear()
    yield
    all_methods.cache_clear()
    sys.modules.pop("etching_test", None)


def test_its_template_is_written_and_taken_in(fairpanel, bench, table, bodies, etching):
    """From its columns and their examples."""
    done = fairpanel("take-in", "--full", "--method", "etching")
    assert done.code == 0 and "product,panel,etching,method" in done.out
    assert fairpanel("take-in", bench, table(done.out.encode())).code == 0
    assert bodies() == [{"product": "Wax A", "panel": "7", "etching": 2.5}]


def test_its_faults_are_told_like_ours(fairpanel, bench, table, untouched, etching):
    """Those of its columns, those of its own check, and columns of ours that it has not."""
    done = fairpanel("take-in", bench, table(TABLE + "etching,Wax B,1,2\netching,Wax B,9,7\n"))
    assert done.code == 2 and "row 8, column panel: was rated in row 2 already" in done.err
    assert "row 9, column etching: “7” is not between 0 and 5" in done.err and untouched()
    done = fairpanel("take-in", bench, table("method,product,panel,etching,seconds\netching,Wax A,1,2,60\n"))
    assert done.code == 2 and "row 1, column seconds: is not a column" in done.err


def test_it_shows_in_results_and_publication(fairpanel, bench, table, etching, tmp_path):
    """Numbers, findings, flags and refusals: on the terminal, as JSON, on the page."""
    assert fairpanel("take-in", bench, table(TABLE)).code == 0
    done = fairpanel("read", bench)
    assert (done.code, done.err) == (0, "") and "5 readings, 1 refused" in done.out
    shown = fairpanel("results", bench, "--json").data
    wax = next(r for r in shown["results"] if r["product"] == "Wax A")
    assert (wax["method"], wax["quantity"], wax["unit"], wax["plates"]) == ("etching", "etching", "grades", 3)
    assert wax["low"] < wax["value"] < wax["high"] and round(wax["value"], 2) == 2.67
    coating = next(r for r in shown["results"] if r["product"] == "Coating J")
    assert "severe" in coating["flags"] and coating["plates"] == 2
    assert [r["reason"] for r in shown["refused"]] == ["the panel is lost"]
    told = fairpanel("results", bench).out
    assert (
        "2.7 grades" in told and "The lacquer is gone." in told and "  lost: the panel is lost. Coat another." in told
    )
    assert fairpanel("publish", bench, tmp_path / "page").code == 0
    page = (tmp_path / "page" / "index.html").read_text(encoding="utf-8")
    assert "Etching by bird lime" in page and "2.7 grades" in page and "the panel is lost" in page


def test_beside_strips_on_one_bench(fairpanel, read, table, etching, tmp_path):
    """One table of another method taken in on a bench with strips: both show, and in the page as well."""
    path = tmp_path / "etching.csv"
    path.write_text(TABLE, encoding="utf-8")
    assert fairpanel("take-in", read, path).code == 0
    assert fairpanel("read", read).code == 0
    shown = fairpanel("results", read, "--json").data
    assert {r["method"] for r in shown["results"]} == {"uv_strip", "etching"}
    told = fairpanel("results", read).out
    assert told.index("Etching by bird lime: etching") < told.index("UV blocked, by paper strips: blocked")
    assert fairpanel("publish", read, tmp_path / "page").code == 0
    page = (tmp_path / "page" / "index.html").read_text(encoding="utf-8")
    assert "Etching by bird lime" in page and "UV blocked, by paper strips" in page
