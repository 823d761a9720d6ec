"""Least squares against certified and independent answers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from rangebook.pipeline.measures.least_squares import entangled, fit

# NIST Statistical Reference Datasets, linear regression, Norris (36 observations): interlaboratory calibration of
# ozone monitors. https://www.itl.nist.gov/div898/strd/lls/lls.shtml
NORRIS_Y = """0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8
 557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"""
NORRIS_X = """0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6
 556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"""


def numbers(text: str) -> np.ndarray:
    return np.array([float(word) for word in text.split()])


def test_norris_to_the_certified_digits() -> None:
    x, y = numbers(NORRIS_X), numbers(NORRIS_Y)
    found = fit(np.c_[np.ones(len(x)), x], y)
    assert found.value == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    assert found.u == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-11)
    assert found.scatter == pytest.approx(0.884796396144373, rel=1e-11)


@pytest.mark.parametrize(
    ("x", "y", "slope", "u", "scatter"),
    [
        # NIST StRD NoInt1 and NoInt2; residual standard deviation of NoInt2 is sqrt(0.272727272727272 / 2).
        (range(60, 71), range(130, 141), 2.07438016528926, 0.0165289256198347, 3.56753034006338),
        ((4, 5, 6), (3, 4, 4), 0.727272727272727, 0.0420827318078432, np.sqrt(0.272727272727272 / 2)),
    ],
)
def test_lines_through_nothing_to_the_certified_digits(
    x: range, y: range, slope: float, u: float, scatter: float
) -> None:
    found = fit(np.array(x, dtype=float)[:, None], np.array(y, dtype=float))
    assert found.value[0] == pytest.approx(slope, rel=1e-12)
    assert found.u[0] == pytest.approx(u, rel=1e-12)
    assert found.scatter == pytest.approx(scatter, rel=1e-12)


SEEDS = st.integers(0, 2**32 - 1)


@settings(max_examples=200, deadline=None)
@given(SEEDS, st.integers(1, 6))
def test_without_going_negative_as_another_library_has_it(seed: int, unknowns: int) -> None:
    # scipy.optimize.nnls, an implementation of its own of Lawson and Hanson's.
    rng = np.random.default_rng(seed)
    columns, wanted = rng.normal(size=(unknowns + 12, unknowns)), rng.normal(size=unknowns + 12)
    found = fit(columns, wanted, low=np.zeros(unknowns))
    best, _ = optimize.nnls(columns, wanted)
    assert found.value == pytest.approx(best, abs=1e-9)
    assert (found.value[~found.free] == 0).all()


@settings(max_examples=200, deadline=None)
@given(SEEDS, st.integers(1, 6))
def test_inside_boxes_as_another_library_has_it(seed: int, unknowns: int) -> None:
    rng = np.random.default_rng(seed)
    columns, wanted = rng.normal(size=(40, unknowns)) * 10.0 ** rng.integers(-4, 5, unknowns), rng.normal(size=40)
    scale = np.linalg.norm(columns, axis=0)
    low, high = -rng.random(unknowns) / scale, rng.random(unknowns) / scale
    low[rng.random(unknowns) < 0.2], high[rng.random(unknowns) < 0.2] = -np.inf, np.inf
    weight = rng.random(40) + 0.1
    root = np.sqrt(weight)
    best = optimize.lsq_linear(
        columns / scale * root[:, None], wanted * root, (low * scale, high * scale), method="bvls"
    )
    found = fit(columns, wanted, weight, low, high)
    assert found.value * scale == pytest.approx(best.x, abs=1e-8)


def test_a_weight_of_two_is_a_row_twice() -> None:
    rng = np.random.default_rng(7)
    columns, wanted = rng.normal(size=(20, 3)), rng.normal(size=20)
    once = fit(columns, wanted, np.r_[2.0, np.ones(19)])
    twice = fit(columns[[0, *range(20)]], wanted[[0, *range(20)]])
    assert once.value == pytest.approx(twice.value, rel=1e-12)


def test_covariance_is_what_repeats_scatter_by() -> None:
    # 4000 repeats with scatter 0.3; the variance of a variance is 2/n: 2.2 % on one sigma, 10 % is over four.
    rng = np.random.default_rng(8)
    columns = np.c_[np.ones(50), np.linspace(0, 3, 50)]
    found = np.array([fit(columns, columns @ [1.0, 2.0] + rng.normal(0, 0.3, 50)).value for _ in range(4000)])
    stated = fit(columns, columns @ [1.0, 2.0] + rng.normal(0, 0.3, 50))
    assert np.cov(found.T) == pytest.approx(stated.covariance / stated.scatter**2 * 0.09, rel=0.1)


def test_columns_that_depend_on_each_other_are_named() -> None:
    rng = np.random.default_rng(10)
    level, other = np.linspace(1, 2, 30), rng.normal(size=30)
    assert entangled(np.c_[level, other, 3 * level]).tolist() == [True, False, True]
    assert entangled(np.c_[level, np.zeros(30), other]).tolist() == [False, True, False]
    assert not entangled(np.eye(3) * [1.0, 1e6, 1e-6]).any()  # the unit a column is in does not matter


@pytest.mark.parametrize(("angle", "apart"), [(2 * np.arctan(1 / 29), True), (2 * np.arctan(1 / 31), False)])
def test_two_columns_are_entangled_beyond_a_condition_of_thirty(angle: float, apart: bool) -> None:
    # Two columns of length 1 at an angle a have the condition cot(a / 2): by hand, their products have 1 +- cos a
    # as eigenvalues.
    columns = np.array([[1.0, np.cos(angle)], [0.0, np.sin(angle)]])
    assert entangled(columns).tolist() == [not apart, not apart]


def test_a_million_rows() -> None:
    rng = np.random.default_rng(9)
    columns = rng.random((1_000_000, 4))
    found = fit(columns, columns @ [1.0, 0.0, 3.0, 0.5], low=np.zeros(4))
    assert found.value == pytest.approx([1.0, 0.0, 3.0, 0.5], abs=1e-9)


def test_too_few_rows_are_refused() -> None:
    with pytest.raises(ValueError, match="2 rows for 3 unknowns"):
        fit(np.ones((2, 3)), np.ones(2))
    with pytest.raises(ValueError, match="bounds"):
        fit(np.ones((3, 1)), np.ones(3), low=np.array([1.0]), high=np.array([0.0]))
