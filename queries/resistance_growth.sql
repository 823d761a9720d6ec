-- title: Resistance of each pack over time
-- asks: Does a pack's resistance grow, how fast, and how does it stand against packs of its kind?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param pack (text, default null): this pack only; it is still compared with all others
-- column pack: pack
-- column chemistry: chemistry
-- column tests: tests; that give a resistance
-- column left_out: left out; below 20 % of charge, or no temperature where warmth is taken off
-- column warmth_percent_per_kelvin [%/K]: for 1 K warmer; taken off before all else
-- column first_tested: first tested
-- column last_tested: last tested
-- column first_ohm [Ohm]: first resistance; at 25 °C where warmth is taken off
-- column first_ohm_u [Ohm]: standard uncertainty of the first resistance
-- column last_ohm [Ohm]: last resistance; at 25 °C where warmth is taken off
-- column last_ohm_u [Ohm]: standard uncertainty of the last resistance
-- column change_percent [%]: change in 30 days; of the first, Theil-Sen slope, from 4 tests on
-- column low_percent [%]: change, low end; of its 95 % interval
-- column high_percent [%]: change, high end; of its 95 % interval
-- column peers: peers; other packs of the same chemistry and cells in series
-- column against_peers_percent [%]: against peers; resistance times rated capacity, over the median of theirs
-- column verdict: verdict
-- plot: {"layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low_percent", "type": "quantitative",
--             "title": "Change of the resistance in 30 days (% of the first)"},
--         "x2": {"field": "high_percent"}, "y": {"field": "pack", "type": "nominal", "sort": null}}},
--     {"mark": {"type": "rule", "strokeDash": [4, 3], "color": "gray"}, "encoding": {"x": {"datum": 0}}},
--     {"mark": "point", "encoding": {"x": {"field": "change_percent", "type": "quantitative",
--             "title": "Change of the resistance in 30 days (% of the first)"},
--         "y": {"field": "pack", "type": "nominal", "sort": null},
--         "shape": {"field": "chemistry", "type": "nominal"}}}]}

-- A cold pack has more resistance: what warmth does to its logarithm is taken off where the book's own tests of that
-- chemistry tell it: the median, over two packs or more with six tests or more that lie 5 K or more apart, of the slope
-- over the temperature in a least-squares fit with time beside it (the temperature less its line over time will do:
-- Frisch and Waugh 1933), so that ageing into the summer does not look like warmth; kept between 0 and -5 % for a
-- kelvin, beyond which no cell goes (common practice, no source). The interval of the change is that of the spread, the
-- effect of warmth taken as known. Nearly empty packs have more resistance too, and tests there are left out. Peers are
-- compared by the median of the last three, for an amp-hour of the rating: cells side by side share the current.
with figures as (
    select
        results.pack, packs.chemistry, results.started, epoch(results.started) / (30 * 86400) as months, resistance_ohm,
        resistance_ohm_u, resistance_at_celsius as celsius, coalesce(resistance_at_celsius_u, 0) as celsius_u,
        coalesce(resistance_at_soc_percent < 20, false) as low_charge
    from test_results as results
    left join packs on packs.pack = results.pack
    where results.pack is not null and results.started is not null and resistance_ohm > 0
        and ($since is null or results.started >= $since)
),
courses as (
    select
        pack, any_value(chemistry) as chemistry, list(months order by started) as months,
        list(celsius order by started) as celsius, list(ln(resistance_ohm) order by started) as logs,
        list(1 order by started) as ones
    from figures
    where not low_charge and celsius is not null and chemistry is not null
    group by pack
    having count(*) >= 6 and max(celsius) - min(celsius) >= 5
),
warmth as (
    select chemistry, greatest(-0.05, least(0, median(slope))) as per_kelvin
    from (
        select chemistry, line_fit(
            list_transform(range(1, len(months) + 1), lambda i: celsius[i] - warming.slope * months[i]), logs, ones
        ).slope as slope
        from (select *, line_fit(months, celsius, ones) as warming from courses))
    group by chemistry
    having count(slope) >= 2
),
adjusted as (
    select
        figures.*, per_kelvin, not low_charge and (per_kelvin is null or celsius is not null) as counts,
        resistance_ohm * exp(coalesce(-per_kelvin * (celsius - 25), 0)) as ohm,
        ohm * sqrt((resistance_ohm_u / resistance_ohm) ** 2 + coalesce(per_kelvin * celsius_u, 0) ** 2) as ohm_u
    from figures left join warmth on warmth.chemistry = figures.chemistry
),
lists as (
    select
        pack, any_value(per_kelvin) as per_kelvin, count(*) filter (counts) as tests,
        count(*) filter (not counts) as left_out, min(started) filter (counts) as first_tested,
        max(started) filter (counts) as last_tested,
        arg_min({'value': ohm, 'u': ohm_u}, started) filter (counts) as first,
        arg_max({'value': ohm, 'u': ohm_u}, started) filter (counts) as last,
        list(months order by started) filter (counts) as months, list(ohm order by started) filter (counts) as ohms
    from adjusted
    group by pack
),
fitted as (
    select
        lists.*, packs.chemistry, packs.cells_in_series, list_median(ohms[-3:]) * packs.rated_capacity_ah as for_ah,
        case when tests >= 4 then 100 * theil_sen_slope(months, ohms) / first.value end as slope,
        case when tests >= 4 then theil_sen_95(months, ohms) end as slope_95
    from lists left join packs on packs.pack = lists.pack
),
compared as (
    select one.pack, count(*) as peers, 100 * (any_value(one.for_ah) / median(other.for_ah) - 1) as against
    from fitted as one
    join fitted as other using (chemistry, cells_in_series)
    where other.pack <> one.pack and one.for_ah is not null and other.for_ah is not null
    group by one.pack
)
select
    fitted.pack, chemistry, tests, left_out, 100 * per_kelvin as warmth_percent_per_kelvin, first_tested, last_tested,
    first.value as first_ohm, first.u as first_ohm_u, last.value as last_ohm, last.u as last_ohm_u,
    slope as change_percent, 100 * slope_95.low / first.value as low_percent,
    100 * slope_95.high / first.value as high_percent, coalesce(peers, 0) as peers, against as against_peers_percent,
    case
        when tests < 4 then format('too few tests ({} of 4)', tests)
        when slope is null then 'all tests bear the same time'
        when slope_95.low > 0 then 'grows' || if(tests = 4, ', weakly shown by 4 tests', '')
        when slope_95.high < 0 then 'falls: look at how the tests were done'
        else 'no change can be told from the spread'
    end || if(per_kelvin is null, '; temperature is not taken off: too few tests of its chemistry tell its effect', '')
        as verdict
from fitted
left join compared on compared.pack = fitted.pack
where $pack is null or fitted.pack = $pack
order by change_percent desc nulls last, fitted.pack
