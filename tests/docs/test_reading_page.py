"""docs/reading.md and docs/first-hour.md say what the code does: values, flags, findings, roles, columns."""

import importlib
import re
from importlib.metadata import version

import pytest
from the_pages import ROOT, fenced, table_under, text_of

from fairpanel.files.picture_headers import MOST_PIXELS, SMALLEST_SIDE_PX
from fairpanel.files.tables import read_table
from fairpanel.findings import rules
from fairpanel.methods.columns import columns_of, read_cells
from fairpanel.methods.uv_strip import starting_values
from fairpanel.methods.uv_strip.flags import FLAGS
from fairpanel.methods.uv_strip.row import ROLES, Row
from fairpanel.picture.finding_mat import FEWEST_MARKERS

HOMES = ("fairpanel.methods.uv_strip", "fairpanel.methods", "fairpanel.picture")
VALUES = table_under("docs/reading.md", "name")


def constant(dotted: str) -> object:
    """What `module.NAME` stands for, looked for in the folders a reading goes through."""
    module, name = dotted.split(".")
    for home in HOMES:
        try:
            return getattr(importlib.import_module(f"{home}.{module}"), name)
        except (ModuleNotFoundError, AttributeError):
            continue
    raise AssertionError(f"docs/reading.md names {dotted}, which is not in the code; mend section 9 or the text")


@pytest.mark.parametrize("row", VALUES, ids=lambda row: row[0].strip("`"))
def test_values_in_the_page_are_those_of_the_code(row):
    """Section 9 of docs/reading.md."""
    name, value = row[0].strip("`"), row[1]
    assert float(value) == constant(name), f"docs/reading.md, section 9: {name} is {constant(name)}; write that"


def test_every_starting_value_is_in_the_page():
    """None is left unsaid."""
    own = {f"starting_values.{n}" for n in vars(starting_values) if n.isupper()}
    missing = own - {row[0].strip("`") for row in VALUES}
    assert not missing, f"docs/reading.md, section 9, lacks {', '.join(sorted(missing))}; add a line for each"


def test_every_constant_named_in_the_text_exists():
    """`module.NAME`, and `NAME` alone for starting values."""
    text = text_of("docs/reading.md")
    for dotted in re.findall(r"`([a-z_]+\.[A-Z][A-Z_]+)`", text):
        constant(dotted)
    for name in re.findall(r"`([A-Z][A-Z_]+)`", text):
        assert hasattr(starting_values, name), f"docs/reading.md names {name}; it is no starting value any more"


def test_flags_in_the_page_are_those_of_the_code():
    """Same names, kinds and sentences in the same order, and each with something to do."""
    page = table_under("docs/reading.md", "flag")
    code = [[f.name, "doubt" if f.doubt else "advice", f.sentence] for f in FLAGS]
    wanted = "\n".join(f"| {' | '.join(row)} | ... |" for row in code)
    assert [row[:3] for row in page] == code, f"docs/reading.md, section 11, should hold these rows:\n{wanted}"
    assert all(row[3] for row in page), "docs/reading.md, section 11: every flag needs something to do"


def test_flags_that_nothing_raises_are_named_as_such():
    """Judged by their names standing in no other source file; section 11 says which they are."""
    code = "".join(p.read_text() for p in (ROOT / "src" / "fairpanel").rglob("*.py") if p.name != "flags.py")
    idle = {f.name for f in FLAGS if f'"{f.name}"' not in code}
    said = re.search(r"not raised by any check yet: (.*?)\.", text_of("docs/reading.md"), re.S)
    named = set(re.findall(r"`([^`]+)`", said[1])) if said else set()
    assert named == idle, f"docs/reading.md, section 11: the flags that nothing raises yet are: {sorted(idle)}"


def test_sizes_that_are_refused_are_those_of_the_code():
    """Section 10, and the markers in the first hour."""
    page = " ".join(text_of("docs/reading.md").split())
    assert f"smaller than {SMALLEST_SIDE_PX} pixels a side or larger than {MOST_PIXELS / 1e6:g} megapixels" in page
    assert FEWEST_MARKERS == 3, "docs/reading.md, section 10, and docs/first-hour.md say three markers; mend both"


def test_flags_of_the_first_hour_exist():
    """A choice of them."""
    named = {row[0] for row in table_under("docs/first-hour.md", "flag")}
    strange = named - {f.name for f in FLAGS}
    assert named and not strange, f"docs/first-hour.md names flags that are gone: {', '.join(strange)}"


def test_findings_are_those_of_the_rule_table():
    """By their code in docs/reading.md, by their heading in docs/first-hour.md."""
    coded = re.findall(r"`(\w+)`", " ".join(row[0] for row in table_under("docs/reading.md", "finding")))
    assert set(coded) == set(rules.HEADINGS)
    told = ", ".join(row[0] for row in table_under("docs/first-hour.md", "heading")).split(", ")
    assert set(told) == set(rules.HEADINGS.values())


def test_roles_are_those_of_the_table():
    """In docs/first-hour.md and docs/terms.md."""
    line = re.search(r"^- `role`: (.*)$", text_of("docs/first-hour.md"), re.M)[1]
    assert tuple(re.findall(r"`([^`]+)`", line)) == ROLES
    term = next(row for row in table_under("docs/terms.md", "term") if row[0] == "role")
    assert tuple(term[2].partition(": ")[2].split(", ")) == ROLES


def test_the_table_of_the_first_hour_is_taken_without_a_fault():
    """Every column and cell is understood, and the rows together too."""
    (example,) = fenced("docs/first-hour.md", "csv")
    table = read_table(example.encode(), "docs/first-hour.md")
    assert set(table.headings) <= {c.name for c in columns_of(Row)}
    rows, faults = [], []
    for line, cells in table.lines:
        row, wrong = read_cells(Row, cells, line)
        rows.append((line, row))
        faults += wrong
    faults += [] if faults else Row.check(rows)
    assert not faults, "docs/first-hour.md, “Write the table”: " + "; ".join(map(str, faults))


def test_terms_are_in_order_and_each_has_a_meaning():
    """One line each: term, unit, meaning, standing."""
    rows = table_under("docs/terms.md", "term")
    names = [row[0] for row in rows]
    assert names == sorted(set(names), key=str.casefold)
    assert all(len(row) == 4 and row[2] and row[3] for row in rows)


def test_the_changes_begin_with_the_version_at_hand():
    """The first heading below the title names the version of pyproject.toml."""
    first = re.search(r"^## (.*)$", text_of("CHANGELOG.md"), re.M)[1]
    assert version("fairpanel") in first, "CHANGELOG.md: add a heading for this version"
