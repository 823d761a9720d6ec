-- title: Distance from an amp-hour
-- asks: How far does an amp-hour of each pack carry a cart, and does a pack with half the amp-hours go half as far?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param cart (text, default null): this cart only
-- param settings (text, default null): tests with these settings only
-- column cart: cart
-- column pack: pack
-- column chemistry: chemistry
-- column rated_capacity_ah [A.h]: rated capacity
-- column tests: tests; range tests with distance and amp-hours
-- column c_rate [1/h]: C-rate; mean discharge current against the rated capacity
-- column distance_km_per_ah [km/A.h]: distance from an amp-hour; all its distance over all its amp-hours out
-- column low_km_per_ah [km/A.h]: distance from an amp-hour, low end; of the 95 % interval from the spread of 3 tests or more
-- column high_km_per_ah [km/A.h]: distance from an amp-hour, high end; of the 95 % interval
-- column full_tests: tests to cut-off
-- column range_metre [m]: range; mean of the tests to cut-off
-- column verdict: verdict; against the biggest pack measured in the same cart
-- plot: {"transform": [{"calculate":
--         "datum.cart + ', ' + datum.pack + ', ' + format(datum.rated_capacity_ah, '.4~g') + ' Ah'", "as": "which"},
--         {"window": [{"op": "row_number", "as": "place"}]}],
--     "layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low_km_per_ah", "type": "quantitative"},
--         "x2": {"field": "high_km_per_ah"}}},
--     {"mark": "point", "encoding": {"x": {"field": "distance_km_per_ah", "type": "quantitative", "scale": {"zero": false}},
--         "color": {"field": "chemistry", "type": "nominal"}}}],
--     "encoding": {"y": {"field": "which", "type": "nominal", "sort": {"field": "place", "op": "min"}}}}

with used as (
    select
        cart, pack, distance_metre / 1000 as km, discharging_ah as ah, duration_second / 3600 as hours, range_metre,
        coalesce(range_metre_lower, false) as lower_bound
    from test_results
    where kind = 'range' and cart is not null and pack is not null and distance_metre > 0 and discharging_ah > 0
        and ($since is null or started >= $since) and ($cart is null or cart = $cart)
        and ($settings is null or settings = $settings)
),
grouped as (
    select
        cart, pack, count(*) as tests, sum(ah) / sum(hours) as mean_ampere, weighted_mean(km / ah, ah) as distance_km_per_ah,
        case when count(*) >= 3 then half_width_95(stddev_samp(km / ah), count(*)) end as half,
        count(range_metre) filter (not lower_bound) as full_tests,
        avg(range_metre) filter (not lower_bound) as range_metre
    from used
    group by cart, pack
),
rated as (
    select
        grouped.*, packs.chemistry, packs.rated_capacity_ah,
        first_value(grouped.pack) over biggest as big_pack,
        first_value(rated_capacity_ah) over biggest as big_ah,
        first_value(range_metre) over biggest as big_range,
        count(*) over (partition by cart) as packs
    from grouped
    left join packs on packs.pack = grouped.pack
    window biggest as (partition by cart order by rated_capacity_ah desc nulls last, grouped.pack)
)
select
    cart, pack, chemistry, rated_capacity_ah, tests, mean_ampere / rated_capacity_ah as c_rate,
    distance_km_per_ah, distance_km_per_ah - half as low_km_per_ah, distance_km_per_ah + half as high_km_per_ah, full_tests, range_metre,
    case
        when packs = 1 then 'the only pack measured in this cart'
        when pack = big_pack then 'the biggest pack measured in this cart'
        when rated_capacity_ah is null or range_metre is null or big_range is null then
            'no range or rating to compare with ' || big_pack
        else format('{:.0f} % of the amp-hours of {} gave {:.0f} % of its range',
            100 * rated_capacity_ah / big_ah, big_pack, 100 * range_metre / big_range)
    end as verdict
from rated
order by cart, rated_capacity_ah desc nulls last, pack
