"""Quantiles are numpy's own, to the last digits but one."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from monitor.bank.quantiles import median, quantiles

TABLES = arrays(np.float64, array_shapes(min_dims=1, max_dims=2, max_side=9), elements=st.floats(-1e6, 1e6))


@given(TABLES, st.lists(st.floats(0, 1), min_size=1, max_size=4))
def test_they_are_numpys_linear_ones(values, shares):
    expected = np.quantile(values, shares, axis=-1)
    np.testing.assert_allclose(np.array(quantiles(values, shares)), expected, rtol=1e-9, atol=1e-6)


@given(TABLES)
def test_the_median_is_numpys(values):
    np.testing.assert_allclose(median(values), np.median(values, axis=-1), rtol=1e-12, atol=1e-9)
