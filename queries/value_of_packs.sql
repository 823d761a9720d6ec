-- title: What a pack is worth
-- asks: What does each pack cost for a kilowatt-hour it gives, for a kilometre or mile of range, and for a thousand of
--       them in the life to expect?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param chemistry (text, default null): packs of this chemistry only
-- param worn_percent (number, default 80): worn at this share of the rated capacity
-- column pack: pack
-- column chemistry: chemistry
-- column price: price
-- column currency: currency
-- column tests: tests; from full to cut-off
-- column usable_wh [W.h]: usable energy; median of these tests
-- column range_metre [m]: range; median of the tests to cut-off, in whichever cart
-- column price_for_kwh: price for 1 kWh
-- column price_for_km: price for 1 km of range
-- column price_for_mile: price for 1 mile of range
-- column fade_percent [%]: capacity lost in 30 days; of the rating, by the Theil-Sen slope
-- column life_metre [m]: life to expect; logged distance until worn, from the first test on, at the fade seen so far
-- column price_for_1000_km: price for 1000 km of life
-- column price_for_1000_miles: price for 1000 miles of life
-- column verdict: verdict; on the life to expect
-- plot: {"mark": "point", "encoding": {"x": {"field": "price_for_kwh", "type": "quantitative", "scale": {"zero": false}},
--     "y": {"field": "pack", "type": "nominal", "sort": null}, "color": {"field": "chemistry", "type": "nominal"}}}

-- A life is told only where at least 6 tests show a loss beyond their spread (the 95 % interval of the slope below
-- nought) and the pack will be worn no later after its last test than it has been tested for: fade bends, and a
-- straight line drawn far past the tests promises too much. The distance is that of the amp-hours logged; what was
-- driven without a log is not in it, so a life is rather more than stated.
with full_tests as (
    select
        pack, started, epoch(started) / (30 * 86400) as months, capacity_ah, capacity_wh,
        distance_metre / nullif(discharging_ah, 0) as metre_per_ah,
        case when not coalesce(range_metre_lower, false) then range_metre end as range_metre
    from test_results
    where pack is not null and started is not null and not coalesce(capacity_ah_lower, false)
        and ($since is null or started >= $since)
),
lists as (
    select
        pack, count(capacity_ah) as tests, median(capacity_wh) as usable, median(range_metre) as range,
        median(metre_per_ah) as metre_per_ah,
        min(started) filter (capacity_ah is not null) as first_tested,
        max(started) filter (capacity_ah is not null) as last_tested,
        list(months order by started) filter (capacity_ah is not null) as months,
        list(capacity_ah order by started) filter (capacity_ah is not null) as capacities
    from full_tests
    group by pack
),
logged as (
    select pack, sum(discharging_ah) as ah
    from stint_results join lists using (pack)
    where kind = 'drive' and started between first_tested and last_tested
    group by pack
),
fitted as (
    select
        packs.pack, chemistry, price, currency, rated_capacity_ah as rated, lists.* exclude (pack),
        ah * metre_per_ah as driven, months[len(months)] - months[1] as span,
        case when tests >= 6 then theil_sen_slope(months, capacities) end as slope,
        case when tests >= 6 then theil_sen_95(months, capacities).high end as slope_high,
        theil_sen_intercept(months, capacities) as intercept
    from packs
    left join lists on lists.pack = packs.pack
    left join logged on logged.pack = packs.pack
    where $chemistry is null or chemistry = $chemistry
),
-- months from the first test until the line of the fade meets the worn capacity
lived as (
    select *, case when slope_high < 0 then (rated * $worn_percent / 100 - intercept) / slope - months[1] end as worn_after
    from fitted
),
told as (
    select *, case when worn_after > 0 and worn_after <= 2 * span then driven / span * worn_after end as life from lived
)
select
    pack, chemistry, price, currency, coalesce(tests, 0) as tests, usable as usable_wh, range as range_metre,
    1000 * price / nullif(usable, 0) as price_for_kwh, 1000 * price / nullif(range, 0) as price_for_km,
    1609.344 * price / nullif(range, 0) as price_for_mile,
    -100 * slope / rated as fade_percent, life as life_metre,
    1e6 * price / nullif(life, 0) as price_for_1000_km, 1609344 * price / nullif(life, 0) as price_for_1000_miles,
    case
        when coalesce(tests, 0) < 6 then format('too few tests ({} of 6) to tell a life', coalesce(tests, 0))
        when rated is null then 'no rating to tell worn by'
        when slope_high >= 0 or slope is null then 'no loss can be told from the spread'
        when worn_after <= 0 then format('below {:g} % of its rating from the first test on', $worn_percent::double)
        when worn_after > 2 * span then format('worn no sooner than in {:.1f} times the time tested: too far ahead to tell',
            worn_after / span)
        when life is null then 'no logged distance'
        else format('at {:g} % after {:.0f} months from its first test', $worn_percent::double, worn_after)
    end as verdict
from told
order by currency nulls last, price_for_kwh nulls last, pack
