"""The first hour, followed literally: its commands in their order, on a made photo of what its table describes."""

import csv
import io
from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner
from the_pages import fenced, typed_commands

from fairpanel.commands import group
from fairpanel.rehearsal.plan import Plan, made_campaign

#: Run elsewhere in the tests, or on a picture this page does not make.
NOT_HERE = ("rehearse", "look")


def photographed(example: str, folder: Path) -> str:
    """A made photo of the strips of a table, and the table with the cells and halves as they came to lie in it."""
    rows = list(csv.DictReader(io.StringIO(example)))
    products = dict.fromkeys(r["product"] for r in rows if r["product"])
    seconds = next(float(r["seconds"]) for r in rows if r["product"])
    steps = tuple(float(r["seconds"]) for r in rows if r["role"] == "step")
    plan = Plan(dict.fromkeys(products, 15.0), 1, (seconds,), steps, half_plates=True, sheets=1, camera="phone")
    made = made_campaign(plan, seed=1)
    (picture,) = made.pictures
    (folder / rows[0]["picture"]).write_bytes(picture.data)
    lies = {r["strip"]: (r["product"] or "steps") for r in sorted(made.rows, key=lambda r: r["product"])}
    of = {lies[r["strip"]]: [m for m in made.rows if m["strip"] == r["strip"]] for r in made.rows}
    out = []
    for strip in dict.fromkeys(r["strip"] for r in rows):
        own = [r for r in rows if r["strip"] == strip]
        like = of[next((r["product"] for r in own if r["product"]), "steps")]
        assert Counter(r["role"] for r in own) == Counter(m["role"] for m in like)
        for m in like:
            same = next(r for r in own if r["role"] == m["role"] and float(r["seconds"]) == float(m["seconds"]))
            out.append({**same, "box": m["box"]})
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]))
    writer.writeheader()
    writer.writerows(out)
    return text.getvalue()


@pytest.fixture
def at_the_bench(tmp_path, monkeypatch):
    """An empty folder to work in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_commands_of_the_page_do_what_it_says(at_the_bench):
    """From the mat to a checked bench; every command ends well, the table is filled in after it was written."""
    (example,) = fenced("docs/first-hour.md", "csv")
    ran = [words for words in typed_commands("docs/first-hour.md") if words[0] not in NOT_HERE]
    assert {w[0] for w in ran} == {"mat", "new", "take-in", "read", "results", "publish", "check"}
    for words in ran:
        args, into = (words[: words.index(">")], words[-1]) if ">" in words else (words, None)
        if "--amend" in words:
            table = at_the_bench / "table.csv"
            table.write_text(table.read_text().replace("20 min", "21 min"))
        done = CliRunner().invoke(group, args, standalone_mode=False)
        assert done.exception is None and not done.return_value, f"fairpanel {' '.join(words)}: {done.exception}"
        if into:
            assert done.stdout.lstrip("\ufeff").startswith("picture,strip,role,seconds,product")
            (at_the_bench / into).write_text(photographed(example, at_the_bench))
        if words[0] == "results":
            assert "Shown" in done.stdout and "Refused" not in done.stdout
    assert (at_the_bench / "mat.pdf").is_file() and (at_the_bench / "page" / "index.html").is_file()
