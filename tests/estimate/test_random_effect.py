"""Variance between specimens with known reading uncertainties, against published batches and by coverage."""

import json
from pathlib import Path

import numpy as np
import pytest

from fairpanel.estimate.random_effect import between, consensus, moment_variance

PUBLISHED = json.loads((Path(__file__).parent / "sources" / "precision.json").read_text())


def batch_means(name):
    groups = PUBLISHED[name]["groups"]
    return np.mean(groups, axis=1), np.full(len(groups), PUBLISHED[name]["anova"]["ms_within"] / 5)


def test_dyestuff_batches():
    """Davies and Goldsmith 1972, balanced: batch variance exactly 1764.05, by likelihood and by moments.

    Mean 1527.5 with standard error 19.38341 (restricted likelihood, as published by D. Bates for lme4).
    """
    means, within = batch_means("dyestuff")
    assert between(means, within=within).variance == pytest.approx(1764.05, rel=1e-9)
    assert moment_variance(means, within=within) == pytest.approx(1764.05, rel=1e-9)
    found = consensus(means, within=within, variance_between=1764.05)
    assert found.mean == pytest.approx(1527.5)
    assert found.standard_uncertainty == pytest.approx(PUBLISHED["dyestuff"]["REML"]["se_intercept"], rel=1e-6)


def test_no_variance_between_batches_is_legal():
    """Box and Tiao 1973: 0, no degrees of freedom, and an upper limit all the same."""
    means, within = batch_means("dyestuff2")
    found = between(means, within=within)
    assert (found.variance, found.dof, found.low) == (0.0, 0.0, 0.0)
    assert found.high > 0
    assert moment_variance(means, within=within) == 0.0


def test_zener_days():
    """JCGM 100:2008, H.5 (from memory): 43 uV between days; standard uncertainty of the mean 18 uV."""
    zener = PUBLISHED["zener"]
    within = np.mean(np.array(zener["daily_sd"], float) ** 2) / 5
    found = between(zener["daily_mean"], within=np.full(10, within))
    assert abs(found.sd - zener["published"]["s_between_uV"]) <= 0.5
    mean = consensus(zener["daily_mean"], within=np.full(10, within), variance_between=found.variance)
    assert abs(mean.standard_uncertainty - zener["published"]["u_uV"]) <= 0.5


def test_equal_uncertainties_leave_the_plain_excess():
    """By algebra: the variance of the values less that of the readings, with its degrees of freedom."""
    rng = np.random.default_rng(1)
    y = rng.normal(0, 3, 9)
    found = between(y, within=np.full(9, 1.5))
    assert found.variance == pytest.approx(np.var(y, ddof=1) - 1.5)
    share = found.variance / (found.variance + 1.5)
    assert found.dof == pytest.approx(8 * share**2)


def many_products(seed, *, products=200, cv=0.15):
    """Three plates of each product; film variation grows with the absorbance."""
    rng = np.random.default_rng(seed)
    groups = np.repeat(np.arange(products), 3)
    absorbance = rng.uniform(0.1, 2.0, products)[groups]
    within = rng.uniform(0.02, 0.06, len(groups)) ** 2
    y = absorbance * (1 + cv * rng.standard_normal(len(groups))) + np.sqrt(within) * rng.standard_normal(len(groups))
    return y, {"within": within, "groups": groups, "scale": absorbance}


def test_film_variation_pooled_over_products():
    """A relative variation of 15 % comes back within 4 % of itself, by likelihood; by moments within 8 %."""
    y, about = many_products(2)
    found = between(y, **about)
    assert found.contrasts == 400
    assert found.sd == pytest.approx(0.15, rel=0.08)
    assert np.sqrt(moment_variance(y, **about)) == pytest.approx(0.15, rel=0.12)
    assert found.low < 0.15**2 < found.high


def test_groups_keep_their_own_means():
    """Adding something to all plates of one product changes nothing."""
    y, about = many_products(3, products=10)
    shifted = y + 100.0 * about["groups"]
    assert between(shifted, **about).variance == pytest.approx(between(y, **about).variance, rel=1e-6)


def test_errors_shared_within_a_group_drop_out():
    """Plates of one frame share the curve's error: it is no variance between plates."""
    y, about = many_products(4, products=10)
    shared = np.diag(about["within"]) + 4.0 * (about["groups"][:, None] == about["groups"])
    plain = between(y, **about)
    coupled = between(y, within=shared, groups=about["groups"], scale=about["scale"])
    assert coupled.variance == pytest.approx(plain.variance, rel=1e-6)


def test_limits_cover_the_true_variance():
    """Q profile: 500 sets of six plates of uneven uncertainty: 95 % limits hold the true variance, +-3 %."""
    rng = np.random.default_rng(5)
    within = rng.uniform(0.5, 2.0, 6)
    hits = 0
    for _ in range(500):
        found = between(rng.standard_normal(6) * np.sqrt(within + 1.3), within=within)
        hits += found.low <= 1.3 <= found.high
    assert hits / 500 == pytest.approx(0.95, abs=0.03)


def test_readings_that_agree_too_well_are_seen():
    """Three values alike to the last digit: variance 0, and not even 0 is within the limits."""
    found = between([1.0, 1.0, 1.0], within=[1.0, 1.0, 1.0])
    assert found.variance == 0.0
    assert np.isnan(found.high)
    assert found.p_value == pytest.approx(1.0)


def test_one_plate_of_each_product_says_nothing_of_plates():
    """Refused in words, not zero."""
    with pytest.raises(ValueError, match="No two specimens"):
        between([1.0, 2.0], within=[1.0, 1.0], groups=[0, 1])
    with pytest.raises(ValueError, match="above zero"):
        between([1.0, 2.0], within=[0.0, 0.0])


def test_consensus_weighs_by_both_variances():
    """By hand: variances 1 + 3 and 9 + 3."""
    found = consensus([0.0, 4.0], within=[1.0, 9.0], variance_between=3.0)
    assert found.weights == pytest.approx([0.75, 0.25])
    assert found.mean == pytest.approx(1.0)
    assert found.standard_uncertainty == pytest.approx(np.sqrt(3.0))
