"""Sealed: no product's name in anything that is shown; locked: nothing is read; unsealed: a record."""

from __future__ import annotations

import json
from dataclasses import dataclass

import pytest

from fairpanel.jobs.blinding import (
    NotLocked,
    ReadingLocked,
    Sealed,
    Veil,
    lock,
    must_be_open,
    must_not_be_locked,
    seal,
    seal_of,
    unseal,
    veil,
)
from fairpanel.jobs.entering import amend, enter
from fairpanel.plan.things import kind_of
from fairpanel.storage.bench import Bench
from fairpanel.storage.changes import changes

PRODUCT = kind_of("product")


@pytest.fixture
def campaign(bench):
    enter(bench, PRODUCT, {"name": "Paste wax A"})
    enter(bench, PRODUCT, {"name": "Film"})
    return enter(bench, kind_of("campaign"), {"name": "spring"})


def _read(bench):
    with Bench.open(bench, writing=True) as opened:
        opened.end_read(opened.begin_read(code_version="1", seed=1, methods={}, settings={}))


@pytest.mark.parametrize(
    "text",
    ["Paste wax A", "paste  WAX a blocks UV", "(Paste wax A)", "paste_wax_a-01.png", "/p?name=Paste%20wax%20A&x=1",
     "PasteWaxA.jpg", "Paste+wax+A", "Paste-wax-A"],
)  # fmt: skip
def test_a_name_is_covered_however_it_is_written(text):
    """In sentences, file names, addresses; case does not matter."""
    covered = Veil({"Paste wax A": "BCDF", "wax": "GHJK"}).covered(text)
    assert "BCDF" in covered and "wax" not in covered.casefold()


def test_other_words_stay():
    """A name within another word is not that name."""
    assert Veil({"Film": "BCDF"}).covered("Filmed with film mass") == "Filmed with BCDF mass"
    assert Veil({}).covered("anything") == "anything" and not Veil({})
    assert Veil({"+ -": "BCDF"}).covered("a + - b") == "a + - b", "a name without letters hides nothing else"


@dataclass(frozen=True)
class _Seen:
    product: str
    detail: dict
    value: float


def test_data_are_covered_to_the_bottom():
    """Within mappings, lists, tuples and dataclasses; numbers stay."""
    veil_ = Veil({"Film": "BCDF"})
    seen = veil_.over([_Seen("Film", {"Film": ("on Film", 3)}, 1.5)])
    assert seen == [_Seen("BCDF", {"BCDF": ("on BCDF", 3)}, 1.5)]
    assert veil_.uncovered(" BCDF ") == "Film" and veil_.uncovered("BCDF two") == "BCDF two"


def test_all_products_are_hidden_while_sealed(bench, campaign):
    """Those entered later and former names too; codes do not change; a hash holds whoever sealed to them."""
    assert not veil(bench)
    told = seal(bench, campaign, alone=False)
    first = veil(bench)
    assert set(first.codes) == {"Paste wax A", "Film"}
    id = enter(bench, PRODUCT, {"name": "Coating C"})
    amend(bench, PRODUCT, id, {"name": "Coating D"}, reason="misread")
    later = veil(bench)
    assert first.codes.items() <= later.codes.items()
    assert later.codes["Coating C"] == later.codes["Coating D"]
    assert later.uncovered(later.codes["Coating C"]) == "Coating D"
    assert seal_of(bench, campaign).commitment == told


def test_the_order_is_seal_lock_open(bench, campaign):
    """Unsealing before the reading is locked is refused; so is locking what was not read."""
    with pytest.raises(NotLocked):
        lock(bench, campaign)
    seal(bench, campaign, alone=True)
    with pytest.raises(NotLocked, match="Nothing has been read"):
        lock(bench, campaign)
    with pytest.raises(NotLocked, match="before its reading is locked"):
        unseal(bench, campaign)
    _read(bench)
    lock(bench, campaign)
    with Bench.open(bench) as opened:
        with pytest.raises(ReadingLocked):
            must_not_be_locked(opened)
        with pytest.raises(Sealed, match="publishing"):
            must_be_open(opened, "publishing")
    assert veil(bench)
    unseal(bench, campaign)
    assert not veil(bench)
    found = seal_of(bench, campaign)
    assert [e.body["state"] for e in found.history] == ["sealed", "locked", "opened"] and found.read_id and found.alone
    with pytest.raises(Sealed, match="once"):
        seal(bench, campaign, alone=True)
    with Bench.open(bench) as opened:
        assert not [c for c in changes(opened) if c.noun == "seal"], "a seal is not among what can be undone"
        must_not_be_locked(opened)


def test_the_jobs_honour_the_seal(bench, campaign, read_picture, on_mat, tmp_path):
    """Results come with codes only, publishing waits; while locked nothing is read."""
    from fairpanel.jobs.publishing import publish
    from fairpanel.jobs.reading import read_bench
    from fairpanel.jobs.showing import as_json, load_last_read

    data = _png(on_mat)
    open_ = read_picture(data, "made.png", on_mat.rows)
    names = {r["product"] for r in open_["results"]}
    assert len(names) == 2
    seal(bench, campaign, alone=False)
    told = as_json(load_last_read(bench))
    assert not any(name in json.dumps(told) for name in names)
    codes = veil(bench).codes
    assert {r["product"] for r in told["results"]} == {codes[n] for n in names}
    assert [r["value"] for r in sorted(told["results"], key=lambda r: r["product"])] == [
        r["value"] for r in sorted(open_["results"], key=lambda r: codes[r["product"]])
    ]
    with pytest.raises(Sealed):
        publish(bench, tmp_path / "page")
    lock(bench, campaign)
    with pytest.raises(ReadingLocked):
        read_bench(bench)
    unseal(bench, campaign)
    assert as_json(load_last_read(bench)) == open_


def _png(scan):
    import io

    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(scan.pixels).save(out, "png", icc_profile=scan.profile)
    return out.getvalue()
