"""Medians and quantiles of small arrays, against numpy's."""

import numpy as np
import pytest

from fairpanel.picture.medians import MANY, median, quantiles


@pytest.mark.parametrize("n", [1, 2, 3, 8, 81, MANY, MANY + 1, MANY + 2])
@pytest.mark.parametrize("kind", [np.float64, np.float32, np.uint8])
def test_medians_are_numpys(n, kind):
    """To the last digit, along either axis, in the same precision."""
    values = (np.random.default_rng(n).random((n, 3)) * 200).astype(kind)
    for axis, array in ((0, values), (-1, values.T), (1, values.T[:, :, None])):
        found, wanted = median(array, axis=axis), np.median(array, axis=axis)
        assert (found == wanted).all() and found.shape == wanted.shape and found.dtype == wanted.dtype


@pytest.mark.parametrize("n", [1, 2, 5, 30, 401])
def test_quantiles_are_numpys(n):
    """To the last digit."""
    values, shares = np.random.default_rng(n).standard_normal(n), [0.0, 0.05, 0.25, 0.5, 0.75, 0.98, 1.0]
    assert quantiles(values, shares) == np.quantile(values, shares).tolist()
