-- Statistics that recipes share. Lists are double[] of equal length, without nulls. `list_transform([x], lambda v: ...)[1]`
-- gives x the name v, so that it is worked out once: a macro has no other way to say "let".

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

-- 95 % interval of the median of pair slopes in ascending order, sd being that of Kendall's S (Sen 1968): struct of low
-- and high. 1.959963984540054 is the normal quantile of 0.975. With few points it spans all slopes, as it should.
create macro slopes_95(slopes, sd) as {
    'low': list_extract(slopes, greatest(1, round_even(
        (len(slopes) - 1.959963984540054::double * sd) / 2, 0)::bigint)),
    'high': list_extract(slopes, least(len(slopes), 1 + round_even(
        (len(slopes) + 1.959963984540054::double * sd) / 2, 0)::bigint))};

-- The same for the Theil-Sen slope of these points.
create macro theil_sen_95(xs, ys) as slopes_95(pair_slopes(xs, ys), kendall_sd(xs, ys));

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

-- Whether a pack of this chemistry is lead-acid, whose capacity hangs on the current it is drawn with.
create macro is_lead(chemistry) as coalesce(chemistry in ('flooded', 'AGM', 'gel'), false);

-- Student's t to its two-sided probability: the finite sums of Abramowitz and Stegun 26.7.3 and 26.7.4, for whole
-- degrees of freedom. Below 1e-15 it is noise.
create macro student_p(t, df) as case when df >= 1 then list_transform(
    [{'angle': atan(abs(t) / sqrt(df)), 'terms': coalesce(list_sum(list_transform(
        range(1, (df::bigint - df::bigint % 2) // 2),
        lambda k: (df / (df + t::double ** 2)) ** k * list_product(list_transform(
            range(1, k + 1),
            lambda j: if(df::bigint % 2 = 0, (2 * j - 1) / (2 * j), 2 * j / (2 * j + 1)))))), 0)}],
    lambda s: greatest(0, case
        when df = 1 then 1 - 2 * s.angle / pi()
        when df::bigint % 2 = 0 then 1 - sin(s.angle) * (1 + s.terms)
        else 1 - 2 / pi() * (s.angle + sin(s.angle) * cos(s.angle) * (1 + s.terms))
    end))[1] end;

-- Chance that a standard normal value is above z, for z of nought and more (Hart 1968, as West 2005 writes it).
create macro normal_half(z) as case
    when z < 7.07106781186547 then exp(-z * z / 2)
        * ((((((3.52624965998911e-2 * z + 0.700383064443688) * z + 6.37396220353165) * z + 33.912866078383) * z
            + 112.079291497871) * z + 221.213596169931) * z + 220.206867912376)
        / (((((((8.83883476483184e-2 * z + 1.75566716318264) * z + 16.064177579207) * z + 86.7807322029461) * z
            + 296.564248779674) * z + 637.333633378831) * z + 793.826512519948) * z + 440.413735824752)
    else exp(-z * z / 2) / (z + 1 / (z + 2 / (z + 3 / (z + 4 / (z + 0.65))))) / sqrt(2 * pi())
end;

-- Chance that a standard normal value is above z; z of either sign.
create macro normal_tail(z) as case
    when z < 0 then 1 - normal_half(abs(z::double))
    else normal_half(z::double)
end;

-- Holm's adjusted p of one p among all those tested together, itself among them (Holm 1979).
create macro holm(p, ps) as least(1, list_max(list_transform(
    list_filter(ps, lambda q: q <= p),
    lambda q: q * (len(ps) - len(list_filter(ps, lambda r: r < q))))));

-- Adjusted p for the false discovery rate, among all those tested together (Benjamini and Hochberg 1995).
create macro false_discovery(p, ps) as least(1, list_min(list_transform(
    list_filter(ps, lambda q: q >= p),
    lambda q: q * len(ps) / len(list_filter(ps, lambda r: r <= q)))));

-- Kendall's S: pairs that rise less pairs that fall. With times as xs it is the S of Mann and Kendall.
create macro kendall_s(xs, ys) as coalesce(list_sum(list_transform(
    range(1, len(xs)),
    lambda i: list_sum(list_transform(
        range(i + 1, len(xs) + 1),
        lambda j: sign(xs[j] - xs[i]) * sign(ys[j] - ys[i]))))), 0);

-- The Z of the Mann-Kendall trend test, with ties and with the correction for continuity (EPA QA/G-9S).
create macro mann_kendall_z(xs, ys) as
    (kendall_s(xs, ys) - sign(kendall_s(xs, ys))) / nullif(kendall_sd(xs, ys), 0);

-- Chance of 0, 1, 2 ... rising pairs among n values in chance order: the counts of Kendall 1938.
create macro rising_pairs_chance(n) as list_reduce(
    list_transform(range(2, n + 1), lambda k: [k::double]),
    lambda so_far, k: list_transform(
        range(1, len(so_far) + k[1]::bigint),
        lambda i: list_sum(so_far[greatest(1, i - k[1]::bigint + 1):least(i, len(so_far))]) / k[1]),
    [1::double]);

-- Chance that values without a trend fall with x as much as these or more: exact up to 10 values without ties, else
-- by the normal law. Null below 3 values.
create macro falling_p(xs, ys) as case
    when len(xs) < 3 then null
    when len(xs) <= 10 and len(list_distinct(xs)) = len(xs) and len(list_distinct(ys)) = len(ys) then
        list_sum(rising_pairs_chance(len(xs))[
            1:((len(xs) * (len(xs) - 1) / 2 + kendall_s(xs, ys)) / 2)::bigint + 1])
    else normal_tail(-mann_kendall_z(xs, ys))
end;

-- Sum of the products of two lists and their weights, to full precision.
create macro products(us, vs, ws) as list_aggregate(
    list_transform(range(1, len(us) + 1), lambda i: (us[i] * vs[i] * ws[i])::double), 'fsum');

-- Mean of a list with weights.
create macro list_weighted_mean(vs, ws) as products(vs, list_transform(vs, lambda v: 1), ws)
    / nullif(list_aggregate(list_transform(ws, lambda w: w::double), 'fsum'), 0);

-- A list less its weighted mean.
create macro centred(vs, ws) as
    list_transform([list_weighted_mean(vs, ws)], lambda m: list_transform(vs, lambda v: v - m))[1];

-- Weighted least squares of a line by its normal equations about the mean: struct of slope, intercept, their standard
-- deviations slope_u and intercept_u (null below 3 points), and residual_sd. Weights go as 1/u²; all 1 is ordinary
-- least squares. Null where no two x differ.
create macro line_fit(xs, ys, ws) as list_transform(
    [{'x': centred(xs, ws), 'y': centred(ys, ws), 'at': list_weighted_mean(xs, ws), 'mean': list_weighted_mean(ys, ws)}],
    lambda c: list_transform(
        [{'squares': nullif(products(c.x, c.x, ws), 0),
            'slope': products(c.x, c.y, ws) / nullif(products(c.x, c.x, ws), 0)}],
        lambda f: list_transform(
            [list_transform(range(1, len(xs) + 1), lambda i: c.y[i] - f.slope * c.x[i])],
            lambda rest: list_transform(
                [sqrt(products(rest, rest, ws) / nullif(greatest(len(xs) - 2, 0), 0))],
                lambda sd: {
                    'slope': f.slope, 'intercept': c.mean - f.slope * c.at, 'slope_u': sd / sqrt(f.squares),
                    'intercept_u': sd * sqrt(1 / list_sum(ws) + c.at ** 2 / f.squares), 'residual_sd': sd})[1])[1])[1])[1];

-- Mean of a list with its 95 % interval by Student's t, and t and p of its being nought: struct of n, mean, low, high,
-- t and p. One value has a mean only.
create macro mean_95(vs) as {
    'n': len(vs), 'mean': list_avg(vs),
    'low': list_avg(vs) - half_width_95(list_stddev_samp(vs), len(vs)),
    'high': list_avg(vs) + half_width_95(list_stddev_samp(vs), len(vs)),
    't': list_avg(vs) / nullif(list_stddev_samp(vs), 0) * sqrt(len(vs)),
    'p': student_p(list_avg(vs) / nullif(list_stddev_samp(vs), 0) * sqrt(len(vs)), len(vs) - 1)};

-- The same for the differences of pairs, second less first.
create macro paired_95(firsts, seconds) as
    mean_95(list_transform(range(1, len(firsts) + 1), lambda i: seconds[i] - firsts[i]));

-- Tabular CUSUM, upper side: what piles up above target + k, never below nought (NIST e-Handbook 6.3.2.3). The lower
-- side is that of the negative values about the negative target.
create macro cusum_high(vs, target, k) as list_reduce(
    list_transform(vs, lambda v: [v::double]),
    lambda sums, v: list_append(sums, greatest(0, sums[len(sums)] + v[1] - target - k)),
    [0::double])[2:];

-- The place where one step in the level fits best by least squares, with `least` values or more on each side: struct of
-- n_before, before and after (means) and squares (what is left). Null where there are too few values.
create macro one_break(vs, least) as case when len(vs) >= 2 * least then list_reduce(
    list_transform(
        range(least, len(vs) - least + 1),
        lambda n: {
            'n_before': n, 'before': list_avg(vs[1:n]), 'after': list_avg(vs[n + 1:]),
            'squares': list_var_pop(vs[1:n]) * n + list_var_pop(vs[n + 1:]) * (len(vs) - n)}),
    lambda best, other: if(other.squares < best.squares, other, best)) end;

-- Pettitt's K: over all places, the most that values after it stand above those before it, in pairs, or below.
create macro pettitt_k(vs) as list_max(list_transform(
    range(1, len(vs)),
    lambda n: abs(list_sum(list_transform(
        vs[1:n],
        lambda v: list_sum(list_transform(vs[n + 1:], lambda w: sign(w - v))))))));

-- Chance of so clear a step where there is none, the place being sought in the same values (Pettitt 1979).
create macro pettitt_p(vs) as least(1, 2 * exp(-6 * pettitt_k(vs)::double ** 2 / (len(vs)::double ** 3 + len(vs) ** 2)));
