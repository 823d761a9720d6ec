"""Shared statistics against scipy and published figures."""

from __future__ import annotations

from collections.abc import Sequence

import duckdb
import numpy as np
import pytest
from scipy import stats

from rangebook.queries import empty_catalogue
from rangebook.queries.recipe import HERE

# NIST StRD linear regression, data set Norris (https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml): y, then x
NORRIS_Y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3,
            448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6,
            228.9, 668.4, 449.2, 0.2]  # fmt: skip
NORRIS_X = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0,
            447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3,
            229.2, 669.1, 448.9, 0.5]  # fmt: skip


@pytest.fixture(scope="module")
def connection() -> duckdb.DuckDBPyConnection:
    return empty_catalogue()


def theil_sen(connection: duckdb.DuckDBPyConnection, xs: Sequence[float], ys: Sequence[float]) -> list[float]:
    """Slope, intercept, low and high end of the slope's interval."""
    found = connection.execute(
        "select theil_sen_slope(x, y), theil_sen_intercept(x, y), theil_sen_95(x, y) "
        "from (select $x::double[] as x, $y::double[] as y)",
        {"x": list(xs), "y": list(ys)},
    ).fetchall()[0]
    return [found[0], found[1], found[2]["low"], found[2]["high"]]


def test_theil_sen_on_norris(connection: duckdb.DuckDBPyConnection) -> None:
    """scipy.stats.theilslopes on the NIST data: 1.0021968365536, -0.0640158, 1.0011153 to 1.0030534."""
    found = theil_sen(connection, NORRIS_X, NORRIS_Y)
    assert found == pytest.approx([1.0021968365536, -0.0640158, 1.0011153, 1.0030534], abs=5e-8)
    assert found == pytest.approx(list(stats.theilslopes(NORRIS_Y, NORRIS_X)), rel=1e-12)


@pytest.mark.parametrize("n", [2, 3, 4, 5, 9, 40])
@pytest.mark.parametrize("ties", [False, True])
def test_theil_sen_agrees_with_scipy(connection: duckdb.DuckDBPyConnection, n: int, ties: bool) -> None:
    chance = np.random.default_rng(n)
    for _ in range(10):
        xs, ys = chance.normal(size=n), chance.normal(size=n)
        if ties:
            xs, ys = np.round(xs), np.round(ys, 1)
            xs[0] = 9
        expected = list(stats.theilslopes(ys, xs))
        assert theil_sen(connection, xs.tolist(), ys.tolist()) == pytest.approx(expected, rel=1e-12, abs=1e-14)


def test_sen_slope_of_the_epa_examples(connection: duckdb.DuckDBPyConnection) -> None:
    """Series of EPA QA/G-9S (2006), the trend examples: Sen slopes 1.0 and 1.125, pair slopes worked by hand."""
    series = [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]
    assert theil_sen(connection, range(11), series)[0] == 1.0
    pairs = connection.execute("select pair_slopes([1.0, 2, 3, 4, 5], [5.0, 6, 11, 8, 10])").fetchall()[0][0]
    assert pairs == pytest.approx([-3, -0.5, 1, 1, 1, 1.25, 4 / 3, 2, 3, 5])
    assert theil_sen(connection, range(5), [5, 6, 11, 8, 10])[0] == 1.125


def test_standard_deviation_of_kendalls_s(connection: duckdb.DuckDBPyConnection) -> None:
    """EPA QA/G-9S (2006), page 109: ties of 4 and 2 in 11 values give a variance of 155.33."""
    series = [10.0, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]
    found = connection.execute("select kendall_sd(range(11)::double[], $y::double[]) ** 2", {"y": series}).fetchall()
    assert found[0][0] == pytest.approx(155.33, abs=0.005)


def test_too_little_gives_no_slope(connection: duckdb.DuckDBPyConnection) -> None:
    assert theil_sen(connection, [1], [2]) == [None] * 4
    assert theil_sen(connection, [1, 1], [2, 3]) == [None] * 4


def test_students_t(connection: duckdb.DuckDBPyConnection) -> None:
    """NIST/SEMATECH e-Handbook 1.3.6.7.2, upper critical values of Student's t, column 0.975; and scipy."""
    table = {1: 12.706, 2: 4.303, 5: 2.571, 10: 2.228, 20: 2.086, 30: 2.042, 31: 2.040, 60: 2.000, 100: 1.984}
    found = dict(connection.execute("select n, student_95(n) from range(1, 400) t(n)").fetchall())
    assert {n: round(found[n], 3) for n in table} == table
    assert max(abs(found[n] - stats.t.ppf(0.975, n)) for n in found) < 2e-6
    assert connection.execute("select student_95(0)").fetchall() == [(None,)]


def test_interval_of_a_mean(connection: duckdb.DuckDBPyConnection) -> None:
    values = [5.1, 4.9, 5.6, 5.8, 5.0]
    half = connection.execute(
        "select half_width_95(stddev_samp(v), count(*)) from (select unnest($v::double[]) as v)", {"v": values}
    ).fetchall()[0][0]
    low, high = stats.t.interval(0.95, 4, np.mean(values), stats.sem(values))
    assert half == pytest.approx((high - low) / 2, rel=1e-6)


def test_weighted_mean(connection: duckdb.DuckDBPyConnection) -> None:
    mean = "select weighted_mean(v, w) from (values (1.0, 3.0), (5.0, 1.0), (null, 7.0), (9.0, 0.0)) t(v, w)"
    assert connection.execute(mean).fetchall() == [(2.0,)]
    assert connection.execute("select weighted_mean(v, w) from (values (1.0, 0.0)) t(v, w)").fetchall() == [(None,)]


def test_each_macro_says_what_it_is() -> None:
    text = (HERE / "macros.sql").read_text(encoding="utf-8")
    blocks = [block for block in text.split("\n\n") if "create macro" in block]
    assert len(blocks) == text.count("create macro")
    assert all(block.startswith("-- ") for block in blocks)
