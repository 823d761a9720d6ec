-- title: How well tests repeat
-- asks: When the same cart drives the same route with the same pack and settings again, how far apart do the
--       consumptions lie?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param cart (text, default null): this cart only
-- param kind (text, default range): tests of this kind
-- param target_percent (number, default 3): a spread up to this is as good as aimed for
-- param look_percent (number, default 5): above this spread something is to be looked for
-- param payload_kg (number, default 50): payloads further apart than this are mentioned
-- column cart: cart
-- column groups: groups; of tests with the same pack, route and settings
-- column tests: tests; in groups of two or more
-- column freedom: degrees of freedom; tests less groups
-- column consumption_wh_per_km [W.h/km]: consumption; mean of these tests
-- column spread_wh_per_km [W.h/km]: spread; standard deviation within the groups, pooled
-- column spread_percent [%]: spread in percent; coefficient of variation within the groups, pooled
-- column spread_percent_u [%]: standard uncertainty of the spread
-- column payload_apart_kg [kg]: payload apart; most that payloads differ within a group
-- column ambient_apart [K]: ambient apart; most that ambient temperatures differ within a group
-- column verdict: verdict
-- plot: {"transform": [{"calculate": "datum.spread_percent - datum.spread_percent_u", "as": "low"},
--         {"calculate": "datum.spread_percent + datum.spread_percent_u", "as": "high"}],
--     "layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low", "type": "quantitative"}, "x2": {"field": "high"},
--         "y": {"field": "cart", "type": "nominal", "sort": null}}},
--     {"mark": "point", "encoding": {"x": {"field": "spread_percent", "type": "quantitative"},
--         "y": {"field": "cart", "type": "nominal", "sort": null}}}]}

-- A standard deviation from f degrees of freedom is itself uncertain by about one part in the root of 2f (JCGM 100,
-- E.4.3). The target of 3 % and the limit of 5 % are common practice, no source.
with grouped as (
    select
        cart, count(*) as tests, avg(consumption_wh_per_km) as mean, sum(consumption_wh_per_km) as total,
        var_samp(consumption_wh_per_km) as variance, max(payload_kg) - min(payload_kg) as payload,
        max(ambient_celsius) - min(ambient_celsius) as warmth
    from test_results
    where kind = $kind and cart is not null and settings is not null and consumption_wh_per_km > 0
        and ($since is null or started >= $since) and ($cart is null or cart = $cart)
    group by cart, pack, route, settings
    having count(*) >= 2
),
pooled as (
    select
        cart, count(*) as groups, sum(tests)::bigint as tests, sum(tests - 1)::bigint as freedom,
        sum(total) / sum(tests) as mean, sqrt(sum(variance * (tests - 1)) / sum(tests - 1)) as spread,
        100 * sqrt(sum(variance / mean ** 2 * (tests - 1)) / sum(tests - 1)) as percent,
        max(payload) as payload, max(warmth) as warmth
    from grouped
    group by cart
)
select
    cart, groups, tests, freedom, mean as consumption_wh_per_km, spread as spread_wh_per_km,
    percent as spread_percent, percent / sqrt(2 * freedom) as spread_percent_u, payload as payload_apart_kg,
    warmth as ambient_apart,
    case
        when percent > $look_percent then 'look for tyres, wind, brake drag, incomplete charge'
        when percent > $target_percent then format('above the target of {:g} %', $target_percent::double)
        else format('within the target of {:g} %', $target_percent::double)
    end
        || case when freedom < 3 then format(', weakly shown by {} tests', tests) else '' end
        || case when percent > $target_percent and payload > $payload_kg then
            format('; payloads differ by {:.0f} kg', payload) else '' end as verdict
from pooled
order by spread_percent desc, cart
