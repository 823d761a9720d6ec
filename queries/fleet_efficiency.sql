-- title: What each cart uses
-- asks: How much energy does each cart take from its pack for a distance, how sure is that, which use least, and does
--       it change with time?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param until (date, default null): last day that counts; none given: to the end
-- param cart (text, default null): this cart only
-- param kind (text, default range): tests of this kind
-- column rank: rank; 1 uses least
-- column cart: cart
-- column tests: tests
-- column consumption_wh_per_km [W.h/km]: consumption; mean of its tests
-- column low_wh_per_km [W.h/km]: consumption, low end; of the 95 % interval of the mean, from the spread of 3 tests or more
-- column high_wh_per_km [W.h/km]: consumption, high end; of the 95 % interval of the mean
-- column spread_wh_per_km [W.h/km]: spread; standard deviation among its tests
-- column u_wh_per_km [W.h/km]: measuring uncertainty; standard uncertainty of one test, not in the interval
-- column trend_in_30_days_wh_per_km [W.h/km]: trend in 30 days; Theil-Sen slope, from 4 tests on
-- column trend: trend
-- plot: {"layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low_wh_per_km", "type": "quantitative"},
--         "x2": {"field": "high_wh_per_km"}}},
--     {"mark": "point", "encoding": {"x": {"field": "consumption_wh_per_km", "type": "quantitative",
--         "scale": {"zero": false}}}}],
--     "encoding": {"y": {"field": "cart", "type": "nominal", "sort": {"field": "rank"}}}}

with used as (
    select cart, started, epoch(started) / (30 * 86400) as months, consumption_wh_per_km as wh,
        consumption_wh_per_km_u as u
    from test_results
    where kind = $kind and cart is not null and consumption_wh_per_km is not null
        and ($since is null or started >= $since) and ($until is null or started < $until::date + 1)
        and ($cart is null or cart = $cart)
),
lists as (
    select
        cart, count(*) as tests, avg(wh) as mean, stddev_samp(wh) as spread, sqrt(avg(u * u)) as u,
        list(months order by started) filter (started is not null) as months,
        list(wh order by started) filter (started is not null) as whs
    from used
    group by cart
),
fitted as (
    select *, case when tests >= 3 then half_width_95(spread, tests) end as half,
        case when len(months) >= 4 then theil_sen_slope(months, whs) end as slope,
        case when len(months) >= 4 then theil_sen_95(months, whs) end as slope_95
    from lists
)
select
    rank() over (order by mean) as rank, cart, tests,
    mean as consumption_wh_per_km, mean - half as low_wh_per_km, mean + half as high_wh_per_km,
    spread as spread_wh_per_km, u as u_wh_per_km, slope as trend_in_30_days_wh_per_km,
    case
        when slope is null then format('too few dated tests ({} of 4) for a trend', coalesce(len(months), 0))
        when slope_95.low > 0 then 'uses more with time'
        when slope_95.high < 0 then 'uses less with time'
        else 'no trend can be told from the spread'
    end as trend
from fitted
order by mean, cart
