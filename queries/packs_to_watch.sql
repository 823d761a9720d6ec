-- title: Packs to watch
-- asks: Which packs lose capacity faster than the others, or faster than they did themselves before?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param warm_celsius (number, default 15): only tests that the pack began at this temperature or warmer
-- param false_alarms (number, default 0.1): share of the packs named here that may be named by chance
-- param all_packs (flag, default yes): no: only packs to watch
-- column pack: pack
-- column chemistry: chemistry
-- column tests: tests; warm, from full to cut-off, that give a capacity
-- column left_out: left out; tests begun colder, or with no temperature
-- column warmth_percent_per_kelvin [%/K]: for 1 K warmer; share of the rating, taken off before all else
-- column change_percent [%]: change in 30 days; of the rating, Theil-Sen slope
-- column low_percent [%]: change, low end; of its 95 % interval
-- column high_percent [%]: change, high end; of its 95 % interval
-- column peers_percent [%]: peers' change; median of the other packs' slopes
-- column p: chance; of falling so far behind the peers where nothing is wrong
-- column q: false alarms; share expected among the packs that stand out as much or more (Benjamini-Hochberg)
-- column earlier_percent [%]: earlier change; slope of its first half of tests, from 8 tests on
-- column later_percent [%]: later change; slope of its second half
-- column watch: watch
-- column words: why
-- plot: {"transform": [{"calculate": "datum.watch ? 'to watch' : 'nothing stands out'", "as": "state"}],
--     "layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low_percent", "type": "quantitative"},
--         "x2": {"field": "high_percent"}}},
--     {"mark": {"type": "tick", "color": "gray", "thickness": 3},
--         "encoding": {"x": {"field": "peers_percent", "type": "quantitative"}}},
--     {"mark": "point", "encoding": {
--         "x": {"field": "change_percent", "type": "quantitative",
--             "title": "Change in 30 days (% of the rating), its peers' in grey"},
--         "color": {"field": "state", "type": "nominal", "title": null}}}],
--     "encoding": {"y": {"field": "pack", "type": "nominal", "sort": null}}}

-- Cold must raise no alarm: only warm tests count, and what warmth still does is taken off: the median, over the packs of
-- the same kind (lithium or lead; three at least, else nothing), of their Theil-Sen slopes over the temperature, kept
-- between 0 and 1 % for a kelvin, beyond which no cell goes when warm (common practice, no source). Then the median slope
-- of the pack's peers is taken off. The chance is that of Kendall's S falling so low (Mann 1945), exact up to 10 tests.
-- A lead pack's capacity hangs on the current, so its tests are paired only with those of the same settings, and the S of
-- all settings added (Hirsch, Slack and Smith 1982). Against its own past, lithium only: the 95 % intervals of the slopes
-- of both halves lie apart.
with figures as (
    select
        results.pack, is_lead(packs.chemistry) as lead, epoch(results.started) / (30 * 86400) as months,
        100 * results.capacity_ah / packs.rated_capacity_ah as percent, results.settings, temperature_start
    from test_results as results
    join packs on packs.pack = results.pack
    where results.capacity_ah is not null and results.started is not null and packs.rated_capacity_ah > 0
        and not coalesce(capacity_ah_lower, false) and ($since is null or results.started >= $since)
),
warm as (
    select *, if(lead, settings, null) as block from figures where temperature_start >= $warm_celsius
),
warmth as (
    select lead, greatest(0, least(1, median(slope))) as per_kelvin
    from (
        select lead, theil_sen_slope(list(temperature_start order by months), list(percent order by months)) as slope
        from warm
        group by pack, lead, block
        having count(*) >= 3)
    group by lead
    having count(slope) >= 3
),
blocks as (
    select
        pack, warm.lead, block, any_value(per_kelvin) as per_kelvin, list(months order by months) as months,
        list(percent - coalesce(per_kelvin, 0) * (temperature_start - 25) order by months) as percents
    from warm left join warmth on warmth.lead = warm.lead
    group by pack, warm.lead, block
),
fitted as (
    select
        pack, any_value(per_kelvin) as per_kelvin, sum(len(months))::bigint as tests, list_sort(flatten(list(pair_slopes(months, percents)))) as slopes,
        sqrt(sum(kendall_sd(months, percents) ** 2)) as sd
    from blocks
    group by pack
),
sloped as (
    select pack, per_kelvin, tests, case when tests >= 4 then list_median(slopes) end as slope,
        case when tests >= 4 then slopes_95(slopes, sd) end as slope_95
    from fitted
),
among as (
    select sloped.*, (select median(other.slope) from sloped as other where other.pack <> sloped.pack) as peers
    from sloped
),
-- each block less what the peers lose
apart as (
    select
        blocks.pack, lead, months, percents, months[:len(months) // 2] as early, months[len(months) // 2 + 1:] as late,
        list_transform(range(1, len(months) + 1), lambda i: percents[i] - peers * months[i]) as behind
    from blocks join among on among.pack = blocks.pack
    where slope is not null and peers is not null
),
tested as (
    select
        pack,
        if(any_value(lead), normal_tail((sign(sum(kendall_s(months, behind))) - sum(kendall_s(months, behind)))
            / nullif(sqrt(sum(kendall_sd(months, behind) ** 2)), 0)), any_value(falling_p(months, behind))) as p,
        any_value(theil_sen_slope(early, percents[:len(early)])) filter (halves) as earlier,
        any_value(theil_sen_slope(late, percents[len(early) + 1:])) filter (halves) as later,
        any_value(theil_sen_95(early, percents[:len(early)])) filter (halves) as earlier_95,
        any_value(theil_sen_95(late, percents[len(early) + 1:])) filter (halves) as later_95
    from (select *, not lead and len(months) >= 8 as halves from apart)
    group by pack
),
judged as (
    select *, case when p is not null then false_discovery(p, list(p) filter (p is not null) over ()) end as q,
        later_95.high < earlier_95.low and later < 0 as bends
    from tested
),
cold as (
    select pack, count(*) filter (temperature_start is null or temperature_start < $warm_celsius) as left_out
    from figures
    group by pack
),
told as (
    select
        cold.pack, packs.chemistry, coalesce(among.tests, 0) as tests, left_out, per_kelvin, slope, slope_95, peers, p, q, earlier, later,
        coalesce(slope < peers and slope < 0 and q <= $false_alarms, false) as behind, coalesce(bends, false) as bends
    from cold
    left join packs on packs.pack = cold.pack
    left join among on among.pack = cold.pack
    left join judged on judged.pack = cold.pack
)
select
    pack, chemistry, tests, left_out, per_kelvin as warmth_percent_per_kelvin, slope as change_percent,
    slope_95.low as low_percent, slope_95.high as high_percent,
    peers as peers_percent, p, q, earlier as earlier_percent, later as later_percent,
    behind or bends as watch,
    case
        when tests < 4 then format('too few warm tests ({} of 4)', tests)
        when not behind and not bends and peers is null then 'no other pack to compare with'
        when not behind and not bends then 'nothing stands out from the spread'
        else concat_ws('; ',
            case when behind then format(
                'changes by {:.1f} % of its rating in 30 days (95 % interval {:.1f} to {:.1f}), its peers by {:.1f}',
                slope, slope_95.low, slope_95.high, peers) end,
            case when bends then format('changed by {:.1f} % in 30 days in its first half of tests, by {:.1f} in its second',
                earlier, later) end)
    end as words
from told
where $all_packs or behind or bends
order by watch desc, q nulls last, change_percent nulls last, pack
