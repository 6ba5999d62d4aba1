"""Old eye scores: the ladder, the eye that reads it, what luck gives.

Figures called "own calculation" come from our own notes, computed with the assumptions stated there. They are no
published values; they check that this code and that calculation, made apart from each other, say the same.
"""

from __future__ import annotations

import numpy as np
import pytest

from fairpanel.methods.uv_strip.ladder.eye import (
    TRIED,
    Eye,
    chance_of_order,
    chances_by_glass,
    interval,
    score_chances,
)
from fairpanel.methods.uv_strip.ladder.judging import ABOVE, IF_GLASS, NOISE, STANDS, WITHIN, Scored, judge
from fairpanel.methods.uv_strip.ladder.luck import best_by_luck, order_by_luck
from fairpanel.methods.uv_strip.ladder.rungs import Ladder, blocked_at, nominal_interval, perfect_score
from fairpanel.methods.uv_strip.ladder.typed import (
    RungRow,
    ScoreRow,
    day,
    graded,
    ladder_of,
    minutes,
    score,
    scores_on_ladder,
    use_of,
)

SCORES, SECONDS = (0.0, 2.0, 4.0, 8.0, 16.0), (240.0, 180.0, 120.0, 60.0, 0.0)

#: The calculation's glass passes 80 % exactly; ours adds the spread between kinds of glass unless told not to.
ONE_GLASS = Eye(ln_glass=float(np.log(0.8)), glass_spread=0.0)


def doubling(glass: str = "yes", *, half: bool = True) -> Ladder:
    return Ladder(SCORES, SECONDS, 240.0, glass, half)


def as_blocked(ladder: Ladder) -> np.ndarray:
    return np.array([blocked_at(s, exposed_s=ladder.exposed_s) for s in ladder.grade_seconds])


# ---- the ladder ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "score, minutes_matched, blocked", [(0, 4, 0.0), (2, 3, 25.0), (4, 2, 50.0), (8, 1, 75.0), (16, 0, 100.0)]
)
def test_doubling_scores_are_equal_steps_of_blocked_uv(score, minutes_matched, blocked):
    """Own calculation: one minute of four is 25 points, whatever the scores say."""
    assert blocked_at(60 * minutes_matched, exposed_s=240) == blocked
    assert perfect_score(blocked, doubling()) == score


@pytest.mark.parametrize(
    "blocked, printed",
    [(0.0, 0.0), (80.0, 9.6), (4.5, 0.4), (69.8, 7.2), (46.3, 3.7), (82.9, 10.5), (50.0, 4.0), (0.5, 0.0), (1.5, 0.1),
     (1.9, 0.2), (3.7, 0.3), (3.2, 0.3), (9.3, 0.7), (16.3, 1.3), (17.5, 1.4), (15.5, 1.2), (0.7, 0.1)],
)  # fmt: skip
def test_score_of_a_perfect_eye(blocked, printed):
    """Own calculation for the invented products of the demo campaign, printed to one decimal."""
    half_last_digit = 0.05
    assert abs(perfect_score(blocked, doubling()) - printed) <= half_last_digit + 1e-9


def test_half_scores_halve_the_range_a_score_stands_for():
    """With half scores 2 stands for 25 ± 6.25 points, without for 25 ± 12.5; the lowest score is open below."""
    assert nominal_interval(doubling(half=False), 1, 1) == (12.5, 37.5)
    assert nominal_interval(doubling(), 2, 2) == (18.75, 31.25)
    assert nominal_interval(doubling(), 0, 0) == (None, 6.25)
    assert nominal_interval(doubling(), 8, 8) == (93.75, None)


def test_steps_without_glass_add_12_to_27_points():
    """Common practice, no source: glass takes 12 to 27 %; steps without it add as many points to nothing."""
    for passes, added in ((0.88, 12.0), (0.73, 27.0)):
        looks_like = 240 * passes
        assert abs(blocked_at(looks_like, exposed_s=240) - added) < 1e-9
        assert abs(blocked_at(looks_like, exposed_s=240, passes=passes)) < 1e-9


def test_a_ladder_whose_scores_fall_is_read_by_its_exposures():
    """A tester who scores darkness gives the highest score to the longest step; the blocked UV comes out the same."""
    darkness = Ladder((5, 4, 3, 2, 1), SECONDS, 240.0, "yes", half_scores=True)
    rows = [ScoreRow("A", (4.0, 5.0), None, None), ScoreRow("B", (1.0, 1.0), None, None)]
    (first, last), top = graded(rows[0], darkness), graded(rows[1], darkness)
    assert (first, last) == (0, 2) and top == (8, 8)
    assert nominal_interval(darkness, first, last) == nominal_interval(doubling(), 0, 2)


# ---- the eye ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "blocked, under_glass, without",
    [(0, (7, 10), (19, 15)), (3, (8, 11), (21, 15)), (10, (12, 12), (25, 15)), (20, (19, 14), (33, 14)),
     (40, (38, 11), (50, 10)), (60, (59, 7), (67, 7)), (77, (76, 4), (81, 6))],
)  # fmt: skip
def test_mean_and_spread_of_a_score_read_as_blocked(blocked, under_glass, without):
    """Own calculation, assumptions stated: 1 - exp(-t / 1.2 min), 4 min, glass passing 80 %, spreads 5, 6, 5 and 4 %.

    Tolerance 1.5 points: the figures are printed whole, and it is not stated how a half score is matched in tone.
    """
    for lies_under, (mean, spread) in ((True, under_glass), (False, without)):
        chances = score_chances(doubling(), [blocked], under_glass=lies_under, eye=ONE_GLASS)[0]
        values = as_blocked(doubling())
        got = chances @ values
        assert abs(got - mean) <= 1.5
        assert abs(np.sqrt(chances @ (values - got) ** 2) - spread) <= 1.5


@pytest.mark.parametrize("less, more, right, wrong", [(0, 5, 34, 25), (10, 20, 52, 23), (20, 40, 78, 7)])
def test_chance_that_the_better_of_two_is_scored_higher(less, more, right, wrong):
    """Own calculation, assumptions stated; tolerance 2 of 100, for the same reason as above."""
    higher, same, lower = chance_of_order(doubling(), less, more, under_glass=True, eye=ONE_GLASS)
    assert abs(100 * higher - right) <= 2
    assert abs(100 * lower - wrong) <= 2
    assert abs(higher + same + lower - 1) < 1e-12


def test_a_product_that_does_nothing_is_often_scored_above_nothing():
    """Own calculation, assumptions stated: 1 or more in about 40 % of runs (steps under glass), 70 % (without)."""
    for under_glass, about in ((True, 0.40), (False, 0.70)):
        chances = score_chances(doubling(), [0.0], under_glass=under_glass, eye=ONE_GLASS)[0]
        assert abs(1 - chances[0] - about) < 0.04


def drawn(rng, blocked, *, under_glass: bool, eye: Eye, shape) -> np.ndarray:
    """Grades as an eye would give them, drawn strip by strip: the model again, apart from the code tested."""
    passes = np.exp(rng.normal(eye.ln_glass, eye.glass_spread, (shape[0], 1)))
    tau = eye.halfway_s / np.log(2) * (1.0 if under_glass else passes)
    dose = 240 * (1 - np.asarray(blocked) / 100) * (1.0 if under_glass else passes)
    dose = dose * np.exp(rng.normal(0, np.sqrt(eye.sheet**2 + eye.place**2 + eye.lamp**2), shape))
    tone = 1 - np.exp(-dose / tau) + rng.normal(0, eye.eye, shape)
    steps = 1 - np.exp(-np.linspace(240, 0, 9)[:, None, None] / tau)
    return np.abs(tone - steps).argmin(axis=0)


@pytest.mark.parametrize("under_glass", [True, False])
def test_chances_agree_with_drawing_strip_by_strip(under_glass):
    """200,000 drawn strips; tolerance four standard errors of a share."""
    rng = np.random.default_rng(20260301)
    eye = Eye()
    for blocked in (0.0, 30.0, 75.0):
        grades = drawn(rng, blocked, under_glass=under_glass, eye=eye, shape=(200_000, 1)).ravel()
        share = np.bincount(grades, minlength=9) / grades.size
        chances = score_chances(doubling(), [blocked], under_glass=under_glass, eye=eye)[0]
        assert np.all(np.abs(share - chances) <= 4 * np.sqrt(chances * (1 - chances) / grades.size) + 1e-5)


def test_intervals_of_scores_hold_the_truth():
    """95 % intervals of drawn scores hold the truth in at least 95 % of cases; a score is coarse, so often in more."""
    rng = np.random.default_rng(20260302)
    truth = rng.uniform(0, 100, 20_000)
    for under_glass in (True, False):
        eye = Eye()
        chances = score_chances(doubling(), TRIED, under_glass=under_glass, eye=eye)
        ranges = [interval(chances, g, g) for g in range(9)]
        low = np.array([-1.0 if a is None else a for a, _ in ranges])
        high = np.array([101.0 if b is None else b for _, b in ranges])
        grades = drawn(rng, truth[:, None], under_glass=under_glass, eye=eye, shape=(truth.size, 1)).ravel()
        held = (truth >= low[grades] - 0.25) & (truth <= high[grades] + 0.25)
        assert held.mean() >= 0.95
        assert np.median(high[grades] - low[grades]) < 50


def test_a_range_of_scores_is_no_narrower_than_its_ends():
    """The range 0-2 holds all that 0 holds and all that 2 holds."""
    chances = score_chances(doubling(), TRIED, under_glass=True, eye=Eye())
    both, lower, upper = (interval(chances, *ends) for ends in ((0, 2), (0, 0), (2, 2)))
    assert both[0] is None and lower[0] is None
    assert both[1] == upper[1] > lower[1]


def test_a_strip_darker_than_any_step_is_at_most_nothing():
    """Steps of 2 to 4 min beside strips exposed 1 min: even a bare plate looks like the shortest step."""
    ladder = Ladder((0, 1, 2), (240, 180, 120), 60.0, "yes", half_scores=False)
    chances = score_chances(ladder, TRIED, under_glass=True, eye=Eye())
    assert interval(chances, 0, 0) == (None, 0.0)


# ---- luck ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("under_glass", [True, False])
def test_best_of_many_by_luck_agrees_with_drawing_tables(under_glass):
    """20,000 drawn tables of 14 strips under products that block nothing; tolerance four standard errors."""
    rng = np.random.default_rng(20260303)
    eye, ladder, strips = Eye(), doubling(), 14
    inert = chances_by_glass(ladder, [0.0], under_glass=under_glass, eye=eye)[:, 0]
    luck = best_by_luck(ladder, inert, strips=strips, under_glass=under_glass, eye=eye)
    best = drawn(rng, 0.0, under_glass=under_glass, eye=eye, shape=(20_000, strips)).max(axis=1)
    reached = np.array([(best >= g).mean() for g in range(9)])
    error = np.sqrt(luck.reached * (1 - luck.reached) / best.size)
    assert np.all(np.abs(reached - luck.reached) <= 4 * error + 1e-4)
    assert luck.typical == ladder.grades[int(np.median(best))]
    assert (
        (best > ladder.grade_of(luck.seldom_above)).mean() < 0.05 <= (best >= ladder.grade_of(luck.seldom_above)).mean()
    )


def test_errors_that_strips_share_give_luck_less():
    """Why strips are counted as independent: shared sheet, lamp and place lower the best of 14, they never raise it."""
    rng = np.random.default_rng(20260304)
    eye = Eye()
    alone = drawn(rng, 0.0, under_glass=True, eye=eye, shape=(20_000, 14)).max(axis=1)
    shared_dose = 240 * np.exp(rng.normal(0, eye.dose, (20_000, 1)))
    tone = 1 - np.exp2(-shared_dose / eye.halfway_s) + rng.normal(0, eye.eye, (20_000, 14))
    steps = 1 - np.exp2(-np.linspace(240, 0, 9)[:, None, None] / eye.halfway_s)
    shared = np.abs(tone - steps).argmin(axis=0).max(axis=1)
    assert all((shared >= g).mean() <= (alone >= g).mean() + 0.01 for g in range(3))


def test_order_by_luck_of_two_grades_is_the_binomial():
    """From a law: with two scores, each given with chance p, n alike strips show both with 1 - p^n - (1 - p)^n."""
    p, n = 0.3, 5
    chances = np.array([[[1 - p, p]]])
    assert abs(order_by_luck(chances, 1, 0, strips=2, under_glass=True, eye=Eye()) - 2 * p * (1 - p)) < 1e-12
    both = order_by_luck(chances, 1, 0, strips=n, under_glass=True, eye=Eye())
    assert abs(both - (1 - p**n - (1 - p) ** n)) < 1e-12


def test_order_among_alike_products_agrees_with_drawing():
    """12 alike products that block 10 %: chance that one is scored 4 or more and another 0; four standard errors."""
    rng = np.random.default_rng(20260305)
    eye, ladder = Eye(), doubling()
    grades = drawn(rng, 10.0, under_glass=True, eye=eye, shape=(20_000, 12))
    drawn_share = ((grades.max(axis=1) >= 4) & (grades.min(axis=1) == 0)).mean()
    chances = chances_by_glass(ladder, [10.0], under_glass=True, eye=eye)
    got = order_by_luck(chances, 4, 0, strips=12, under_glass=True, eye=eye)
    assert abs(drawn_share - got) <= 4 * np.sqrt(got * (1 - got) / 20_000)


# ---- judging -----------------------------------------------------------------------------------------------------


def scored(*pairs: tuple[str, float]) -> list[Scored]:
    grades = [(p, s, doubling().grade_of(s)) for p, s in pairs]
    return [Scored(p, f"{s:g}", g, g) for p, s, g in grades]


def test_tables_of_products_that_block_nothing_seldom_show_one_above_luck():
    """Family-wise: in at most 5 % of tables of 10 inert products any stands above luck, whatever lay over the steps."""
    rng = np.random.default_rng(20260306)
    for glass, under_glass in (("yes", True), ("no", False)):
        eye = Eye()
        above = {
            g: judge([Scored(str(i), "x", g, g) for i in range(10)], doubling(glass), eye).scores[0].verdict == ABOVE
            for g in range(9)
        }
        best = drawn(rng, 0.0, under_glass=under_glass, eye=eye, shape=(10_000, 10)).max(axis=1)
        assert np.mean([above[g] for g in best]) <= 0.05
        assert above[8] and not above[0]


def test_clear_coat_stands_above_luck_and_the_order_of_waxes_is_noise():
    """Own calculation, in words: the ladder separates clear coat reliably; inside the wax-like group order is noise."""
    judged = judge(scored(("wax A", 0), ("wax B", 1), ("wax C", 2), ("sealant", 0), ("clear coat", 8)), doubling())
    assert [j.verdict for j in judged.scores] == [WITHIN, WITHIN, WITHIN, WITHIN, ABOVE]
    verdicts = {(o.higher, o.lower): o.verdict for o in judged.orders}
    assert verdicts["8", "0"] == verdicts["8", "2"] == STANDS
    assert verdicts["2", "0"] == verdicts["1", "0"] == verdicts["2", "1"] == NOISE
    assert [a.product for a in judged.again][:2] == ["wax C", "wax B"]
    assert judged.again[-1].product == "clear coat"


def test_glass_not_known_gives_both_readings_and_the_harder_verdict():
    """A 4 stands above luck if the steps lay under glass and not if they did not: both are said."""
    given = scored(("A", 4), ("B", 0), ("C", 0), ("D", 1), ("E", 2), ("F", 0))
    both = judge(given, doubling("not known"))
    assert [r.under_glass for r in both.scores[0].ranges] == [True, False]
    assert both.scores[0].verdict == IF_GLASS
    assert judge(given, doubling("yes")).scores[0].verdict == ABOVE
    assert judge(given, doubling("no")).scores[0].verdict == WITHIN
    under, without = both.scores[0].ranges
    assert 5 <= (under.high or 0) - (without.high or 0) <= 27


def test_the_same_scores_are_judged_the_same_and_keep_their_place():
    """No draw is made: the same to the last digit; scores stay in the table's order."""
    given = scored(("B", 4), ("A", 0), ("C", 16))
    one, two = judge(given, doubling("not known")), judge(given, doubling("not known"))
    assert one.scores == two.scores and one.orders == two.orders and one.again == two.again
    assert [j.scored.product for j in one.scores] == ["B", "A", "C"]


def test_one_product_alone_has_no_order():
    """A table of one score is legal data."""
    judged = judge(scored(("A", 2)), doubling())
    assert judged.orders == () and judged.luck[0].strips == 1


def test_two_scores_of_one_product_make_no_order_against_themselves():
    """Two scores of one product say nothing of order, and leave less open than one."""
    twice = judge(scored(("A", 2), ("A", 4)), doubling())
    assert twice.orders == ()
    assert twice.again[0].open_points < judge(scored(("A", 2)), doubling()).again[0].open_points


# ---- what is typed -----------------------------------------------------------------------------------------------


def test_cells_as_spreadsheets_and_people_write_them():
    """Minutes with or without unit and decimal comma, ranges with hyphen, dash or `to`, dates as far as known."""
    assert minutes("4") == minutes("4 min") == minutes("240 s") == minutes("4,0") == 240
    assert score("0-2") == score("0 to 2") == score("0–2") == (0.0, 2.0)
    assert score("-1") == (-1.0, -1.0)
    assert day("2023") == "2023" and day("2023-05-14 10:30") == "2023-05-14T10:30:00"


def rungs(*pairs: tuple[float, float | None]) -> list[tuple[int, RungRow]]:
    return [(i, RungRow(s, t, None)) for i, (s, t) in enumerate(pairs, 2)]


def use(**typed: str):
    return use_of(**{"exposed": "4min", "glass": "", "half_scores": "", "halfway": "", **typed})[0]


def test_half_scores_are_taken_from_the_table_where_nothing_is_said():
    """A 3 between rungs 2 and 4 says that half scores were given."""
    typed = rungs(*zip(SCORES, SECONDS, strict=True))
    rows = [ScoreRow("A", (3.0, 3.0), None, None)]
    ladder, faults = ladder_of(typed, rows, use())
    assert not faults and ladder is not None and ladder.half_scores
    whole, _ = ladder_of(typed, [ScoreRow("A", (2.0, 2.0), None, None)], use())
    assert whole is not None and not whole.half_scores


@pytest.mark.parametrize(
    "typed, told",
    [
        (rungs((0, 240)), "fewer than two rungs"),
        (rungs((0, 240), (0, 60)), "stands in row 2 too"),
        (rungs((0, 240), (2, 240)), "same exposure with another score"),
        (rungs((0, 240), (4, 180), (2, 120)), "out of order"),
        (rungs((0, None), (2, 60)), "is empty"),
        (rungs((0, 4), (2, 3)), "Is a unit missing?"),
    ],
)
def test_faults_of_a_ladder(typed, told):
    """Each is said in the tester's words, with its line."""
    ladder, faults = ladder_of(typed, [], use())
    assert ladder is None and any(told in f.message for f in faults)


def test_scores_the_ladder_does_not_have():
    """5 is on no rung and half-way between none; 3 is half-way, but half scores were not given."""
    rows = [(2, ScoreRow("A", (5.0, 5.0), None, None)), (3, ScoreRow("B", (3.0, 3.0), None, None))]
    faults = scores_on_ladder(rows, doubling(half=False))
    assert [f.row for f in faults] == [2, 3]
    assert "not on the ladder" in faults[0].message and "--half-scores yes" in faults[1].message
    assert [f.row for f in scores_on_ladder(rows, doubling())] == [2]


def test_options_that_cannot_be_understood_are_told_together():
    """Exposure, glass and half scores: every fault at once."""
    _, faults = use_of(exposed="soon", glass="maybe", half_scores="some", halfway="0")
    assert [f.column for f in faults] == ["--exposed", "--steps-under-glass", "--half-scores", "--halfway"]
