-- title: Capacity of each pack over time
-- asks: Which packs lose capacity, how fast, and how much is left?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param pack (text, default null): this pack only
-- column pack: pack
-- column chemistry: chemistry
-- column rated_capacity_ah [A.h]: rated capacity
-- column tests: tests; from full to cut-off, that give a capacity
-- column stopped_early: stopped early; tests that give a lower bound only, left out
-- column first_tested: first tested
-- column last_tested: last tested
-- column first_capacity_ah [A.h]: first capacity
-- column last_capacity_ah [A.h]: last capacity
-- column last_capacity_ah_u [A.h]: standard uncertainty of the last capacity
-- column health_percent [%]: health; last capacity against the rating
-- column change_in_30_days_ah [A.h]: change in 30 days; Theil-Sen slope, from 4 tests on
-- column low_ah [A.h]: change, low end; of its 95 % interval
-- column high_ah [A.h]: change, high end; of its 95 % interval
-- column change_in_30_days_percent [%]: change in 30 days, of the rated capacity
-- column verdict: verdict
-- plot: {"transform": [{"calculate": "100 * datum.low_ah / datum.rated_capacity_ah", "as": "low"},
--         {"calculate": "100 * datum.high_ah / datum.rated_capacity_ah", "as": "high"}],
--     "layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low", "type": "quantitative"}, "x2": {"field": "high"},
--         "y": {"field": "pack", "type": "nominal", "sort": null}}},
--     {"mark": {"type": "rule", "strokeDash": [4, 3], "color": "gray"}, "encoding": {"x": {"datum": 0}}},
--     {"mark": "point", "encoding": {"x": {"field": "change_in_30_days_percent", "type": "quantitative"},
--         "y": {"field": "pack", "type": "nominal", "sort": null},
--         "shape": {"field": "chemistry", "type": "nominal"}}}]}

-- Capacity is at reference conditions (25 degC and the rate of the rating) where a test gives that, so that neither
-- cold weather nor hard driving looks like fade.
with used as (
    select
        pack, started, epoch(started) / (30 * 86400) as months,
        coalesce(capacity_reference_ah, capacity_ah) as capacity_ah,
        case when capacity_reference_ah is null then capacity_ah_u else capacity_reference_ah_u end as capacity_ah_u,
        coalesce(capacity_ah_lower, false) as lower_bound
    from test_results
    where pack is not null and capacity_ah is not null and started is not null
        and ($since is null or started >= $since) and ($pack is null or pack = $pack)
),
lists as (
    select
        pack, count(*) filter (not lower_bound) as tests, count(*) filter (lower_bound) as stopped_early,
        min(started) filter (not lower_bound) as first_tested, max(started) filter (not lower_bound) as last_tested,
        arg_min(capacity_ah, started) filter (not lower_bound) as first_capacity_ah,
        arg_max({'value': capacity_ah, 'u': capacity_ah_u}, started) filter (not lower_bound) as last,
        list(months order by started) filter (not lower_bound) as months,
        list(capacity_ah order by started) filter (not lower_bound) as capacities
    from used
    group by pack
),
fitted as (
    select *,
        case when tests >= 4 then theil_sen_slope(months, capacities) end as slope,
        case when tests >= 4 then theil_sen_95(months, capacities) end as slope_95
    from lists
)
select
    fitted.pack, packs.chemistry, packs.rated_capacity_ah, tests, stopped_early, first_tested, last_tested,
    first_capacity_ah, last.value as last_capacity_ah, last.u as last_capacity_ah_u,
    100 * last.value / packs.rated_capacity_ah as health_percent,
    slope as change_in_30_days_ah, slope_95.low as low_ah, slope_95.high as high_ah,
    100 * slope / packs.rated_capacity_ah as change_in_30_days_percent,
    -- four tests in falling order come about by chance once in 24 times, five once in 120
    case
        when tests < 4 then format('too few tests ({} of 4) for a trend', tests)
        when slope is null then 'all tests bear the same time'
        when slope_95.high < 0 then 'losing capacity' || if(tests = 4, ', weakly shown by 4 tests', '')
        when slope_95.low > 0 then 'gaining capacity: look at how the tests were done'
        else 'no change can be told from the spread'
    end as verdict
from fitted
left join packs on packs.pack = fitted.pack
order by change_in_30_days_percent nulls last, change_in_30_days_ah nulls last, pack
