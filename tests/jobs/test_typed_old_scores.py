"""Old scores typed on a page: lines as people write them, faults at their fields, undo, and the picture of them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fairpanel.jobs.blinding import seal, veil
from fairpanel.jobs.entering import enter
from fairpanel.jobs.luck_picture import luck_picture
from fairpanel.jobs.old_scores import load_old_tables, take_in_old_scores
from fairpanel.jobs.typed_old_scores import Typed, Wrong, as_typed, take_in_typed, taken_off, undo
from fairpanel.methods.uv_strip.ladder.judging import WITHIN, Scored, judge
from fairpanel.methods.uv_strip.ladder.rungs import Ladder
from fairpanel.plan.things import kind_of
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import AlreadyReplaced, NotOnBench

TYPED = Typed(
    "notebook 2023",
    "0 = 4 min\n2 = 3 min\n4 = 2 min\n8 = 1 min\n16 = 0 min",
    "Paste wax A; 0; 2023\nSealant D; 0-2; 2023-05; two coats\nClear coat; 8; 2022-04-01",
    "4 min",
    "no",
)


@pytest.fixture
def bench(tmp_path):
    Bench.create(tmp_path / "bench").close()
    return tmp_path / "bench"


def scores_on(bench) -> list[tuple[str, str]]:
    return [(j.scored.product, j.scored.score) for t in load_old_tables(bench) for j in t.judged.scores]


def test_typed_lines_are_the_same_as_the_command_s_tables(bench, tmp_path):
    """What was typed judges the same as the same scores taken in from files."""
    (tmp_path / "other.csv").write_text("product;score;date;note\n" + TYPED.scores)
    (tmp_path / "ladder.csv").write_text("score,minutes\n0,4\n2,3\n4,2\n8,1\n16,0\n")
    assert take_in_typed(bench, TYPED)
    take_in_old_scores(
        bench, tmp_path / "other.csv", ladder_path=tmp_path / "ladder.csv", exposed="240", steps_under_glass="no"
    )
    typed, from_files = load_old_tables(bench)
    assert typed.judged.ladder == from_files.judged.ladder
    assert [j.ranges for j in typed.judged.scores] == [j.ranges for j in from_files.judged.scores]


@pytest.mark.parametrize(
    "ladder",
    ["0 4\n2 3\n4 2\n8 1\n16 0", "0,4\n2,3\n4,2\n8,1\n16,0", "0; 240 s\n2; 180 s\n4; 2 min\n8; 60 s\n16; 0 s",
     "0: 4 min\n\n2: 3 min\n4: 2 min\n8: 1 min\n16: 0", "score\tminutes\n0\t4\n2\t3\n4\t2\n8\t1\n16\t0"],
)  # fmt: skip
def test_ladders_as_people_write_them(bench, ladder):
    """Blank, comma, semicolon, colon or tab; with units or without; with headings or without."""
    take_in_typed(bench, replace(TYPED, ladder=ladder))
    (table,) = load_old_tables(bench)
    assert table.judged.ladder.scores == (0, 2, 4, 8, 16)
    assert table.judged.ladder.seconds == (240, 180, 120, 60, 0)


def test_scores_pasted_from_a_spreadsheet(bench):
    """With tabs and headings in another order."""
    take_in_typed(bench, replace(TYPED, scores="score\tproduct\n2\tWax; soft\n0\tOther"))
    assert scores_on(bench) == [("Wax; soft", "2"), ("Other", "0")]


def test_all_faults_at_once_each_at_its_field(bench):
    """Lines are counted as typed; options are called what the fields are called; nothing is taken in."""
    with pytest.raises(Wrong) as caught:
        take_in_typed(bench, Typed("", "0 = 4 min\n2 = soon", "Wax; 1\nWax; many; 2023", "", "perhaps"))
    found = caught.value.by_field
    assert set(found) == {"name", "ladder", "scores", "exposed", "steps_under_glass"}
    assert found["ladder"][0].startswith("Line 2: minutes") and found["scores"][0].startswith("Line 2: score")
    assert not any("--" in text for texts in found.values() for text in texts)
    assert scores_on(bench) == []


def test_a_repeated_line_is_named_as_typed(bench):
    """The line it repeats is the first, though the table inside has headings."""
    with pytest.raises(Wrong) as caught:
        take_in_typed(bench, replace(TYPED, scores="Wax; 2\nWax; 2"))
    (told,) = caught.value.by_field["scores"]
    assert told.startswith("Line 2: product repeats line 1")


def test_a_half_score_is_explained_with_the_field_s_name(bench):
    """No half scores were given, says the form; then 1 is not a score."""
    with pytest.raises(Wrong) as caught:
        take_in_typed(bench, replace(TYPED, scores="Wax; 1", half_scores="no"))
    assert "Choose “yes” at “Half scores”" in caught.value.by_field["scores"][0]


def test_replacing_needs_a_reason_and_keeps_the_former(bench):
    """Asked for at its field; the same again is nothing new."""
    assert take_in_typed(bench, TYPED) and not take_in_typed(bench, TYPED)
    with pytest.raises(Wrong) as caught:
        take_in_typed(bench, replace(TYPED, scores="Wax; 2"))
    assert set(caught.value.by_field) == {"reason"}
    assert take_in_typed(bench, replace(TYPED, scores="Wax; 2", reason="misread")) and scores_on(bench) == [
        ("Wax", "2")
    ]


def test_a_form_filled_in_again_changes_nothing(bench):
    """What stands comes back as it would be typed."""
    take_in_typed(bench, TYPED)
    again = as_typed(bench, load_old_tables(bench)[0].taken)
    assert again.scores == TYPED.scores and not take_in_typed(bench, again)


def test_two_windows_do_not_overwrite_each_other(bench):
    """The second form was filled from what no longer stands: nothing is written."""
    take_in_typed(bench, TYPED)
    seen = load_old_tables(bench)[0].taken
    first = replace(TYPED, scores="Wax; 2", reason="one window", follows=seen)
    take_in_typed(bench, first)
    with pytest.raises(AlreadyReplaced, match="another window"):
        take_in_typed(bench, replace(first, scores="Wax; 4", reason="the other"))
    assert scores_on(bench) == [("Wax", "2")]
    with pytest.raises(NotOnBench):
        as_typed(bench, seen)


def test_undo_brings_back_what_was_and_can_be_undone(bench):
    """Changed, undone, done again; then, twice undone, as it was."""
    take_in_typed(bench, TYPED)
    before = scores_on(bench)
    take_in_typed(bench, replace(TYPED, scores="Wax; 2", reason="misread"))
    undo(bench, load_old_tables(bench)[0].taken)
    assert scores_on(bench) == before
    undo(bench, load_old_tables(bench)[0].taken)
    assert scores_on(bench) == [("Wax", "2")]


def test_undo_of_the_first_take_in_takes_it_off_and_puts_it_back(bench):
    """Nothing is deleted: it can be put back."""
    take_in_typed(bench, TYPED)
    before = scores_on(bench)
    undo(bench, load_old_tables(bench)[0].taken)
    (off,) = taken_off(bench)
    assert scores_on(bench) == [] and off.name == TYPED.name
    undo(bench, off.id)
    assert scores_on(bench) == before and taken_off(bench) == []


def test_a_form_filled_with_codes_means_the_products(bench):
    """While a campaign is sealed the form shows codes; what is kept are the names."""
    take_in_typed(bench, TYPED)
    campaign = enter(bench, kind_of("campaign"), {"name": "spring"})
    enter(bench, kind_of("product"), {"name": "Clear coat"})
    seal(bench, campaign, alone=True)
    shown = veil(bench).over(as_typed(bench, load_old_tables(bench)[0].taken))
    assert "Clear coat" not in shown.scores and "Paste wax A" not in shown.scores
    before = [name for name, _ in scores_on(bench)]
    take_in_typed(bench, replace(shown, scores=shown.scores.replace("8", "4"), reason="misread"))
    assert [name for name, _ in scores_on(bench)] == before and ("Clear coat", "4") in scores_on(bench)


# ---- the picture -----------------------------------------------------------------------------------------------


def judged(glass: str, half: bool = False):
    ladder = Ladder((0, 1, 2, 3, 4), (240, 180, 120, 60, 0), 240, glass, half)
    n = len(ladder.grades)
    return judge([Scored(f"P{i}", f"{ladder.grades[i]:g}", i, i) for i in range(n)], ladder)


@pytest.mark.parametrize("glass", ["yes", "no", "not known"])
@pytest.mark.parametrize("half", [False, True])
def test_shade_and_verdict_never_disagree(glass, half):
    """A score lies in the shade of all luck, of some, or of none: just as its verdict says."""
    found = judged(glass, half)
    picture = luck_picture(found)
    verdicts = {j.scored.product: j.verdict for j in found.scores}
    placed = {s.product: (v, s) for v in picture.verdicts for s in v.scores}
    assert set(placed) == set(verdicts)
    for product, (verdict, score) in placed.items():
        inside = [score.first < one.reaches for one in picture.luck]
        assert all(inside) == (verdicts[product] == WITHIN)
        assert any(inside) == verdict.hollow


def test_luck_s_columns_add_to_all_tables():
    """Chances of the best strip's place are chances: none below zero, together 1."""
    for one in luck_picture(judged("not known", True)).luck:
        assert min(one.best) >= 0 and sum(one.best) == pytest.approx(1.0)


def test_amounts_stand_on_the_ladder_only_where_the_glass_is_known():
    """One minute of four is 25 points, with glass over the steps; else it depends."""
    assert [a for _, a in luck_picture(judged("yes")).columns] == ["0 %", "25 %", "50 %", "75 %", "100 %"]
    assert {a for _, a in luck_picture(judged("no")).columns} == {""}


def test_names_are_shown_as_they_may_be():
    """Renamed everywhere, and left out where they may not stand; luck still counts all strips."""
    found = judged("yes")
    picture = luck_picture(found, called=lambda name: f"code {name[-1]}", left_out={"P4"})
    names = [s.product for v in picture.verdicts for s in v.scores] + [p for p, _ in picture.again]
    assert all(n.startswith("code ") for n in names) and "code 4" not in names
    assert picture.strips == 5
