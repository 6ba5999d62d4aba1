"""The method that src/fairpanel/methods/README.md writes out works as it stands, installed from outside."""

import sys
import tomllib

import pytest
from the_pages import fenced

from fairpanel.files.tables import TableFaults
from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.showing import load_last_read
from fairpanel.jobs.take_in import take_in, template
from fairpanel.methods import GROUP, all_methods, method_named
from fairpanel.storage.bench import Bench

PAGE = "src/fairpanel/methods/README.md"
TABLE = """method,product,panel,grade
streaks,Wax A,1,3.5
streaks,Wax A,2,4
streaks,Wax A,3,3.5
"""


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """The example of the page as a package beside ours."""
    (code,) = fenced(PAGE, "python")
    (entry,) = fenced(PAGE, "toml")
    points = tomllib.loads(entry)["project"]["entry-points"][GROUP]
    about = tmp_path / "site" / "streaks-1.0.dist-info"
    about.mkdir(parents=True)
    (tmp_path / "site" / "streaks.py").write_text(code)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: streaks\nVersion: 1.0\n")
    lines = "\n".join(f"{name} = {value}" for name, value in points.items())
    (about / "entry_points.txt").write_text(f"[{GROUP}]\n{lines}\n")
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    all_methods.cache_clear()
    yield
    all_methods.cache_clear()
    sys.modules.pop("streaks", None)


def test_the_example_is_taken_in_read_and_found(tmp_path, installed):
    """Three panels of one product are one result with three specimens."""
    Bench.create(tmp_path / "bench", zone="UTC").close()
    (tmp_path / "table.csv").write_text(TABLE)
    take_in(tmp_path / "bench", tmp_path / "table.csv")
    read_bench(tmp_path / "bench")
    (told,) = load_last_read(tmp_path / "bench").told
    assert told.result.plates == 3 and told.finding == "shown"
    assert told.sentence.startswith("Wax A shows streaks: 3.7 grades (")


def test_the_example_writes_its_table_and_refuses_what_is_off_the_scale(tmp_path, installed):
    """Its template can be filled in; 5.3 is no grade."""
    assert template(method_named("streaks"), full=False).decode("utf-8-sig").splitlines()[0] == "product,panel,grade"
    Bench.create(tmp_path / "bench", zone="UTC").close()
    (tmp_path / "table.csv").write_text(TABLE.replace("4\n", "5.3\n"))
    with pytest.raises(TableFaults, match=r"row 3, column grade: 5\.3 is not on the scale"):
        take_in(tmp_path / "bench", tmp_path / "table.csv")
