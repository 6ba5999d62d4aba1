"""Made campaigns: the same for the same seed, giving nothing away, and owing nothing to the reader."""

from __future__ import annotations

import ast
import csv
import io
import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

import fairpanel.rehearsal
from fairpanel.rehearsal import demo
from fairpanel.rehearsal.campaigns import FULL, TableForm, generator, table_bytes
from fairpanel.rehearsal.designs import Design, blocked_values
from fairpanel.rehearsal.exposure import Lamp
from fairpanel.rehearsal.making import Names
from fairpanel.rehearsal.paper import draw_paper
from fairpanel.rehearsal.plan import Plan, made_campaign
from fairpanel.rehearsal.suites import SUITES, make_suite

SMALL = {"per_picture": 4, "camera": "phone", "megapixels": 0.4}


def test_the_maker_shares_only_the_mats_geometry_with_the_reader():
    """No module of the rehearsal imports any other part of the project."""
    folder = Path(fairpanel.rehearsal.__file__).parent
    for path in sorted(folder.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                ours = name.startswith("fairpanel")
                allowed = name.startswith("fairpanel.rehearsal") or name == "fairpanel.mat.layout"
                assert not ours or allowed, f"{path.name} imports {name}"


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others():
    """Pictures, table and truth."""
    a, b, c = (make_suite("scan_bed", seed, per_picture=4, dpi=90.0) for seed in (7, 7, 8))
    assert [p.data for p in a.pictures] == [p.data for p in b.pictures]
    assert a.table_bytes() == b.table_bytes()
    assert a.truth == b.truth
    assert a.pictures[0].data != c.pictures[0].data


def test_the_table_does_not_depend_on_what_is_true():
    """Names, order, cells and files are the same whether the products block 10 or 60 %."""
    a, b = (make_suite("at_half", 3, blocked=(value,), **SMALL) for value in (10.0, 60.0))
    assert a.table_bytes() == b.table_bytes()
    assert [p.name for p in a.pictures] == [p.name for p in b.pictures]
    assert a.truth["strips"] != b.truth["strips"]


@pytest.mark.parametrize("name", sorted(SUITES))
def test_every_suite_is_within_the_mat_and_its_steps_reach_the_exposure(name):
    """Products and controls fit twelve cells; the exposure asked for is one the steps go up to."""
    design = SUITES[name]
    assert 0 < design.per_picture + design.controls + design.no_glass <= 12
    assert design.camera in ("scan", "phone", "hard phone", "either")


def test_blocked_values_are_spread_evenly():
    """Twelve products: one in each twelfth of 2 to 98 %."""
    values = blocked_values(np.random.default_rng(0), Design())
    assert sorted(((values - 2) / 8).astype(int)) == list(range(12))
    assert list(values) != sorted(values)


def test_truth_names_each_strip_once_and_its_product():
    """As many products as asked for; blocked = 100 (1 - transmission); every strip has its truth."""
    made = make_suite("phone_half", 2, **SMALL | {"film_cv": 0.0})
    strips = [s for s in made.truth["strips"] if not s["steps"]]
    assert len(strips) == 4
    for strip in strips:
        assert strip["blocked"] == pytest.approx(100 * (1 - strip["transmission"]))
        assert strip["blocked"] == pytest.approx(made.products[strip["product"]], abs=0.6)
    assert {r["strip"] for r in made.rows} == {s["strip"] for s in made.truth["strips"]}


def test_half_plates_carry_both_roles_and_brackets_both_times():
    """As the table of what was done has it."""
    half = make_suite("phone_half", 2, **SMALL)
    roles = Counter(r["role"] for r in half.rows)
    assert roles["product"] == roles["glass only"] == 4
    bracket = make_suite("phone_bracket", 2, **SMALL)
    assert Counter(r["seconds"] for r in bracket.rows if r["role"] == "product") == {"60": 4, "240": 4}


def test_steps_elsewhere_are_seen_in_the_table():
    """Another sheet, another sitting, another picture, as the design says."""
    made = make_suite("steps_elsewhere", 4, **SMALL)
    for column in ("paper_sheet", "run", "picture"):
        steps = {r[column] for r in made.rows if r["role"] == "step"}
        others = {r[column] for r in made.rows if r["role"] != "step"}
        assert steps.isdisjoint(others)


def test_the_truth_never_lies_beside_the_table(tmp_path):
    """It is refused there, and written elsewhere on request."""
    made = make_suite("phone_loose", 1, **SMALL)
    with pytest.raises(ValueError, match="elsewhere"):
        made.write(tmp_path / "given", truth_file=tmp_path / "given" / "truth.json")
    table = made.write(tmp_path / "given", truth_file=tmp_path / "kept" / "truth.json")
    assert sorted(p.name for p in table.parent.iterdir()) == sorted(["TABLE.csv", *(p.name for p in made.pictures)])
    kept = json.loads((tmp_path / "kept" / "truth.json").read_text(encoding="utf-8"))
    assert kept["products"].keys() == made.products.keys()
    assert b"blocked" not in table.read_bytes()


def test_tables_are_written_as_spreadsheets_do():
    """Semicolons with decimal commas, minutes as such, a byte order mark where asked for."""
    rows = [
        {
            "picture": "a.png",
            "strip": "k",
            "role": "step",
            "seconds": "240",
            "relative_light": "0.987",
            "box": "A1",
        }
    ]
    form = TableForm(("picture", "strip", "role", "seconds", "relative_light"), ";", True, True, True)
    data = table_bytes(rows, form)
    assert data.startswith(b"\xef\xbb\xbf")
    read = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig")), delimiter=";"))
    assert read == [
        {
            "picture": "a.png",
            "strip": "k",
            "role": "step",
            "seconds": "4 min",
            "relative_light": "0,987",
            "box": "A1",
        }
    ]


def test_a_demonstration_picture_can_be_made():
    """One sitting of it, with its thirteen strips; the odd runs are scans of about 3 megapixels."""
    rng = generator(1, "test")
    paper = draw_paper(rng, half_seconds=64.0, lot="A7")
    bench = demo._Bench({"A7": paper, "B1": paper}, Lamp(name="L2"), Names(rng), {})
    made = demo._run(rng, bench, list(demo.ITEMS[:11]), run=1)
    assert len(made.truth) == 13
    assert 2.5e6 < made.size[0] * made.size[1] < 3.5e6


def test_a_stepped_strip_and_steps_without_glass_say_so():
    """Times in order along the strip; the truth tells whether glass lay over the steps of unknown kind."""
    made = make_suite("scan_stepped", 2, per_picture=2, dpi=75.0)
    strip = next(s["strip"] for s in made.truth["strips"] if not s["steps"])
    times = [float(r["seconds"]) for r in made.rows if r["strip"] == strip]
    assert len(times) == 5
    assert times in (sorted(times), sorted(times, reverse=True))
    roles = {r["role"] for r in make_suite("steps_no_glass", 1, **SMALL).rows}
    assert roles == {"product", "step no glass"}
    unknown = make_suite("steps_unknown_glass", 1, **SMALL)
    assert {s["under_glass"] for s in unknown.truth["strips"] if not s["steps"]} == {True}


def test_an_unknown_suite_is_refused_with_the_names_of_all():
    """So that the right one can be picked."""
    with pytest.raises(ValueError, match="scan_4min_linear"):
        make_suite("nothing", 1)


def test_a_plan_is_made_as_planned():
    """Five plates over two sheets: three on the first, two on the second, each with its own steps."""
    plan = Plan({"Wax": 3.0, "Coating": 20.0}, plates=5, sheets=2, camera="phone", step_seconds=(0, 30, 60, 120))
    made = made_campaign(plan, 3)
    assert len(made.pictures) == 2
    plates = Counter((r["paper_sheet"], r["product"]) for r in made.rows if r["role"] == "product")
    assert sorted(plates.values()) == [2, 2, 3, 3]
    assert Counter(r["role"] for r in made.rows)["step"] == 2 * 4
    assert {r["seconds"] for r in made.rows if r["role"] == "glass only"} == {"90"}


def test_all_faults_of_a_plan_are_told_at_once():
    """One line each."""
    with pytest.raises(ValueError) as told:
        made_campaign(Plan({"Wax": 100.0}, plates=1, sheets=2, seconds=(), camera="eye", step_seconds=(0, 60)), 1)
    assert len(str(told.value).splitlines()) == 5


def test_the_demonstration_holds_its_products_and_faults(monkeypatch):
    """Six plates of each, in six runs, and each planted fault where the record says; no pictures."""
    plans = []
    monkeypatch.setattr(demo, "make_strip", lambda rng, plan, lamp: plans.append(plan) or plan)
    monkeypatch.setattr(demo, "on_mat", lambda rng, made, *, stem, shot: (stem, shot))
    shots = dict(demo.demo_campaign(1).pictures)
    by_product: dict[str, list] = {}
    for plan in plans:
        for product in {p.product for p in plan.patches if p.product}:
            by_product.setdefault(product, []).append(plan)
    assert len(by_product) == len(demo.ITEMS)
    for product, made in by_product.items():
        assert len(made) == len({p.exposure.run for p in made}) == 6, product
    assert min(p.exposure.lamp_on_s for p in plans if p.exposure.run == "7") == 420
    lots = Counter(p.sheet.paper.lot for p in plans if p.exposure.run == "9")
    assert lots == {"A7": 2, "B1": 11}
    assert sum(p.exposure.glass < 1 and p.facts["glass_lot"] == "G2" for p in by_product["Liquid wax C"]) == 2
    assert sum(p.exposure.glass < 1 for p in plans) == 2
    unbuffed = [max(q.film.absorbance for q in p.patches) for p in by_product["Consumer coating J"]]
    assert sum(a > 0.25 for a in unbuffed) == 1
    assert {p.facts["hours_since_rinse"] for p in plans if p.aged < 1} == {"3"}
    assert {p.exposure.run for p in plans if p.aged < 1} == {"12"}
    assert [run for run, shot in shots.items() if shot.camera.local_tone] == ["run_04"]
    assert "4" in {p.exposure.run for p in by_product["Woven mesh, 50 % open"]}
    sunscreens = {q.kind for n in ("Sunscreen lotion", "Sunscreen spray") for p in by_product[n] for q in p.patches}
    assert sunscreens == {"sunscreen"}


def test_full_tables_have_the_columns_of_the_take_in_and_no_others():
    """Twenty-three columns, the first five of them the short form."""
    made = make_suite("steps_other_run", 2, **SMALL)
    header = made.table_bytes().decode("utf-8-sig").splitlines()[0]
    assert header.replace(";", ",").replace("\t", ",").split(",") == list(FULL)
    assert len(FULL) == 23
