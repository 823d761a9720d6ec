"""Trend, regression, change and many comparisons at once, in SQL: against published figures, scipy and numpy."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import Any

import duckdb
import numpy as np
import pytest
from scipy import stats

from rangebook.queries import ask, empty_catalogue, find

from .test_macros import NORRIS_X, NORRIS_Y
from .test_queries import SHOES_A, SHOES_B

# Yearly flow of the Nile at Aswan, 1871 to 1970, 1e8 m3 (Cobb 1978; Durbin and Koopman 2001; in R's datasets). Typed
# from memory; the means of 28 and 72 years and the squares left, published with them, hold it.
NILE = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969, 831,
    726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845,
    944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918,
    986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
]  # fmt: skip

# NIST/SEMATECH e-Handbook 6.3.2.3, tabular CUSUM: target 325, k 0.3175, h 4.1959
CUSUM = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
         328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]  # fmt: skip

# EPA QA/G-9S (2006), page 109: ties of 4 and 2
EPA = [10.0, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]


@pytest.fixture(scope="module")
def connection() -> duckdb.DuckDBPyConnection:
    return empty_catalogue()


def value(connection: duckdb.DuckDBPyConnection, expression: str, **lists: Any) -> Any:
    """The value of an expression; lists are bound as double[]."""
    for name, given in lists.items():
        lists[name] = [float(v) for v in given] if isinstance(given, Sequence) else float(given)
        kind = "double[]" if isinstance(given, Sequence) else "double"
        expression = expression.replace(f"${name}", f"${name}::{kind}")
    return connection.execute(f"select {expression}", lists).fetchall()[0][0]


# Trend.


def test_mann_kendall_of_the_epa_example(connection: duckdb.DuckDBPyConnection) -> None:
    """EPA QA/G-9S, page 109: S 22, variance 155.33, Z 1.685."""
    xs = range(11)
    assert value(connection, "kendall_s($x, $y)", x=xs, y=EPA) == 22
    assert value(connection, "kendall_sd($x, $y) ** 2", x=xs, y=EPA) == pytest.approx(155.33, abs=0.005)
    assert value(connection, "mann_kendall_z($x, $y)", x=xs, y=EPA) == pytest.approx(1.685, abs=0.0005)
    p = value(connection, "falling_p($x, list_transform($y, lambda v: -v))", x=xs, y=EPA)
    assert p == pytest.approx(0.0460, abs=0.00005)


def test_exact_chance_of_a_trend(connection: duckdb.DuckDBPyConnection) -> None:
    """EPA QA/G-9S: 5, 6, 11, 8, 10 give S 6, whose tabled probability for five values is 0.117 (14 of 120 orders)."""
    assert value(connection, "kendall_s($x, $y)", x=range(5), y=[5, 6, 11, 8, 10]) == 6
    assert value(connection, "falling_p($x, $y)", x=range(5), y=[-5, -6, -11, -8, -10]) == pytest.approx(14 / 120)


@pytest.mark.parametrize("n", [3, 4, 5, 6])
def test_the_exact_chance_is_the_share_of_all_orders(connection: duckdb.DuckDBPyConnection, n: int) -> None:
    orders = list(itertools.permutations(range(n)))
    rising = [sum(b > a for a, b in itertools.combinations(order, 2)) for order in orders]
    for order, pairs in list(zip(orders, rising, strict=True))[:: max(1, len(orders) // 20)]:
        share = sum(other <= pairs for other in rising) / len(orders)
        assert value(connection, "falling_p($x, $y)", x=range(n), y=order) == pytest.approx(share, rel=1e-12)


@pytest.mark.parametrize("n", [9, 10])
def test_the_exact_chance_agrees_with_scipy(connection: duckdb.DuckDBPyConnection, n: int) -> None:
    values = np.random.default_rng(n).normal(size=n).tolist()
    expected = stats.kendalltau(range(n), values, method="exact", alternative="less").pvalue
    assert value(connection, "falling_p($x, $y)", x=range(n), y=values) == pytest.approx(expected, rel=1e-12)


def test_many_values_go_by_the_normal_law(connection: duckdb.DuckDBPyConnection) -> None:
    values = (np.random.default_rng(1).normal(size=60) - 0.01 * np.arange(60)).tolist()
    expected = stats.kendalltau(range(60), values, method="asymptotic", alternative="less").pvalue
    found = value(connection, "falling_p($x, $y)", x=range(60), y=values)
    assert found == pytest.approx(expected, rel=0.05), "scipy leaves out the correction for continuity"
    assert value(connection, "falling_p($x, $y)", x=[1, 2], y=[2, 1]) is None


def test_slope_interval_of_several_blocks(connection: duckdb.DuckDBPyConnection) -> None:
    values = np.random.default_rng(2).normal(size=12).tolist()
    parts = "slopes_95(pair_slopes($x, $y), kendall_sd($x, $y))"
    assert value(connection, parts, x=range(12), y=values) == value(
        connection, "theil_sen_95($x, $y)", x=range(12), y=values
    )


# Probabilities.


def test_normal_tail(connection: duckdb.DuckDBPyConnection) -> None:
    for z in (-9, -2.5, -1, 0, 0.5, 1, 1.959963984540054, 3, 7, 7.0711, 8, 20):
        assert value(connection, "normal_tail($z)", z=z) == pytest.approx(stats.norm.sf(z), rel=1e-8)


@pytest.mark.parametrize("df", [1, 2, 3, 4, 5, 9, 30, 31, 250])
def test_student_p(connection: duckdb.DuckDBPyConnection, df: int) -> None:
    for t in (0, 0.1, 1, -2, 5, 12):
        expected = 2 * stats.t.sf(abs(t), df)
        assert value(connection, "student_p($t, $df)", t=t, df=df) == pytest.approx(expected, rel=1e-9, abs=1e-14)
    assert value(connection, "student_p(2, 0)") is None


# Means and lines.


def test_paired_shoes(connection: duckdb.DuckDBPyConnection) -> None:
    """Published: mean difference 0.41, t 3.35 with 9 degrees of freedom; further digits by scipy's paired t."""
    found = value(connection, "paired_95($a, $b)", a=SHOES_A, b=SHOES_B)
    assert found["n"] == 10 and found["mean"] == pytest.approx(0.41)
    assert (found["t"], found["p"]) == (pytest.approx(3.348877, abs=5e-7), pytest.approx(0.008539, abs=5e-7))
    interval = stats.ttest_rel(SHOES_B, SHOES_A).confidence_interval(0.95)
    assert (found["low"], found["high"]) == pytest.approx(tuple(interval), rel=1e-6)
    one = value(connection, "mean_95($a)", a=[5])
    assert one == {"n": 1, "mean": 5, "low": None, "high": None, "t": None, "p": None}


def test_least_squares_of_norris_is_as_certified(connection: duckdb.DuckDBPyConnection) -> None:
    """NIST StRD, certified values of Norris. Twelve digits are asked for: what double precision leaves by this way."""
    found = value(connection, "line_fit($x, $y, list_transform($x, lambda v: 1))", x=NORRIS_X, y=NORRIS_Y)
    certified = {
        "intercept": -0.262323073774029, "slope": 1.00211681802045, "intercept_u": 0.232818234301152,
        "slope_u": 0.000429796848199937, "residual_sd": 0.884796396144373,
    }  # fmt: skip
    assert found == {name: pytest.approx(figure, rel=1e-12) for name, figure in certified.items()}


def test_thermometer_of_the_guide(connection: duckdb.DuckDBPyConnection) -> None:
    """JCGM 100:2008, example H.3: intercept -0.1712(29) at 20 °C, slope 0.00218(67)."""
    at = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    off = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    found = value(connection, "line_fit($x, $y, list_transform($x, lambda v: 1))", x=[t - 20 for t in at], y=off)
    assert [round(found[name], 4) for name in ("intercept", "intercept_u")] == [-0.1712, 0.0029]
    assert [round(found[name], 5) for name in ("slope", "slope_u")] == [0.00218, 0.00067]


def test_weighted_line_agrees_with_numpy(connection: duckdb.DuckDBPyConnection) -> None:
    chance = np.random.default_rng(3)
    xs, weights = chance.normal(50, 9, 15), chance.uniform(0.2, 4, 15)
    ys = 3 - 0.7 * xs + chance.normal(0, 1 / np.sqrt(weights))
    fit, covariance = np.polyfit(xs, ys, 1, w=np.sqrt(weights), cov=True)
    found = value(connection, "line_fit($x, $y, $w)", x=xs.tolist(), y=ys.tolist(), w=weights.tolist())
    assert [found["slope"], found["intercept"]] == pytest.approx(fit.tolist(), rel=1e-9)
    assert [found["slope_u"], found["intercept_u"]] == pytest.approx(np.sqrt(np.diag(covariance)).tolist(), rel=1e-9)


def test_too_little_gives_no_line(connection: duckdb.DuckDBPyConnection) -> None:
    ones = "line_fit($x, $y, list_transform($x, lambda v: 1))"
    assert set(value(connection, ones, x=[1, 1], y=[2, 3]).values()) == {None}
    two = value(connection, ones, x=[1, 2], y=[2, 4])
    assert (two["slope"], two["slope_u"]) == (2, None)


# Many comparisons at once.


def test_false_discovery_agrees_with_scipy(connection: duckdb.DuckDBPyConnection) -> None:
    for ps in ([0.01, 0.04, 0.03, 0.005, 0.04], [0.5], np.random.default_rng(4).uniform(size=12).tolist()):
        found = [value(connection, "false_discovery($p, $all)", p=p, all=ps) for p in ps]
        assert found == pytest.approx(stats.false_discovery_control(ps).tolist(), rel=1e-12)


def test_holm_by_its_definition(connection: duckdb.DuckDBPyConnection) -> None:
    """Holm 1979: the smallest p times m, the next times m - 1, ..., never less than the one before."""
    for ps in ([0.01, 0.04, 0.03, 0.005, 0.04], [0.5], np.random.default_rng(5).uniform(0, 0.1, 12).tolist()):
        steps = [(len(ps) - place) * p for place, p in enumerate(sorted(ps))]
        expected = dict(zip(sorted(ps), np.minimum(1, np.maximum.accumulate(steps)), strict=True))
        by_first = {p: min(1, max(step for q, step in zip(sorted(ps), steps, strict=True) if q <= p)) for p in ps}
        found = [value(connection, "holm($p, $all)", p=p, all=ps) for p in ps]
        assert found == pytest.approx([by_first[p] for p in ps], rel=1e-12)
        assert found == pytest.approx([expected[p] for p in ps], rel=1e-12)
    assert value(connection, "holm($p, $all)", p=0.4, all=[0.4, 0.5, 0.9]) == 1


# Change.


def test_tabular_cusum_of_the_handbook(connection: duckdb.DuckDBPyConnection) -> None:
    """NIST e-Handbook 6.3.2.3: the upper sum is 0.0325 at 5, 3.0075 at 13, and passes h at 14 with 4.94."""
    high = value(connection, "cusum_high($v, 325, 0.3175)", v=CUSUM)
    assert {n: round(s, 4) for n, s in enumerate(high, 1) if s} == {
        5: 0.0325, 13: 3.0075, 14: 4.94, 15: 7.4475, 16: 10.63, 17: 11.9875, 18: 14.445, 19: 16.0025, 20: 19.035,
    }  # fmt: skip
    assert next(n for n, s in enumerate(high, 1) if s > 4.1959) == 14
    low = value(connection, "cusum_high(list_transform($v, lambda x: -x), -325, 0.3175)", v=CUSUM)
    assert (low.index(max(low)) + 1, round(max(low), 4)) == (8, 0.715)


def test_one_break_of_the_nile(connection: duckdb.DuckDBPyConnection) -> None:
    """After 28 years (1898), means 1097.75 and 849.97; Pettitt's K is 1617 there, p 3.6e-7."""
    found = value(connection, "one_break($v, 1)", v=NILE)
    assert (found["n_before"], found["before"], round(found["after"], 4)) == (28, 1097.75, 849.9722)
    assert found["squares"] == pytest.approx(1597457.194, abs=0.0005)
    assert value(connection, "pettitt_k($v)", v=NILE) == 1617
    assert value(connection, "pettitt_p($v)", v=NILE) == pytest.approx(3.6e-7, abs=5e-9)


def test_one_break_keeps_enough_on_each_side(connection: duckdb.DuckDBPyConnection) -> None:
    values = [0, 9, 9, 9, 9, 9, 10]
    assert value(connection, "one_break($v, 1)", v=values)["n_before"] == 1
    assert value(connection, "one_break($v, 3)", v=values)["n_before"] == 3
    assert value(connection, "one_break($v, 4)", v=values) is None
    assert value(connection, "pettitt_p($v)", v=[1, 2, 3]) == 1


def test_lead_is_told_by_its_chemistry(connection: duckdb.DuckDBPyConnection) -> None:
    kinds = ("flooded", "AGM", "gel", "LFP", "NMC", "LTO")
    found = [connection.execute("select is_lead($kind)", {"kind": kind}).fetchall()[0][0] for kind in kinds]
    assert found == [True, True, True, False, False, False]
    assert value(connection, "is_lead(null)") is False


# Whole recipes against published figures.


def book_of(rows: Sequence[Mapping[str, Any]]) -> duckdb.DuckDBPyConnection:
    connection = empty_catalogue()
    connection.execute("set TimeZone = 'UTC'")
    for number, row in enumerate(rows):
        given = {"test": f"T{number}", "kind": "range", "cart": "C1", "pack": "P1", **row}
        connection.execute(
            f"insert into test_results ({', '.join(given)}) values ({', '.join('$' + name for name in given)})", given
        )
    return connection


def test_season_within_settings_is_the_analysis_of_covariance() -> None:
    """Snedecor and Cochran's drugs on leprosy (the example of SAS's GLM): slope 0.98718, standard error 0.16450, 26
    degrees of freedom. Drug is settings, the score before is the ambient, the score after (and 100) the consumption."""
    scores = {
        "A": [(11, 6), (8, 0), (5, 2), (14, 8), (19, 11), (6, 4), (10, 13), (6, 1), (11, 8), (3, 0)],
        "D": [(6, 0), (6, 2), (7, 3), (8, 1), (18, 18), (8, 4), (19, 14), (8, 9), (5, 1), (15, 9)],
        "F": [(16, 13), (13, 10), (11, 18), (9, 5), (21, 23), (16, 12), (12, 5), (12, 16), (7, 1), (12, 20)],
    }
    connection = book_of([
        {"settings": drug, "ambient_celsius": before, "consumption_wh_per_km": 100 + after}
        for drug, pairs in scores.items() for before, after in pairs
    ])  # fmt: skip
    found = ask(connection, find("season_effect"), {}).to_pylist()[0]
    assert (found["tests"], found["groups"]) == (30, 3)
    assert found["consumption_change_wh_per_km"] == pytest.approx(-9.8718, abs=0.0005)
    half = (found["high_percent"] - found["low_percent"]) / 2 * found["consumption_change_wh_per_km"]
    half /= found["change_percent"] * stats.t.ppf(0.975, 26)
    assert half == pytest.approx(1.6450, abs=0.00005)


def test_before_and_after_of_the_shoes() -> None:
    """One test before and one after with each of ten settings is the paired comparison: t 3.348877."""
    rows = [
        {"settings": f"S{n}", "started": f"2026-0{month}-01", "consumption_wh_per_km": wear}
        for month, wears in ((1, SHOES_A), (3, SHOES_B)) for n, wear in enumerate(wears)
    ]  # fmt: skip
    found = ask(book_of(rows), find("before_after"), {"date": "2026-02-01"}).to_pylist()[0]
    assert (found["before_tests"], found["after_tests"], found["verdict"]) == (10, 10, "more after")
    assert found["consumption_change_wh_per_km"] == pytest.approx(0.41)
    half = (found["high_percent"] - found["change_percent"]) / found["change_percent"]
    assert stats.t.ppf(0.975, 9) / half == pytest.approx(3.348877, rel=1e-6)


def test_settings_with_one_cart_are_student_tests_corrected_after_holm() -> None:
    chance = np.random.default_rng(6)
    values = {name: chance.normal(level, 0.05, n) for name, level, n in (("a", 4, 4), ("b", 3.9, 5), ("c", 3.8, 6))}
    rows = [{"settings": name, "range_metre": float(np.exp(v))} for name, logs in values.items() for v in logs]
    found = {row["settings"]: row for row in ask(book_of(rows), find("best_range_settings"), {}).to_pylist()}
    ps = {pair: stats.ttest_ind(values[pair[0]], values[pair[1]]).pvalue for pair in itertools.combinations("abc", 2)}
    order = sorted(ps, key=lambda pair: ps[pair])
    steps = np.minimum(1, np.maximum.accumulate([(3 - place) * ps[pair] for place, pair in enumerate(order)]))
    holm = dict(zip(order, steps, strict=True))
    assert [found[name]["rank"] for name in "abc"] == [1, 2, 3]
    for name in "bc":
        interval = stats.ttest_ind(values[name], values["a"]).confidence_interval()
        assert found[name]["p"] == pytest.approx(holm["a", name], rel=1e-9)
        assert found[name]["low_percent"] == pytest.approx(100 * np.expm1(interval.low), rel=1e-5)
        assert found[name]["high_percent"] == pytest.approx(100 * np.expm1(interval.high), rel=1e-5)


def test_least_squares_by_consumption_turns_the_sign() -> None:
    rows = [{"settings": name, "consumption_wh_per_km": wh} for name, wh in
            (("a", 50.0), ("a", 50.5), ("a", 49.5), ("b", 100.0), ("b", 101.0), ("b", 99.0))]  # fmt: skip
    first, second = ask(book_of(rows), find("best_range_settings"), {"by": "consumption"}).to_pylist()
    assert (first["settings"], first["better_than"], second["verdict"]) == ("a", "b", "worse than a")
    assert second["difference_percent"] == pytest.approx(100, rel=1e-4)
    assert second["low_percent"] < second["difference_percent"] < second["high_percent"]
