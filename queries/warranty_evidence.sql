-- title: Evidence for a warranty
-- asks: Does a pack still give the capacity its warranty promises, how sure is that, and which tests show it?
-- param pack (text, default null): this pack only
-- param as_of (date, default null): the state on this day; none given: today
-- param tests (whole, default 3): rests on so many of the latest tests from full to cut-off
-- param warm_celsius (number, default 15): only on tests that the pack began at this temperature or warmer
-- column pack: pack
-- column chemistry: chemistry
-- column in_service: in service
-- column warranty_until: warranty until
-- column rated_capacity_ah [A.h]: rated capacity
-- column warranted_ah [A.h]: warranted capacity
-- column capacity_ah [A.h]: capacity; mean of the latest tests, or the highest lower bound where there are none
-- column capacity_ah_u [A.h]: standard uncertainty of the capacity
-- column low_ah [A.h]: capacity, low end; of its 95 % interval
-- column high_ah [A.h]: capacity, high end; of its 95 % interval
-- column lower_bound: at least; the capacity is a lower bound, the pack was not emptied
-- column health_percent [%]: health; capacity against the rating
-- column tests: tests; that it rests on
-- column verdict: verdict
-- column words: words; to send to the maker, once read
-- plot: {"transform": [{"calculate": "100 * datum.low_ah / datum.rated_capacity_ah", "as": "low"},
--         {"calculate": "100 * datum.high_ah / datum.rated_capacity_ah", "as": "high"},
--         {"calculate": "100 * datum.warranted_ah / datum.rated_capacity_ah", "as": "warranted"},
--         {"calculate": "datum.lower_bound ? 'at least' : 'measured'", "as": "kind"}],
--     "layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low", "type": "quantitative"}, "x2": {"field": "high"}}},
--     {"mark": {"type": "tick", "color": "gray", "thickness": 3},
--         "encoding": {"x": {"field": "warranted", "type": "quantitative"}}},
--     {"mark": "point", "encoding": {
--         "x": {"field": "health_percent", "type": "quantitative", "scale": {"zero": false},
--             "title": "Capacity (% of the rating), the warranted one in grey"},
--         "color": {"field": "kind", "type": "nominal", "title": null}}}],
--     "encoding": {"y": {"field": "pack", "type": "nominal", "sort": null}}}

-- The uncertainty of a mean of n tests: the instruments' part, which is the same in all, and how far tests repeat, over
-- the root of n. A few tests of one pack tell that badly; so it is taken from all packs of the book of the same kind,
-- lithium or lead: from the differences between a pack's consecutive tests, which slow ageing leaves alone (von Neumann
-- 1941; about two in three of the differences are degrees of freedom). Student's t goes by the effective degrees of
-- freedom of Welch and Satterthwaite (JCGM 100, G.4).
with day as (
    select coalesce($as_of::date, current_date) as as_of
),
used as (
    select
        test, test_results.pack, is_lead(packs.chemistry) as lead, started, capacity_ah, capacity_ah_u,
        duration_second, discharging_ah, temperature_start,
        coalesce(capacity_ah_lower, false) as lower_bound,
        row_number() over (partition by test_results.pack, coalesce(capacity_ah_lower, false) order by
            if(coalesce(capacity_ah_lower, false), -capacity_ah, -epoch(started)), test) as place
    from test_results
    cross join day
    left join packs on packs.pack = test_results.pack
    where test_results.pack is not null and capacity_ah > 0 and started < as_of + interval 1 day
        and temperature_start >= $warm_celsius
),
repeated as (
    select lead, sqrt(avg(apart ** 2) / 2) as relative, greatest(1, count(apart) * 2 // 3) as freedom
    from (
        select lead, ln(capacity_ah / lag(capacity_ah) over (partition by pack order by started, test)) as apart
        from used where not lower_bound)
    where apart is not null
    group by lead
),
-- a lower bound counts only where no test emptied the pack
chosen as (
    select used.*, count(*) filter (not lower_bound) over (partition by pack) = 0 as only_bounds from used
),
measured as (
    select
        pack, any_value(lead) as lead, any_value(lower_bound) as lower_bound, count(*) as n,
        avg(capacity_ah) as capacity, sqrt(avg(capacity_ah_u ** 2)) as instruments,
        sum(discharging_ah) / (sum(duration_second) / 3600) as ampere, min(temperature_start) as coldest,
        string_agg(format('{} of {}', test, strftime(started, '%Y-%m-%d')), ', ' order by started, test) as tests
    from chosen
    where lower_bound = only_bounds and place <= if(only_bounds, 1, $tests)
    group by pack
),
sure as (
    select
        measured.* exclude (lead, freedom), sqrt(spread ** 2 + instruments ** 2) as u,
        coalesce(least(1e6, floor(freedom * (spread ** 2 + instruments ** 2) ** 2 / nullif(spread ** 4, 0))), 1e6) as freedom
    from (
        select measured.*, freedom, coalesce(capacity * relative / sqrt(n), 0) as spread
        from measured left join repeated on repeated.lead = measured.lead) as measured
),
terms as (
    select
        packs.pack, packs.chemistry, packs.in_service, packs.rated_capacity_ah, packs.rated_hours,
        packs.warranty_years, packs.warranty_capacity_percent, as_of,
        is_lead(packs.chemistry) as lead,
        rated_capacity_ah * warranty_capacity_percent / 100 as warranted,
        (in_service + to_months(round(12 * warranty_years)::integer))::date as warranty_until,
        sure.* exclude (pack), student_95(sure.freedom) * u as half
    from packs
    cross join day
    left join sure on sure.pack = packs.pack
    where $pack is null or packs.pack = $pack
),
judged as (
    select *,
        case
            when capacity is null then 'no test that gives a capacity'
            when warranted is null then 'warranty not stated'
            when lower_bound and capacity >= warranted then 'above the warranted capacity, at least'
            when lower_bound then 'stopped early: cannot be told from a lower bound'
            when half is null then 'no uncertainty, so no verdict'
            when capacity - half > warranted then 'above the warranted capacity'
            when capacity + half < warranted and lead then
                'below it, but at a higher current than that of the rating: not corrected'
            when capacity + half < warranted then 'below the warranted capacity'
            else 'can''t be told from the warranted capacity'
        end
            || case when capacity is null or warranty_until is null then ''
                when warranty_until < as_of then '; warranty over' else '' end as verdict
    from terms
)
select
    pack, chemistry, in_service, warranty_until, rated_capacity_ah, warranted as warranted_ah,
    capacity as capacity_ah, if(lower_bound, null, u) as capacity_ah_u, if(lower_bound, null, capacity - half) as low_ah,
    if(lower_bound, null, capacity + half) as high_ah, lower_bound, 100 * capacity / rated_capacity_ah as health_percent,
    tests, verdict,
    case when capacity is not null then
        concat_ws(' ',
            format('Pack {}', pack)
                || coalesce(format(', {}', chemistry), '') || coalesce(format(', rated {:g} Ah', rated_capacity_ah), '')
                || coalesce(format(' at {:g} h', rated_hours), '')
                || coalesce(format(', in service since {}', in_service::text), '') || '.',
            if(lower_bound,
                format('It gave at least {:.1f} Ah and was not emptied', capacity),
                format('From full to cut-off it gave {:.1f} Ah', capacity)
                    || coalesce(format(' (95 % interval {:.1f} to {:.1f} Ah)', capacity - half, capacity + half), ''))
                || coalesce(format(', {:.0f} % of its rating', 100 * capacity / rated_capacity_ah), '')
                || format(', in {} ({} {}, began at {:.0f} °C or warmer, {:.0f} A on average).',
                    tests, n, if(n = 1, 'test', 'tests'), coldest, ampere),
            case when warranted is not null then
                format('The warranty states {:g} %, which is {:.1f} Ah', warranty_capacity_percent, warranted)
                    || coalesce(format(', until {}', warranty_until::text), '') || '.' end,
            case when lead then 'The rating of a lead pack holds for its stated hours; what it gives at a higher current '
                || 'is less, and this figure is not corrected for the rate.' end)
    end as words
from judged
order by lower_bound nulls last, capacity / warranted nulls last, pack
