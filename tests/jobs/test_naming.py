"""From a picture on an empty bench to a number, and strips changed, moved and taken out."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from fairpanel.jobs.keeping_pictures import keep_pictures
from fairpanel.jobs.moving_outlines import BadOutline, follow, move, take_back
from fairpanel.jobs.naming import ChangedMeanwhile, NotNamed, name_strip, take_out
from fairpanel.jobs.picture_page import see_picture
from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.seeing import method_by_picture
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import ReasonNeeded

MADE = make_suite("scan_half", 7, per_picture=3, dpi=100.0, table="short")
SHEET = MADE.pictures[0]


def said_of(place: str) -> dict[str, str]:
    """What the made table says of the strip in a cell, as somebody would type it on the page."""
    rows = [r for r in MADE.rows if r["picture"] == SHEET.name and r["box"] == place]
    asked = [
        c.name for c in method_by_picture().by_picture.asked if c.short_form or c.name in ("plate", "relative_light")
    ]
    answers = {name: str(rows[0][name]) for name in asked if rows[0].get(name) not in (None, "")}
    answers["relative_light"] = "; ".join(str(r["relative_light"]) for r in rows)
    answers["seconds"] = ", ".join(str(r["seconds"]) for r in rows)
    if answers["role"] == "product":
        answers |= {"other half": "glass only", "seconds": str(rows[0]["seconds"])}
    return answers


def cells() -> list[str]:
    return list(dict.fromkeys(r["box"] for r in MADE.rows if r["picture"] == SHEET.name))


@pytest.fixture
def bench(tmp_path) -> tuple[Path, str]:
    folder = tmp_path / "garage"
    Bench.create(folder, zone="UTC").close()
    kept = keep_pictures(folder, [("image.jpg", SHEET.data)])
    return folder, kept[0].picture.id


@pytest.fixture(scope="module")
def _named(tmp_path_factory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("named") / "garage"
    Bench.create(folder, zone="UTC").close()
    picture = keep_pictures(folder, [("image.jpg", SHEET.data)])[0].picture.id
    for place in cells():
        name_strip(folder, picture, said_of(place), place=place)
    read_bench(folder)
    return folder, picture


@pytest.fixture
def named(_named, tmp_path) -> tuple[Path, str]:
    """A bench with one picture, all its strips named and read."""
    return Path(shutil.copytree(_named[0], tmp_path / "named")), _named[1]


def test_what_lies_in_a_picture_is_shown_before_anything_is_said(bench):
    """Every strip with its place, none named; things asked come from the method."""
    seen = see_picture(*bench)
    assert len(seen.strips) == len(cells())
    assert not any(s.named for s in seen.strips)
    assert {"role", "seconds", "product"} <= {c.name for c in seen.asked}


def test_a_number_stands_there_once_steps_and_strip_are_named(named):
    """Every coated strip has a value within an interval; product and plate were made on the way."""
    seen = see_picture(*named)
    numbers = [s.number for s in seen.strips if s.answers["role"] == "product"]
    assert len(numbers) == 3
    for n in numbers:
        assert n.shown.low is None or n.shown.value is None or n.shown.low <= n.shown.value
    with Bench.open(named[0]) as bench:
        assert {e.name for e in bench.nouns("product")} == {r["product"] for r in MADE.rows if r["product"]}
        assert bench.nouns("specimen")


def test_strips_named_on_the_picture_read_like_those_of_a_table(named, tmp_path):
    """The way of the rows makes no difference to the numbers."""
    from fairpanel.jobs.showing import load_last_read
    from fairpanel.jobs.take_in import take_in

    folder = tmp_path / "by table"
    Bench.create(folder, zone="UTC").close()
    take_in(folder, MADE.write(tmp_path / "made"))
    read_bench(folder)
    by_table = {r.strip: r.measured.value for _, r in load_last_read(folder).readings if r.picture == SHEET.name}
    on_page = {r.strip: r.measured.value for _, r in load_last_read(named[0]).readings}
    assert on_page.keys() == by_table.keys()
    for strip, value in on_page.items():
        assert value == pytest.approx(by_table[strip], abs=0.02)


def test_faults_stand_at_their_fields(bench):
    """No product, no role, no time: nothing is written."""
    folder, picture = bench
    for answers, field in (
        ({"strip": "1", "role": "product", "seconds": "90"}, "product"),
        ({"strip": "1", "seconds": "90"}, "role"),
        ({"strip": "1", "role": "step", "seconds": "soon"}, "seconds"),
    ):
        with pytest.raises(NotNamed) as told:
            name_strip(folder, picture, answers, place="A1")
        assert field in told.value.wrong
    with Bench.open(folder) as opened:
        assert opened.current_rows() == []


def test_a_name_is_given_once_in_a_picture(named):
    """Another strip of that name would be the same one."""
    folder, picture = named
    with pytest.raises(NotNamed) as told:
        name_strip(folder, picture, said_of(cells()[0]), place="B6")
    assert "in this picture already" in told.value.wrong["strip"]


def test_a_change_needs_a_reason_and_keeps_the_former_entry(named):
    """Fewer patches withdraw the rest; the history holds both."""
    folder, picture = named
    strip = next(s for s in see_picture(folder, picture).strips if s.answers.get("role") == "product")
    answers = {**strip.answers, "other half": "", "relative_light": ""}
    with pytest.raises(NotNamed) as told:
        name_strip(folder, picture, answers, place=strip.place, was=strip.row_ids)
    assert "reason" in told.value.wrong
    name_strip(folder, picture, answers, place=strip.place, was=strip.row_ids, reason="not half coated")
    after = next(s for s in see_picture(folder, picture).strips if s.name == strip.name)
    assert len(after.row_ids) == 1 and len(strip.row_ids) == 2
    with Bench.open(folder) as opened:
        assert opened.row_history(strip.row_ids[1])[-1].reason == "not half coated"


def test_the_same_again_changes_nothing(named):
    """Saving a form as it was needs no reason and makes no entry."""
    folder, picture = named
    strip = see_picture(folder, picture).strips[0]
    name_strip(folder, picture, strip.answers, place=strip.place, was=strip.row_ids)
    assert see_picture(folder, picture).strips[0].row_ids == strip.row_ids


def test_two_windows_never_overwrite_each_other(named):
    """The second one is told what stands, and nothing of it is written."""
    folder, picture = named
    strip = next(s for s in see_picture(folder, picture).strips if s.answers.get("role") == "product")
    first, second = {**strip.answers, "note": "first"}, {**strip.answers, "note": "second"}
    name_strip(folder, picture, first, place=strip.place, was=strip.row_ids, reason="a note")
    with pytest.raises(ChangedMeanwhile) as told:
        name_strip(folder, picture, second, place=strip.place, was=strip.row_ids, reason="a note")
    assert told.value.stands["note"] == "first"
    with pytest.raises(ChangedMeanwhile):
        take_out(folder, picture, strip.row_ids, reason="wrong")


def test_a_strip_taken_out_is_unnamed_again(named):
    """Its rows stay on record; it needs a reason."""
    folder, picture = named
    strip = see_picture(folder, picture).strips[0]
    with pytest.raises(ReasonNeeded):
        take_out(folder, picture, strip.row_ids, reason=" ")
    take_out(folder, picture, strip.row_ids, reason="another test's strip")
    seen = see_picture(folder, picture)
    assert [s.place for s in seen.strips if not s.named] == [strip.place]


def test_two_pictures_of_one_name_are_two_pictures(named):
    """A phone calls every picture alike: rows of the second get a name of their own."""
    folder, picture = named
    other = keep_pictures(
        folder, [("image.jpg", make_suite("scan_half", 8, per_picture=3, dpi=100.0).pictures[0].data)]
    )
    name_strip(folder, other[0].picture.id, said_of(cells()[0]), place=cells()[0])
    with Bench.open(folder) as opened:
        names = {r.picture_id: r.picture_name for r in opened.current_rows()}
    assert names == {picture: "image.jpg", other[0].picture.id: "image (2).jpg"}


# ---- outlines --------------------------------------------------------------------------------------------------


def a_strip(folder, picture):
    return next(s for s in see_picture(folder, picture).strips if s.answers.get("role") == "product" and s.number)


def test_a_moved_outline_stands_and_its_number_follows(named):
    """Put onto the plate's bare half, the coated patch blocks next to nothing; the read after says the same."""
    folder, picture = named
    strip = a_strip(folder, picture)
    bare = strip.patches[1]
    moved = bare.polygon + 0.25 * (bare.polygon.mean(axis=0) - bare.polygon)
    move(folder, picture, {strip.patches[0].row_id: moved.tolist()})
    seen = next(s for s in see_picture(folder, picture).strips if s.name == strip.name)
    assert seen.patches[0].how == "moved"
    assert np.allclose(seen.patches[0].polygon, moved, atol=0.01)
    at_once = follow(folder, picture).numbers[strip.key].shown
    read_bench(folder)
    after = a_strip_named(folder, picture, strip.name).number.shown
    assert at_once.low == pytest.approx(after.low, abs=3) and at_once.high == pytest.approx(after.high, abs=3)


def a_strip_named(folder, picture, name):
    return next(s for s in see_picture(folder, picture).strips if s.name == name)


def test_moves_are_taken_back_one_after_the_other(named):
    """Two moves, two steps back, and no third; every step is an entry."""
    folder, picture = named
    strip = a_strip(folder, picture)
    id, start = strip.patches[0].row_id, strip.patches[0].polygon
    for shift in (2.0, 4.0):
        move(folder, picture, {id: (start + np.array([0, shift])).tolist()})
    for expected in (2.0, 0.0):
        take_back(folder, picture)
        now = a_strip_named(folder, picture, strip.name).patches[0].polygon
        assert np.allclose(now, start + np.array([0, expected]), atol=0.01)
    with pytest.raises(BadOutline):
        take_back(folder, picture)
    with Bench.open(folder) as opened:
        assert len(opened.outline_history(picture)) == 5


def test_patches_moved_together_are_taken_back_together(named):
    """One move of a strip is one step back, however many patches it has."""
    folder, picture = named
    strip = a_strip(folder, picture)
    move(folder, picture, {p.row_id: (p.polygon + np.array([0, 3.0])).tolist() for p in strip.patches})
    take_back(folder, picture)
    for before, now in zip(strip.patches, a_strip_named(folder, picture, strip.name).patches, strict=True):
        assert np.allclose(before.polygon, now.polygon, atol=0.01)


@pytest.mark.parametrize(
    "polygon",
    [
        [[-50, 0], [10, 0], [10, 10], [-50, 10]],
        [[10, 10], [60, 60], [60, 10], [10, 60]],
        [[10, 10], [12, 10], [12, 60], [10, 60]],
        [[0, 0], [10, 0], [10, float("nan")], [0, 10]],
        "nonsense",
    ],
)
def test_an_outline_that_cannot_be_is_refused(named, polygon):
    """Outside, crossed, too thin, no numbers: nothing is changed."""
    folder, picture = named
    strip = a_strip(folder, picture)
    with pytest.raises(BadOutline):
        move(folder, picture, {strip.patches[0].row_id: polygon})
    with Bench.open(folder) as opened:
        assert opened.outline_history(picture) == []
