"""Measured numbers against the worked examples of JCGM 100:2008."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from fairpanel.estimate.lines import straight_line
from fairpanel.measured import Component, Measured, combined

GUM = json.loads((Path(__file__).parent / "estimate" / "sources" / "uncertainty_gum.json").read_text())


def test_end_gauge_of_jcgm_100_example_h1():
    """JCGM 100:2008, H.1: u 32 nm of 25, 9.7, 2.9 and 16.6 nm, 16 effective degrees of freedom, U99 93 nm."""
    inputs, published = GUM["end_gauge"]["inputs"], GUM["end_gauge"]["published"]
    length, alpha, offset = inputs["ls"]["value"], inputs["alpha_s"]["value"], inputs["theta_bar"]["value"]
    rectangle = 1 / math.sqrt(3)
    gauge = Measured(
        length + inputs["d0"]["value"],
        (
            Component("ls", inputs["ls"]["u"], dof=inputs["ls"]["df"]),
            *(Component("d", inputs[k]["u"], dof=inputs[k]["df"]) for k in ("d0", "d1", "d2")),
            Component(
                "dalpha",
                -length * offset * inputs["dalpha"]["half_width"] * rectangle,
                dof=inputs["dalpha"]["df"],
            ),
            Component(
                "dtheta",
                -length * alpha * inputs["dtheta"]["half_width"] * rectangle,
                dof=inputs["dtheta"]["df"],
            ),
        ),
    )
    assert gauge.value == published["l_nm"]
    assert abs(gauge.standard_uncertainty - published["u_c"]) <= 0.5
    assert math.floor(gauge.dof) == published["nu_eff"]
    budget = dict(gauge.budget())
    assert [source for source, _ in gauge.budget()] == ["ls", "dtheta", "d", "dalpha"]
    assert budget["ls"] == published["contributions"]["ls"]
    for source in ("d", "dalpha", "dtheta"):
        assert abs(budget[source] - published["contributions"][source]) <= 0.05
    assert abs(published["t99"] * gauge.standard_uncertainty - published["U99"]) <= 0.6  # 2.92 is rounded itself


def test_thermometer_of_jcgm_100_example_h3():
    """JCGM 100:2008, H.3: correction at 30 C of -0.1494 C, u 0.0041 C, from intercept and slope that share
    errors.

    Without the shared error the uncertainty would be twice as large.
    """
    h3 = GUM["thermometer"]
    line = straight_line(np.array(h3["t"]) - h3["t0"], h3["b"])
    lower = np.linalg.cholesky(line.covariance)
    intercept, slope = (
        Measured(value, tuple(Component("line", s, key) for s, key in zip(row, ("first", "second")) if s))
        for value, row in zip((line.intercept, line.slope), lower)
    )
    at_30 = combined([intercept, slope], [1.0, 10.0])
    assert abs(at_30.value - h3["published"]["b30"]) <= 0.00005
    assert abs(at_30.standard_uncertainty - h3["published"]["u_b30"]) <= 0.00005
    apart = math.hypot(intercept.standard_uncertainty, 10 * slope.standard_uncertainty)
    assert apart == pytest.approx(0.0073, abs=0.0001)
