"""`fairpanel take-in`: forms of tables, every fault at once and then nothing, the same twice, changes with a reason."""

from __future__ import annotations

import csv
import io

import pytest

from fairpanel.methods import method_named
from fairpanel.methods.columns import columns_of

SHORT = """picture,strip,role,seconds,product
a.png,P1,product,240,Wax A
a.png,P1,glass only,240,
a.png,steps,step,0,
a.png,steps,step,120,
a.png,steps,step,240,
"""

#: The columns, by the issue that ordered them: five and the optional ones.
COLUMNS = [
    "picture", "strip", "role", "seconds", "product", "kind", "plate", "paper_sheet", "run", "box", "place_x_mm",
    "place_y_mm", "relative_light", "lamp_on_s", "hours_since_rinse", "campaign", "lamp", "paper_lot", "glass_lot",
    "exposed_at", "pictured_at", "method", "note",
]  # fmt: skip


# ---- forms of tables -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "with BOM"])
def test_tables_as_spreadsheets_write_them(fairpanel, bench, table, bodies, separator, mark):
    """Comma, semicolon or tab, with byte order mark or without: the same rows."""
    done = fairpanel("take-in", bench, table(mark + SHORT.replace(",", separator).encode()))
    assert (done.code, done.err) == (0, "")
    assert "5 new rows" in done.out and "1 picture." in done.out
    assert [r["seconds"] for r in bodies()] == [240, 240, 0, 120, 240]
    assert [r["role"] for r in bodies()] == ["product", "glass only", "step", "step", "step"]
    assert [r["product"] for r in bodies()] == ["Wax A", None, None, None, None]


def test_decimal_commas_units_and_underscores(fairpanel, bench, table, bodies):
    """`0,97`, `4 min`, `0,5 min`, `step_no_glass` and headings in capitals are understood."""
    done = fairpanel(
        "take-in", bench,
        table("Picture;Strip;Role;Seconds;Product;Relative light\n"
              "a.png;P1;product;4 min;Wax A;0,97\na.png;s;step_no_glass;0,5 min;;\na.png;s;Step No Glass;62,5;;1\n"),
    )  # fmt: skip
    assert done.code == 0
    assert [(r["role"], r["seconds"], r["relative_light"]) for r in bodies()] == [
        ("product", 240, 0.97), ("step no glass", 30, None), ("step no glass", 62.5, 1)
    ]  # fmt: skip


@pytest.mark.parametrize(
    "role",
    ["product", "reference", "glass only", "no glass", "step", "step no glass", "step unknown",
     "glass_only", "no_glass", "step_no_glass", "step_unknown"],
)  # fmt: skip
def test_every_role_is_taken(fairpanel, bench, table, bodies, role):
    """With blanks or underscores."""
    product = "Wax A" if role in ("product", "reference") else ""
    done = fairpanel("take-in", bench, table(f"picture,strip,role,seconds,product\na.png,P1,{role},60,{product}\n"))
    assert (done.code, bodies()[0]["role"]) == (0, role.replace("_", " "))


def test_every_optional_column_is_kept(fairpanel, bench, table, bodies):
    """All 23 columns in one row; what is kept is what was written."""
    cells = {
        "picture": "a.png", "strip": "S1", "role": "product", "seconds": "90", "product": "Wax, paste", "kind": "wax",
        "plate": "P1", "paper_sheet": "A7-1", "run": "3", "box": "10 10 30 40", "place_x_mm": "-20.5",
        "place_y_mm": "0", "relative_light": "0.97", "lamp_on_s": "15 min", "hours_since_rinse": "24.5",
        "campaign": "spring", "lamp": "L2", "paper_lot": "A7", "glass_lot": "G1", "exposed_at": "2026-02-03 14:20",
        "pictured_at": "2026-02-04", "method": "uv_strip", "note": "anything, really",
    }  # fmt: skip
    assert sorted(cells) == sorted(COLUMNS)
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    writer.writerow(cells)
    assert fairpanel("take-in", bench, table(out.getvalue())).code == 0
    kept = bodies()[0]
    assert (kept["product"], kept["note"]) == ("Wax, paste", "anything, really")
    assert (kept["place_x_mm"], kept["lamp_on_s"], kept["hours_since_rinse"]) == (-20.5, 900, 24.5)
    assert (kept["exposed_at"], kept["box"]) == ("2026-02-03T14:20:00", "10 10 30 40")


# ---- faults ----------------------------------------------------------------------------------------------------

FAULTS = {
    "an unknown column": ("picture,strip,role,seconds,product,colour\na.png,P1,step,0,,blue\n",
                          ["row 1, column colour: is not a column"]),
    "a column spelt wrongly": ("picture,strip,role,secs,product\na.png,P1,step,0,\n",
                               ["row 1, column secs: is not a column", "row 1, column seconds: is missing"]),
    "an unknown role": ("picture,strip,role,seconds,product\na.png,P1,bare,60,\n",
                        ["row 2, column role: “bare” is not one of: product, reference, glass only, no glass"]),
    "a negative time": ("picture,strip,role,seconds,product\na.png,P1,step,-60,\n",
                        ["row 2, column seconds: “-60” is a time below zero"]),
    "a time that is none": ("picture,strip,role,seconds,product\na.png,P1,step,four,\n",
                            ["row 2, column seconds: “four” is not a time"]),
    "a picture that is missing": ("picture,strip,role,seconds,product\nnone.png,P1,step,60,\n",
                                  ["row 2, column picture: there is no file “none.png” beside the table"]),
    "a row twice": (SHORT + "a.png,steps,step,240,\n", ["row 7, column strip: repeats row 6"]),
    "a product without a name": ("picture,strip,role,seconds,product\na.png,P1,product,60,\n",
                                 ["row 2, column product: is empty"]),
    "two products on one strip": ("picture,strip,role,seconds,product\na.png,P1,product,60,A\na.png,P1,product,90,B\n",
                                  ["row 3, column product: strip P1 has “A” in row 2 and “B” here"]),
    "a box of three numbers": ("picture,strip,role,seconds,product,box\na.png,P1,step,60,,1 2 3\n",
                               ["row 2, column box: holds 3 numbers"]),
    "a box without height": ("picture,strip,role,seconds,product,box\na.png,P1,step,60,,1 2 3 0\n",
                             ["row 2, column box: the width and the height must be above zero"]),
    "a cell that the mat has not": ("picture,strip,role,seconds,product,box\na.png,P1,step,60,,C9\n",
                                    ["row 2, column box: “C9” is neither a cell of the mat (A1, A2"]),
    "one cell for two strips": ("picture,strip,role,seconds,product,box\na.png,P1,step,60,,A1\na.png,P2,step,60,,a1\n",
                                ["row 3, column box: “A1” already holds strip P1 (row 2)"]),
    "a box for some strips only": ("picture,strip,role,seconds,product,box\na.png,P1,step,60,,A1\na.png,P2,step,6,,\n",
                                   ["row 3, column box: is empty"]),
    "a test method that is not here": ("method,picture,strip,role,seconds\ntasting,a.png,P1,step,60\n",
                                       ["row 2, column method: there is no test method “tasting”; at hand: uv_strip"]),
    "a cell too many": ("picture,strip,role,seconds,product\na.png,P1,step,60,,A,B\n", ["row 2: has 7 cells under 5"]),
    "a light of zero": ("picture,strip,role,seconds,relative_light\na.png,P1,step,60,0\n",
                        ["row 2, column relative_light: “0” must be above zero"]),
    "a date that is none": ("picture,strip,role,seconds,exposed_at\na.png,P1,step,60,yesterday\n",
                            ["row 2, column exposed_at: “yesterday” is not a date"]),
    "no rows": ("picture,strip,role,seconds,product\n", ["has headings but no rows"]),
    "no table at all": ("", ["is empty"]),
}  # fmt: skip


@pytest.mark.parametrize("what", FAULTS)
def test_a_fault_is_told_with_row_and_column(fairpanel, bench, table, untouched, what):
    """On standard error, exit code 2, and nothing of the table is on the bench."""
    content, told = FAULTS[what]
    done = fairpanel("take-in", bench, table(content))
    assert (done.code, done.out) == (2, "")
    for words in told:
        assert words in done.err
    assert "nothing was taken in" in done.err
    assert f"{len(told)} fault{'s'[: len(told) > 1]};" in done.err  # these and no others
    assert untouched()


def test_all_faults_are_told_at_once_in_the_order_of_the_rows(fairpanel, bench, table, untouched):
    """Of columns, cells, rows seen together and pictures; the sound rows are not taken in either."""
    done = fairpanel(
        "take-in", bench,
        table("picture,strip,role,seconds,product,tint,box\n"
              "a.png,P1,product,240,Wax A,,A1\n"
              "a.png,P2,bare,-5,,,A1 B2\n"
              "gone.png,P3,step,60,,,\n"
              "a.png,P4,product,60,,,A4\n"),
    )  # fmt: skip
    assert done.code == 2 and untouched()
    places = [line.split(":")[0].strip() for line in done.err.splitlines()[1:]]
    assert places == ["row 1, column tint", "row 3, column box", "row 3, column role", "row 3, column seconds",
                      "row 4, column picture", "row 5, column product"]  # fmt: skip


def test_tables_that_cannot_be_opened(fairpanel, bench, table, untouched):
    """A missing table, a folder in its place, one that is not UTF-8: said, exit code 2."""
    for name, words in (("gone.csv", "there is no such file"), ("bench", "is a folder")):
        done = fairpanel("take-in", bench, bench.parent / name)
        assert done.code == 2 and words in done.err
    done = fairpanel("take-in", bench, table("picture,strip\nä.png,P1\n".encode("latin-1")))
    assert done.code == 2 and "CSV UTF-8" in done.err
    assert untouched()


def test_usage_errors_end_with_2(fairpanel, tmp_path, bench, table):
    """No table named, no bench there, an unknown option."""
    assert fairpanel("take-in", bench).code == 2
    done = fairpanel("take-in", tmp_path / "nowhere", table(SHORT))
    assert done.code == 2 and "nowhere" in done.err and "fairpanel new" in done.err
    assert fairpanel("take-in", "--quickly").code == 2


# ---- again, and changed ----------------------------------------------------------------------------------------


def test_the_same_table_twice_changes_nothing(fairpanel, bench, table, bodies):
    """Also under another name or with another separator: rows are what is compared."""
    fairpanel("take-in", bench, table(SHORT))
    before = bodies()
    again = fairpanel("take-in", bench, table(SHORT))
    other = fairpanel("take-in", bench, table(SHORT.replace(",", ";"), "again.csv"))
    for done in (again, other):
        assert done.code == 0 and "Nothing new" in done.out
    assert bodies() == before


def test_a_changed_row_needs_a_reason(fairpanel, bench, table, bodies):
    """Without it: row and what to do, exit code 2, all as before. With it: changed, and the old entry is kept."""
    fairpanel("take-in", bench, table(SHORT))
    before = bodies()
    changed = table(SHORT.replace("a.png,P1,product,240,Wax A", "a.png,P1,product,200,Wax A"))
    refused = fairpanel("take-in", bench, changed)
    assert refused.code == 2 and "row 2" in refused.err and "--amend REASON" in refused.err
    assert bodies() == before
    done = fairpanel("take-in", bench, changed, "--amend", "clock read wrongly")
    assert done.code == 0 and "1 changed" in done.out
    assert [r["seconds"] for r in bodies()] == [200, 240, 0, 120, 240]


def test_rows_left_out_of_a_table_stay_until_a_reason_is_given(fairpanel, bench, table, bodies):
    """A shorter table of the same name takes nothing away by itself, and says so."""
    fairpanel("take-in", bench, table(SHORT))
    shorter = "".join(SHORT.splitlines(keepends=True)[:-1])
    done = fairpanel("take-in", bench, table(shorter))
    assert done.code == 0 and "1 row of an earlier table" in done.err and len(bodies()) == 5
    done = fairpanel("take-in", bench, table(shorter), "--amend", "step left out by mistake")
    assert done.code == 0 and len(bodies()) == 4


def test_a_second_table_adds_to_the_first(fairpanel, bench, table, bodies):
    """Rows of another picture stand beside the others."""
    fairpanel("take-in", bench, table(SHORT))
    done = fairpanel("take-in", bench, table(SHORT.replace("a.png", "b.png"), "second.csv"))
    assert done.code == 0 and "5 new rows" in done.out and len(bodies()) == 10


# ---- templates -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("option", ["--example", "--full"])
def test_a_template_is_a_table_with_all_its_columns(fairpanel, option):
    """Short form: five columns. Full: every column of the method, in the order in which they are told of."""
    done = fairpanel("take-in", option)
    assert (done.code, done.err) == (0, "")
    rows = list(csv.DictReader(io.StringIO(done.out.removeprefix("\ufeff"))))
    assert sorted(rows[0]) == sorted(COLUMNS[:5] if option == "--example" else COLUMNS)
    assert list(rows[0])[:5] == COLUMNS[:5]
    assert {c.name for c in columns_of(method_named("uv_strip").Row)} | {"method"} == set(COLUMNS)


@pytest.mark.parametrize("options", [["--example"], ["--full"], ["--example", "--full"]])
def test_a_template_can_be_taken_in_as_it_is(fairpanel, bench, table, bodies, options):
    """With the picture it names beside it; it holds a product and steps, so that it shows how they are written."""
    written = fairpanel("take-in", *options).out.encode()
    (bench.parent / "a.png").rename(bench.parent / "scan-01.png")
    done = fairpanel("take-in", bench, table(written))
    assert (done.code, done.err) == (0, "")
    roles = [r["role"] for r in bodies()]
    assert {"product", "step"} <= set(roles) and roles.count("step") >= 3
