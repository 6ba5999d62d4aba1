"""A typed 0 to 5 rating from outside: it shows in take-in, results and publication with nothing else changed."""

from __future__ import annotations


def test_its_template_is_written_and_taken_in(fairpanel, bench, table, bodies, etching):
    """From its columns and their examples."""
    done = fairpanel("take-in", "--full", "--method", "etching")
    assert done.code == 0 and "product,panel,etching,method" in done.out
    assert fairpanel("take-in", bench, table(done.out.encode())).code == 0
    assert bodies() == [{"product": "Wax A", "panel": "7", "etching": 2.5}]


def test_its_faults_are_told_like_ours(fairpanel, bench, table, untouched, etching):
    """Those of its columns, those of its own check, and columns of ours that it has not."""
    done = fairpanel("take-in", bench, table(etching + "etching,Wax B,1,2\netching,Wax B,9,7\n"))
    assert done.code == 2 and "row 8, column panel: was rated in row 2 already" in done.err
    assert "row 9, column etching: “7” is not between 0 and 5" in done.err and untouched()
    done = fairpanel("take-in", bench, table("method,product,panel,etching,seconds\netching,Wax A,1,2,60\n"))
    assert done.code == 2 and "row 1, column seconds: is not a column" in done.err


def test_it_shows_in_results_and_publication(fairpanel, bench, table, etching, tmp_path):
    """Numbers, findings, flags and refusals: on the terminal, as JSON, on the page."""
    assert fairpanel("take-in", bench, table(etching)).code == 0
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
    path.write_text(etching, encoding="utf-8")
    assert fairpanel("take-in", read, path).code == 0
    assert fairpanel("read", read).code == 0
    shown = fairpanel("results", read, "--json").data
    assert {r["method"] for r in shown["results"]} == {"uv_strip", "etching"}
    told = fairpanel("results", read).out
    assert told.index("Etching by bird lime: etching") < told.index("UV blocked, by paper strips: blocked")
    assert fairpanel("publish", read, tmp_path / "page").code == 0
    page = (tmp_path / "page" / "index.html").read_text(encoding="utf-8")
    assert "Etching by bird lime" in page and "UV blocked, by paper strips" in page
