"""A method from outside the package, without pictures: published with nothing said of it in our code."""

import json
import re

from fairpanel.jobs.publishing import publish
from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.take_in import take_in
from fairpanel.storage.bench import Bench

TABLE = """method,product,panel,grade
stickiness,Wax A,1,4.5
stickiness,Wax A,2,4
stickiness,Wax A,3,4.5
stickiness,Plain panel,4,0
stickiness,Plain panel,5,0.5
"""


def test_a_typed_rating_is_published_with_table_and_intervals(tmp_path, outside_method):
    """Its own scale, words and procedure; no picture, no word of paper or UV."""
    (tmp_path / "table.csv").write_text(TABLE)
    Bench.create(tmp_path / "bench", zone="UTC").close()
    take_in(tmp_path / "bench", tmp_path / "table.csv")
    read_bench(tmp_path / "bench")
    publish(tmp_path / "bench", tmp_path / "page")
    page = (tmp_path / "page" / "index.html").read_text()
    data = json.loads((tmp_path / "page" / "results.json").read_text())
    wax = next(one for one in data["results"] if one["product"] == "Wax A")
    assert (wax["method"], wax["unit"], wax["plates"], round(wax["value"], 2)) == (outside_method, "grades", 3, 4.33)
    assert f"{wax['value']:.1f} grades ({wax['low']:.1f} to {wax['high']:.1f})" in page
    assert "<h1>Grip of a dry cloth, by hand</h1>" in page
    assert "<p>How hard a <em>dry</em> cloth drags.</p>" in page
    assert page.count('<rect class="range"') >= 4  # two products, in the overview and by themselves
    numbers = re.search(r'class="numbers".*?</svg>', page, re.S)
    assert re.findall(r">(\d)</text>", numbers[0]) == ["0", "1", "2", "3", "4", "5"]  # the scale's own ends
    words = re.sub(r"<style>.*?</style>|<[^>]*>", " ", page.replace("strips.csv", ""), flags=re.S)
    assert "<img" not in page and not re.search(r"(?i)\bUV\b|paper|glass|sunscreen|\bstrip|picture|lamp\b", words)
    assert not (tmp_path / "page" / "pictures").exists()
