"""Straight lines against certified and published ones."""

import json
from pathlib import Path

import numpy as np
import pytest

from fairpanel.estimate.lines import straight_line

SOURCES = Path(__file__).parent / "sources"


def test_thermometer_line_of_jcgm_100_example_h3():
    """JCGM 100:2008, H.3: printed decimals."""
    h3 = json.loads((SOURCES / "uncertainty_gum.json").read_text())["thermometer"]
    line = straight_line(np.array(h3["t"]) - h3["t0"], h3["b"])
    published = h3["published"]
    u = np.sqrt(np.diag(line.covariance))
    assert abs(line.intercept - published["y1"]) <= 0.00005
    assert abs(u[0] - published["u_y1"]) <= 0.00005
    assert abs(line.slope - published["y2"]) <= 0.000005
    assert abs(u[1] - published["u_y2"]) <= 0.000005
    assert abs(line.covariance[0, 1] / u.prod() - published["r"]) <= 0.005
    assert abs(line.residual_sd - published["s"]) <= 0.00005
    assert abs(line.at(10.0) - published["b30"]) <= 0.00005
    assert abs(line.uncertainty_at(10.0) - published["u_b30"]) <= 0.00005


def test_norris_line():
    """NIST StRD linear regression, Norris: 1e-9 relative."""
    norris = json.loads((SOURCES / "nist_strd_norris.json").read_text())["Norris"]
    line = straight_line(norris["x"], norris["y"])
    u = np.sqrt(np.diag(line.covariance))
    assert line.intercept == pytest.approx(float(norris["B0"]), rel=1e-9)
    assert line.slope == pytest.approx(float(norris["B1"]), rel=1e-9)
    assert u == pytest.approx([float(norris["sd_B0"]), float(norris["sd_B1"])], rel=1e-9)
    assert line.residual_sd == pytest.approx(float(norris["residual_sd"]), rel=1e-9)


def test_points_that_make_no_line_are_refused():
    """Two points leave nothing to judge by; one x gives no slope."""
    with pytest.raises(ValueError, match="at least three points"):
        straight_line([0.0, 1.0], [0.0, 1.0])
    with pytest.raises(ValueError, match="at least two different x"):
        straight_line([1.0, 1.0, 1.0], [0.0, 1.0, 2.0])
