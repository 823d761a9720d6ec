-- title: What the season does
-- asks: How much more does each cart use, and how much less does its pack give, when it is cold?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param cart (text, default null): this cart only
-- param kind (text, default range): tests of this kind, for the consumption
-- param same_route (flag, default yes): no: compare consumption across routes too
-- column cart: cart
-- column what: what; consumption against the ambient, capacity against the pack's temperature at the start
-- column tests: tests; in groups of two or more
-- column groups: groups; of tests with the same pack and settings, and for the consumption the same route
-- column lowest [Cel]: lowest temperature
-- column highest [Cel]: highest temperature
-- column change_percent [%]: change for 10 K colder; of the mean
-- column low_percent [%]: change, low end; of its 95 % interval
-- column high_percent [%]: change, high end; of its 95 % interval
-- column consumption_change_wh_per_km [W.h/km]: change of the consumption for 10 K colder
-- column capacity_change_ah [A.h]: change of the capacity for 10 K colder
-- column verdict: verdict
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

-- One straight line for each cart through tests taken off the mean of their group: settings, packs and routes that
-- were driven in other weather do not look like weather. What changes with time besides the weather (an ageing pack,
-- a dragging brake) is not told from it.
with figures as (
    select 'consumption' as what, cart, pack, settings, route, started, ambient_celsius as warmth,
        consumption_wh_per_km as value
    from test_results
    where kind = $kind
    union all by name
    select 'capacity' as what, cart, pack, settings, route, started, temperature_start as warmth, capacity_ah as value
    from test_results
    where not coalesce(capacity_ah_lower, false)
),
grouped as (
    select
        cart, what, warmth, value,
        warmth - avg(warmth) over same as warmer, value - avg(value) over same as more, count(*) over same as n
    from figures
    where cart is not null and settings is not null and warmth is not null and value > 0
        and ($since is null or started >= $since) and ($cart is null or cart = $cart)
    window same as (partition by cart, what, pack, settings, if($same_route and what = 'consumption', route, null))
),
lists as (
    select
        cart, what, count(*) as tests, round(sum(1 / n))::bigint as groups, min(warmth) as lowest,
        max(warmth) as highest, avg(value) as mean,
        line_fit(list(warmer order by warmer), list(more order by warmer), list(1 order by warmer)) as fit
    from grouped
    where n >= 2
    group by cart, what
),
told as (
    select *, case when tests - groups - 1 >= 2 then -10 * fit.slope end as colder,
        case when tests - groups - 1 >= 2 then
            10 * student_95(tests - groups - 1) * fit.slope_u * sqrt((tests - 2) / (tests - groups - 1)) end as half
    from lists
)
select
    cart, what, tests, groups, lowest, highest, 100 * colder / mean as change_percent,
    100 * (colder - half) / mean as low_percent, 100 * (colder + half) / mean as high_percent,
    case when what = 'consumption' then colder end as consumption_change_wh_per_km,
    case when what = 'capacity' then colder end as capacity_change_ah,
    case
        when tests - groups - 1 < 2 then 'too few tests in groups'
        when colder is null then 'all tests of a group at the same temperature'
        when colder - half > 0 and what = 'consumption' then 'uses more when it is cold'
        when colder + half < 0 and what = 'capacity' then 'gives less when it is cold'
        when colder - half > 0 then 'gives more when it is cold: look at how the tests were done'
        when colder + half < 0 then 'uses less when it is cold: look at how the tests were done'
        else 'no effect can be told from the spread'
    end as verdict
from told
order by what desc, cart
