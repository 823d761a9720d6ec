-- Statistics that recipes share. Lists are double[] of equal length, without nulls.

-- Slopes of all pairs of points whose x differ, in ascending order (Theil 1950, Sen 1968).
create macro pair_slopes(xs, ys) as list_sort(list_filter(
    flatten(list_transform(
        range(1, len(xs)),
        lambda i: list_transform(
            range(i + 1, len(xs) + 1),
            lambda j: case when xs[i] <> xs[j] then (ys[j] - ys[i]) / (xs[j] - xs[i]) end))),
    lambda slope: slope is not null));

-- Theil-Sen slope: the median of the pair slopes. Null where no two x differ.
create macro theil_sen_slope(xs, ys) as list_median(pair_slopes(xs, ys));

-- Its intercept (Conover 1980): the median of y less the slope times the median of x.
create macro theil_sen_intercept(xs, ys) as list_median(ys) - theil_sen_slope(xs, ys) * list_median(xs);

-- For ties: the sum over groups of t equal values of t(t-1)(2t+5).
create macro tie_sum(list) as coalesce(list_sum(list_transform(
    map_values(list_histogram(list)), lambda t: t * (t - 1) * (2 * t + 5))), 0);

-- Standard deviation of Kendall's S for these points, ties taken off (Sen 1968, equation 2.6).
create macro kendall_sd(xs, ys) as
    sqrt((len(xs) * (len(xs) - 1) * (2 * len(xs) + 5) - tie_sum(xs) - tie_sum(ys)) / 18);

-- 95 % interval of the Theil-Sen slope (Sen 1968): struct of low and high. 1.959963984540054 is the normal quantile
-- of 0.975. With few points it spans all slopes, as it should.
create macro theil_sen_95(xs, ys) as {
    'low': list_extract(pair_slopes(xs, ys), greatest(1, round_even(
        (len(pair_slopes(xs, ys)) - 1.959963984540054::double * kendall_sd(xs, ys)) / 2, 0)::bigint)),
    'high': list_extract(pair_slopes(xs, ys), least(len(pair_slopes(xs, ys)), 1 + round_even(
        (len(pair_slopes(xs, ys)) + 1.959963984540054::double * kendall_sd(xs, ys)) / 2, 0)::bigint))};

-- Student's t for 0.975, so that mean ± t·s/√n holds 95 %: exact to 1e-6 up to 30 degrees of freedom, above by the
-- expansion in 1/df of Abramowitz and Stegun 26.7.5 (error under 2e-6). Null below one degree of freedom.
create macro student_95(df) as case
    when df < 1 then null
    when df <= 30 then list_extract([
        12.706205, 4.302653, 3.182446, 2.776445, 2.570582, 2.446912, 2.364624, 2.306004, 2.262157, 2.228139,
        2.200985, 2.178813, 2.160369, 2.144787, 2.131450, 2.119905, 2.109816, 2.100922, 2.093024, 2.085963,
        2.079614, 2.073873, 2.068658, 2.063899, 2.059539, 2.055529, 2.051831, 2.048407, 2.045230, 2.042272]::double[], df::integer)
    else 1.959963984540054::double + 2.372271 / df + 2.822499 / df ** 2 + 2.555850 / df ** 3
end;

-- Half the width of the 95 % interval of a mean of n values with sample standard deviation sd. Null when n < 2.
create macro half_width_95(sd, n) as student_95(n - 1) * sd / sqrt(n);

-- Mean of v with weights w, over the rows of a group that have v. Null where their weights add up to nothing.
create macro weighted_mean(v, w) as sum(v * w) / nullif(sum(w) filter (v is not null), 0);
