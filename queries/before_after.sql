-- title: Before and after
-- asks: Did consumption, range or capacity change on a day, such as that of a repair, a new pack or new tyres?
-- param cart (text, default null): this cart only
-- param date (date, default null): the day; tests on it count as after; none given: for each cart where a step in its
--       consumption fits best
-- param since (date, default null): first day that counts; none given: from the beginning
-- param until (date, default null): last day that counts; none given: to the end
-- param same_pack (flag, default no): yes: compare tests with the same pack only
-- param same_route (flag, default yes): no: compare consumption and range across routes too
-- column cart: cart
-- column day: day; tests from it on are after
-- column what: what
-- column before_tests: tests before
-- column after_tests: tests after
-- column change_percent [%]: change; of the mean before
-- column low_percent [%]: change, low end; of its 95 % interval
-- column high_percent [%]: change, high end; of its 95 % interval
-- column consumption_change_wh_per_km [W.h/km]: change of the consumption
-- column range_change_metre [m]: change of the range
-- column capacity_change_ah [A.h]: change of the capacity
-- column verdict: verdict; at 95 %, each by itself
-- plot: {"transform": [{"calculate": "datum.cart + ', ' + datum.what", "as": "which"},
--         {"window": [{"op": "row_number", "as": "place"}]}],
--     "layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low_percent", "type": "quantitative"},
--         "x2": {"field": "high_percent"}}},
--     {"mark": {"type": "rule", "strokeDash": [4, 3], "color": "gray"},
--         "encoding": {"x": {"datum": 0}, "y": {"value": 0}, "y2": {"value": "height"}}},
--     {"mark": "point", "encoding": {"x": {"field": "change_percent", "type": "quantitative"},
--         "color": {"field": "what", "type": "nominal"}}}],
--     "encoding": {"y": {"field": "which", "type": "nominal", "sort": {"field": "place", "op": "min"}}}}

-- Tests are compared with tests of the same settings (and pack, and route, where asked for), before with after, and
-- the differences averaged with weights n·m/(n+m): least squares of two treatments in blocks, with Student's t.
with figures as (
    unpivot (
        select cart, pack, settings, route, started, kind,
            case when kind = 'range' then consumption_wh_per_km end as consumption,
            case when not coalesce(range_metre_lower, false) then range_metre end as range,
            case when not coalesce(capacity_ah_lower, false) then capacity_ah end as capacity
        from test_results
        where cart is not null and settings is not null and started is not null and ($cart is null or cart = $cart)
            and ($since is null or started >= $since) and ($until is null or started < $until::date + 1)
    ) on consumption, range, capacity into name what value value
),
grouped as (
    select
        figures.*, if($same_pack, pack, null) as same_pack,
        if($same_route and what <> 'capacity', route, null) as same_route,
        value / avg(value) over (partition by cart, what, settings) / avg(value) over (partition by cart, what, route)
            as level
    from figures
),
-- where no day is given: the best place for one step in the consumption, three tests or more on each side, once what
-- goes with the settings and with the route is divided out
sought as (
    select
        cart, list(started order by started) as times,
        one_break(list(level order by started), 3) as step, pettitt_p(list(level order by started)) as p
    from grouped
    where what = 'consumption' and $date is null
    group by cart
),
days as (
    select distinct grouped.cart, coalesce($date::timestamptz, times[step.n_before + 1]) as day, p
    from grouped left join sought on sought.cart = grouped.cart
),
cells as (
    select
        cart, day, any_value(p) as p, what, settings, same_pack, same_route, started >= day as is_after,
        count(*) as n, avg(value) as mean, coalesce(var_samp(value), 0) * (count(*) - 1) as squares
    from grouped join days using (cart)
    group by all
),
pairs as (
    select
        cart, day, one.p, what, one.n as before_n, other.n as after_n, one.mean as before, other.mean - one.mean as change,
        one.n * other.n / (one.n + other.n) as weight, one.squares + other.squares as squares
    from cells as one
    join cells as other using (cart, day, what, settings)
    where other.is_after and not one.is_after
        and one.same_pack is not distinct from other.same_pack
        and one.same_route is not distinct from other.same_route
),
fits as (
    select
        cart, day, any_value(p) as p, what, sum(before_n)::bigint as before_tests, sum(after_n)::bigint as after_tests,
        weighted_mean(before, weight) as before, weighted_mean(change, weight) as change, sum(weight) as weight,
        sum(before_n + after_n)::bigint - count(*) - 1 as freedom,
        sum(squares) + greatest(0, sum(weight * change ** 2) - sum(weight * change) ** 2 / sum(weight)) as squares
    from pairs
    group by cart, day, what
),
told as (
    select *, case when freedom >= 2 then student_95(freedom) * sqrt(squares / freedom / weight) end as half
    from fits
)
select
    cart, day::date as day, what, before_tests, after_tests, 100 * change / before as change_percent,
    100 * (change - half) / before as low_percent, 100 * (change + half) / before as high_percent,
    case when what = 'consumption' then change end as consumption_change_wh_per_km,
    case when what = 'range' then change end as range_change_metre,
    case when what = 'capacity' then change end as capacity_change_ah,
    case
        when what = 'consumption' and p > 0.05 then 'no step stands out from the spread'
        when half is null then 'too few tests for an interval'
        when change - half > 0 then 'more after'
        when change + half < 0 then 'less after'
        else 'can''t be told apart'
    end
        || case when what = 'consumption' and p <= 0.05 then '; the day was sought in the same tests, which flatters it'
            else '' end as verdict
from told
order by cart, what = 'capacity', what = 'range'
