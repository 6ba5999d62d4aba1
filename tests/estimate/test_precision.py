"""Repeatability, pooled variances and analysis of variance against ISO 5725-2, ASTM E691 and NIST StRD."""

import json
from pathlib import Path

import numpy as np
import pytest

from fairpanel.estimate.precision import one_way, pooled, pooled_within, precision

SOURCES = Path(__file__).parent / "sources"
PUBLISHED = json.loads((SOURCES / "precision.json").read_text())
ANOVA = {k: v for k, v in json.loads((SOURCES / "nist_strd_anova.json").read_text()).items() if k != "_about"}
REACHED = {"SiRstv": 1e-9, "SmLs01": 1e-9, "AtmWtAg": 1e-8, "SmLs04": 1e-8, "SmLs07": 1e-3}


@pytest.mark.parametrize("name", sorted(ANOVA))
def test_analysis_of_variance_with_many_leading_digits(name):
    """NIST StRD analysis of variance: F to what a two-pass code reaches, down to 13 equal leading digits."""
    case = ANOVA[name]
    table = one_way([[float(v) for v in group] for group in case["groups"].values()])
    assert table.f_ratio == pytest.approx(float(case["F"]), rel=REACHED[name])
    assert table.residual_sd == pytest.approx(float(case["residual_sd"]), rel=REACHED[name])


@pytest.mark.parametrize("level", range(4))
def test_sulfur_in_coal(level):
    """ISO 5725-2:1994, B.1: mean, s_r and s_R as printed, three decimals; laboratories of 3 to 5 readings."""
    found = precision(PUBLISHED["coal"]["levels"][level])
    published = PUBLISHED["coal"]["published"]
    assert abs(found.mean - published["mean"][level]) <= 0.0005
    assert abs(found.repeatability_sd - published["s_r"][level]) <= 0.0005
    assert abs(found.reproducibility_sd - published["s_R"][level]) <= 0.0005
    assert found.repeatability_limit == pytest.approx(2.8 * found.repeatability_sd)


@pytest.mark.parametrize("material", ["A", "D", "E"])
def test_glucose(material):
    """ASTM E691 serum glucose: four printed decimals. Material A has no variance between laboratories."""
    found = precision(PUBLISHED["glucose"]["materials"][material])
    published = PUBLISHED["glucose"]["published"][material]
    assert abs(found.mean - published["mean"]) <= 0.0005  # E prints 294.492, three decimals
    assert abs(found.repeatability_sd - published["s_r"]) <= 0.00005
    assert abs(found.reproducibility_sd - published["s_R"]) <= 0.00005
    if material == "A":
        assert found.between_sd == 0.0


def test_dyestuff_batches():
    """Davies and Goldsmith 1972: between batches exactly 1764.05, residual 2451.25."""
    table = one_way(PUBLISHED["dyestuff"]["groups"])
    assert table.between_variance == pytest.approx(1764.05, rel=1e-12)
    assert table.ms_within == pytest.approx(2451.25, rel=1e-12)
    assert table.f_ratio == pytest.approx(4.59827, abs=5e-6)


def test_no_variance_between_batches_is_legal():
    """Box and Tiao 1973: batches vary less than the repeats explain; 0, not negative."""
    table = one_way(PUBLISHED["dyestuff2"]["groups"])
    assert table.between_variance == 0.0
    assert table.f_ratio < 1


def test_zener_standard_over_ten_days():
    """JCGM 100:2008, H.5 (from memory): pooled s_b 85 uV; F 2.26 (prints 2.25, from rounded values)."""
    zener = PUBLISHED["zener"]
    within = pooled(np.array(zener["daily_sd"], float) ** 2, [4] * 10)
    assert abs(within.sd - zener["published"]["s_b_uV"]) <= 0.5
    assert within.dof == 40
    ratio = 5 * np.var(zener["daily_mean"], ddof=1) / within.variance
    assert ratio == pytest.approx(2.26, abs=0.005)


def test_f_has_its_p_value():
    """F tables (from memory): the 5 % point for 3 and 12 degrees of freedom is 3.49."""
    scatter = np.array([-1.0, 1.0, -1.0, 1.0])  # mean square within: 16 / 12
    shift = np.array([-1.0, 0.0, 0.0, 1.0])  # mean square between: 4 * 2 / 3 times its square
    size = np.sqrt(3.49 * (16 / 12) / (8 / 3))
    table = one_way(scatter + size * shift[:, None])
    assert table.f_ratio == pytest.approx(3.49)
    assert table.p_value == pytest.approx(0.05, abs=0.0002)


def test_repeats_are_pooled_by_their_degrees_of_freedom():
    """Single readings add nothing; a known variance decides alone; nothing at all is refused."""
    assert pooled_within([[1.0, 3.0], [5.0], [2.0, 2.0, 5.0]]) == pytest.approx((8 / 3, 3))
    assert pooled([1.0, 9.0], [5, np.inf]) == (9.0, np.inf)
    with pytest.raises(ValueError, match="single reading"):
        pooled_within([[1.0], [2.0]])


def test_no_repeats_no_repeatability():
    """Refused, not zero."""
    with pytest.raises(ValueError, match="two readings"):
        precision([[1.0], [2.0]])
    with pytest.raises(ValueError, match="at least two groups"):
        one_way([[1.0, 2.0]])


def test_readings_that_do_not_scatter_are_legal():
    """All repeats alike: F infinite, variance between groups that of the means."""
    table = one_way([[1.0, 1.0], [3.0, 3.0]])
    assert table.f_ratio == np.inf
    assert table.between_variance == pytest.approx(2.0)
    assert table.p_value == 0.0
