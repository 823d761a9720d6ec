-- title: How charging goes
-- asks: How much more goes into each pack than comes out, how much of the energy comes back, and was it charged too
--       fast or too cold?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param pack (text, default null): this pack only
-- param within_hours (number, default 24): a charge begun within so many hours after a drive to cut-off fills what that took
-- column pack: pack
-- column chemistry: chemistry
-- column charges: charges; of 10 minutes and more
-- column loops: loops; a test from full to cut-off and the charge after it
-- column factor: charge factor; amp-hours in over amp-hours out, mean of the loops
-- column low_factor: charge factor, low end; of its 95 % interval, from 3 loops on
-- column high_factor: charge factor, high end; of its 95 % interval, from 3 loops on
-- column energy_percent [%]: energy efficiency; energy out over energy in, mean of the loops
-- column charge_hours [h]: time of charging; median of the loops
-- column highest_ampere [A]: highest charge current
-- column rating_ampere [A]: stated limit of the charge current
-- column coldest [Cel]: coldest pack at the start of a charge
-- column cold_charges: cold charges; begun below 0 °C
-- column verdict: verdict
-- plot: {"layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low_factor", "type": "quantitative"}, "x2": {"field": "high_factor"}}},
--     {"mark": "point", "encoding": {"x": {"field": "factor", "type": "quantitative", "scale": {"zero": false}},
--         "color": {"field": "chemistry", "type": "nominal"}}}],
--     "encoding": {"y": {"field": "pack", "type": "nominal", "sort": null}}}

-- Amp-hours in over out: 1.00 to 1.03 for lithium and 1.05 to 1.20 for lead is usual; outside, look first for a shunt's
-- offset, missing rows, or a charge that was not full (common practice, no source). A loop is the charging that comes
-- after a test from full to cut-off and before the pack's next drive, all pieces of it together.
with charges as (
    select
        stint_results.*, packs.chemistry, packs.continuous_charge_ampere as rating,
        charging_ah - coalesce(discharging_ah, 0) as ah, charging_wh - coalesce(discharging_wh, 0) as wh
    from stint_results left join packs using (pack)
    where kind = 'charge' and pack is not null and duration_second >= 600 and charging_ah > 0
        and ($since is null or started >= $since) and ($pack is null or pack = $pack)
),
drives as (
    select pack, started from stint_results where kind = 'drive' and pack is not null and discharging_ah > 0
),
emptied as (
    select
        test, tests.pack, coalesce(ended, started) as ended, capacity_ah, capacity_wh,
        (select min(drives.started) from drives
            where drives.pack = tests.pack and drives.started >= coalesce(tests.ended, tests.started)) as next_drive
    from test_results as tests
    where capacity_ah > 0 and not coalesce(capacity_ah_lower, false)
),
loops as (
    select
        emptied.pack, emptied.test, sum(charges.ah) / any_value(emptied.capacity_ah) as factor,
        100 * any_value(emptied.capacity_wh) / sum(charges.wh) as efficiency, sum(charges.duration_second) / 3600 as hours
    from emptied
    join charges on charges.pack = emptied.pack and charges.started >= emptied.ended - interval 10 minutes
        and charges.started < coalesce(next_drive, 'infinity')
        and charges.started <= emptied.ended + to_seconds(3600 * $within_hours)
    group by emptied.pack, emptied.test
),
factors as (
    select
        pack, count(*) as loops, mean_95(list(factor order by factor)) as factor, avg(efficiency) as efficiency,
        median(hours) as hours
    from loops
    group by pack
),
of_packs as (
    select
        pack, any_value(chemistry) as chemistry, count(*) as charges, max(peak_charge_ampere) as highest,
        any_value(rating) as rating, min(temperature_start) as coldest,
        count(*) filter (temperature_start < 0) as cold
    from charges
    group by pack
)
select
    of_packs.pack, chemistry, charges, coalesce(loops, 0) as loops, factor.mean as factor,
    case when loops >= 3 then factor.low end as low_factor, case when loops >= 3 then factor.high end as high_factor,
    efficiency as energy_percent, hours as charge_hours, highest as highest_ampere, rating as rating_ampere, coldest,
    cold as cold_charges,
    concat_ws('; ',
        case
            when factor.mean is null then 'no drive to cut-off with a charge after it'
            when chemistry is null then 'chemistry not stated'
            when factor.mean < if(is_lead(chemistry), 1.05, 1.0) then
                'less went in than usual: look for a charge not full, missing rows, the shunt''s offset'
            when factor.mean > if(is_lead(chemistry), 1.2, 1.03) then
                'more went in than usual: look for missing rows, the shunt''s offset'
                    || if(is_lead(chemistry), ', overcharging', '')
            else 'as usual for ' || if(is_lead(chemistry), 'lead', 'lithium')
        end,
        case when highest > 1.02 * rating then format('above its stated limit of {:g} A', rating) end,
        case when cold > 0 and not is_lead(chemistry) then format('{} charge{} begun below 0 °C, which harms lithium cells',
            cold, if(cold = 1, '', 's')) end) as verdict
from of_packs
left join factors on factors.pack = of_packs.pack
order by cold_charges desc, pack
