-- title: What the settings do to consumption
-- asks: On the same cart, how much more or less energy does each settings use for a distance than the one most
--       tests were driven with?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param until (date, default null): last day that counts; none given: to the end
-- param cart (text, default null): this cart only
-- param kind (text, default range): tests of this kind
-- param route (text, default null): tests on this route only
-- param against (text, default null): the settings to compare with; none given: those of most tests
-- column settings: settings
-- column against: against; the settings compared with
-- column carts: carts; driven with both
-- column tests: tests; of those carts with either settings
-- column difference_wh_per_km [W.h/km]: difference in consumption; on the same cart, mean over carts
-- column low_wh_per_km [W.h/km]: difference, low end; of its 95 % interval
-- column high_wh_per_km [W.h/km]: difference, high end; of its 95 % interval
-- column verdict: verdict; at 95 % for each pair by itself
-- column naive_wh_per_km [W.h/km]: naive mean; over all carts, which mixes the cart with the settings
-- column naive_tests: tests in the naive mean
-- plot: {"layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low_wh_per_km", "type": "quantitative"},
--         "x2": {"field": "high_wh_per_km"}, "y": {"field": "settings", "type": "nominal", "sort": null}}},
--     {"mark": {"type": "rule", "strokeDash": [4, 3], "color": "gray"}, "encoding": {"x": {"datum": 0}}},
--     {"mark": "point", "encoding": {"x": {"field": "difference_wh_per_km", "type": "quantitative"},
--         "y": {"field": "settings", "type": "nominal", "sort": null}}}]}

-- Each cart is its own yardstick: settings are compared within a cart, and the carts' differences are averaged with
-- weights n·m/(n+m). That is the least-squares estimate of two treatments in blocks; with one test each it is the
-- paired comparison with Student's t. What shunt and GPS get wrong alike in both cancels.
with used as (
    select cart, settings, consumption_wh_per_km as wh
    from test_results
    where kind = $kind and cart is not null and settings is not null and consumption_wh_per_km is not null
        and ($since is null or started >= $since) and ($until is null or started < $until::date + 1)
        and ($cart is null or cart = $cart) and ($route is null or route = $route)
),
naive as (
    select settings, count(*) as tests, avg(wh) as mean from used group by settings
),
base as (
    select coalesce($against, (select settings from naive order by tests desc, settings limit 1)) as settings
),
cells as (
    select cart, settings, count(*) as n, avg(wh) as mean, coalesce(var_samp(wh), 0) * (count(*) - 1) as squares
    from used
    group by cart, settings
),
pairs as (
    select
        one.settings, one.n + other.n as tests, one.mean - other.mean as difference,
        one.n * other.n / (one.n + other.n) as weight, one.squares + other.squares as squares
    from cells as one
    join base on one.settings <> base.settings
    join cells as other on other.cart = one.cart and other.settings = base.settings
),
fits as (
    select
        settings, count(*) as carts, sum(tests)::bigint as tests, weighted_mean(difference, weight) as difference,
        sum(tests)::bigint - count(*) - 1 as freedom, sum(weight) as weight,
        sum(squares) + greatest(0, sum(weight * difference ** 2) - sum(weight * difference) ** 2 / sum(weight))
            as squares
    from pairs
    group by settings
),
told as (
    select *, student_95(freedom) * sqrt(squares / nullif(freedom, 0) / weight) as half from fits
)
select
    naive.settings, base.settings as against, coalesce(told.carts, 0) as carts, coalesce(told.tests, 0) as tests,
    if(naive.settings = base.settings, 0, told.difference) as difference_wh_per_km, told.difference - half as low_wh_per_km,
    told.difference + half as high_wh_per_km,
    case
        when naive.settings = base.settings then 'the others are compared with these'
        when told.carts is null then 'no cart was driven with both'
        when half is null then 'one pair of tests: no interval'
        when told.difference - half > 0 then 'uses more'
        when told.difference + half < 0 then 'uses less'
        else 'can''t be told apart'
    end as verdict,
    naive.mean as naive_wh_per_km, naive.tests as naive_tests
from naive
cross join base
left join told on told.settings = naive.settings
order by difference_wh_per_km nulls last, naive.settings
