-- title: The fleet at a glance
-- asks: How does each cart stand: which pack is in it, how far did it go last, what does it use, how healthy is the
--       pack, and what needs attention?
-- param as_of (date, default null): the state on this day; none given: today
-- param worn_percent (number, default 80): a pack below this health needs attention
-- param stale_days (whole, default 365): a cart not tested for longer needs attention
-- column cart: cart
-- column description: description
-- column pack: pack; the one fitted now, or last tested with where no sheet of fitments names the cart
-- column chemistry: chemistry
-- column last_test: last test; with this pack
-- column last_tested: last tested
-- column range_metre [m]: range; of the last range test that gave one
-- column range_metre_u [m]: standard uncertainty of the range
-- column consumption_wh_per_km [W.h/km]: consumption; of the last range test that gave one
-- column consumption_wh_per_km_u [W.h/km]: standard uncertainty of the consumption
-- column health_percent [%]: health; capacity as last measured against the rating, at 25 degC and the rating's rate where
--       that is known, else as it was driven
-- column health_percent_u [%]: standard uncertainty of the health
-- column findings: findings; warnings and problems in the last test and its logs
-- column attention: attention; what needs it, empty where nothing does

with today as (
    select coalesce($as_of::date, current_date) + interval 1 day as ends
),
results_before as (
    select test_results.* from test_results, today where started < ends
),
-- where no sheet ever said what sits in a cart, the pack it was last tested with
fitted as (
    select cart, arg_max(pack, coalesce(started, '-infinity')) as pack
    from fitments, today
    where coalesce(started, '-infinity') < ends and coalesce(ended, 'infinity') >= ends
    group by cart
    union all
    select cart, arg_max(pack, started) as pack
    from results_before
    where pack is not null and cart not in (select cart from fitments)
    group by cart
),
-- figures of the cart with the pack that sits in it now; a lower bound is no range
of_cart as (
    select
        cart, pack,
        arg_max(test, started) as last_test,
        max(started) as last_tested,
        arg_max(over_continuous_second, started) as over_continuous_second,
        arg_max(over_peak_second, started) as over_peak_second,
        arg_max({'value': range_metre, 'u': range_metre_u}, started)
            filter (kind = 'range' and range_metre is not null and not coalesce(range_metre_lower, false)) as range,
        arg_max({'value': consumption_wh_per_km, 'u': consumption_wh_per_km_u}, started)
            filter (kind = 'range' and consumption_wh_per_km is not null) as consumption
    from results_before
    group by cart, pack
),
-- health belongs to the pack, whichever cart it was measured in
of_pack as (
    select
        pack,
        arg_max({'value': health, 'u': health_u, 'driven': as_driven}, started) as health
    from (
        select
            pack, started, capacity_ah_lower, state_of_health_reference_percent is null as as_driven,
            coalesce(state_of_health_reference_percent, state_of_health_percent) as health,
            case when as_driven then state_of_health_percent_u else state_of_health_reference_percent_u end as health_u
        from results_before
    )
    where health is not null and not coalesce(capacity_ah_lower, false)
    group by pack
),
noticed as (
    select coalesce(findings.test, originals.test) as test, count(*) as findings
    from findings left join originals using (original)
    where severity in ('warning', 'problem')
    group by all
),
state as (
    select
        carts.cart, carts.description, fitted.pack, packs.chemistry, packs.rated_hours, packs.continuous_discharge_ampere,
        packs.peak_discharge_ampere, of_cart.* exclude (cart, pack), of_pack.health,
        coalesce(noticed.findings, 0) as findings,
        date_diff('day', of_cart.last_tested, today.ends) - 1 as days
    from carts
    cross join today
    left join fitted on fitted.cart = carts.cart
    left join packs on packs.pack = fitted.pack
    left join of_cart on of_cart.cart = carts.cart and of_cart.pack is not distinct from fitted.pack
    left join of_pack on of_pack.pack = fitted.pack
    left join noticed on noticed.test = of_cart.last_test
),
judged as (
    select *, concat_ws('; ',
        case when pack is null then 'no pack on record' end,
        case when pack is not null and last_test is null then 'not tested with this pack' end,
        case when days > $stale_days then format('last tested {} days ago', days) end,
        case when health.value < $worn_percent then
            format('health {:.0f} %', health.value)
            || case when health.driven and rated_hours is not null then format(' of its {:g} h rating', rated_hours)
                else '' end end,
        case when over_continuous_second > 1 then format(
            'above its stated continuous {:g} A for {:.0f} s', continuous_discharge_ampere, over_continuous_second) end,
        case when over_peak_second > 1 then format(
            'above its stated peak {:g} A for {:.0f} s', peak_discharge_ampere, over_peak_second) end,
        case when findings > 0 then format('{} finding{} to read', findings, if(findings = 1, '', 's')) end
    ) as attention
    from state
)
select
    cart, description, pack, chemistry, last_test, last_tested,
    range.value as range_metre, range.u as range_metre_u,
    consumption.value as consumption_wh_per_km, consumption.u as consumption_wh_per_km_u,
    health.value as health_percent, health.u as health_percent_u, findings, attention
from judged
order by attention = '', cart
