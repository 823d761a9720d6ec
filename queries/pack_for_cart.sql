-- title: A pack for a cart
-- asks: Which packs fit the tray and the voltage of a cart, carry its controller's limit, and how far would it go?
-- param cart (text, default null): this cart only
-- param clearance_mm (number, default 10): room to leave in length, in width and in height
-- param voltage_percent (number, default 10): nominal voltage no further than this from the cart's
-- param fitting_only (flag, default no): yes: leave out packs that the tray is too small for
-- column cart: cart
-- column pack: pack
-- column chemistry: chemistry
-- column sits_in: sits in; the cart it is in now
-- column fit: fit
-- column current: current
-- column mass_change_kg [kg]: change of mass; against the pack in the cart now
-- column energy_wh [W.h]: energy; mean of the pack's own tests from full to cut-off
-- column consumption_wh_per_km [W.h/km]: consumption; mean of the cart's range tests
-- column range_metre [m]: range to expect; from full to cut-off
-- column low_metre [m]: range to expect, low end; of the 95 % interval of one drive
-- column high_metre [m]: range to expect, high end; of the 95 % interval of one drive
-- column price: price
-- column currency: currency
-- column words: words
-- plot: {"transform": [{"calculate": "datum.cart + ' with ' + datum.pack", "as": "which"},
--         {"window": [{"op": "row_number", "as": "place"}]}],
--     "layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low_metre", "type": "quantitative"}, "x2": {"field": "high_metre"}}},
--     {"mark": "point", "encoding": {"x": {"field": "range_metre", "type": "quantitative"},
--         "color": {"field": "fit", "type": "nominal"}}}],
--     "encoding": {"y": {"field": "which", "type": "nominal", "sort": {"field": "place", "op": "min"}}}}

-- A box fits a tray with its edges along the tray's when its sides, put in order, are no longer than the tray's in
-- order: that is all six ways to lay it. A flooded pack stands upright, so only its two upright ways count; whether
-- another may lie on a side is for its maker to say. The interval joins the spreads of energy and of consumption in one
-- drive (relative, in quadrature), with Student's t of the fewer tests. Another mass changes the consumption, and a
-- lead pack gives less at a higher current: neither is in it.
with day as (
    select current_date as today
),
sits as (
    select cart, arg_max(pack, coalesce(started, '-infinity')) as pack
    from fitments, day
    where coalesce(started, '-infinity') < today + interval 1 day and coalesce(ended, 'infinity') >= today
    group by cart
),
energies as (
    select pack, count(*) as n, avg(capacity_wh) as mean, stddev_samp(capacity_wh) / avg(capacity_wh) as spread
    from test_results
    where capacity_wh > 0 and not coalesce(capacity_wh_lower, false)
    group by pack
),
consumptions as (
    select
        cart, count(*) as n, avg(consumption_wh_per_km) as mean,
        stddev_samp(consumption_wh_per_km) / avg(consumption_wh_per_km) as spread
    from test_results
    where kind = 'range' and consumption_wh_per_km > 0
    group by cart
),
pairs as (
    select
        carts.cart, packs.pack, packs.chemistry, packs.price, packs.currency, controller_limit_ampere as wanted,
        packs.continuous_discharge_ampere as continuous, packs.peak_discharge_ampere as peak,
        packs.peak_time_second as peak_time,
        [tray_length_mm, tray_width_mm] as floor, tray_height_mm as height,
        [packs.length_mm + $clearance_mm, packs.width_mm + $clearance_mm] as base,
        packs.height_mm + $clearance_mm as tall,
        packs.mass_kg - old.mass_kg as mass_change, sat.cart as sits_in, nominal.mean as energy, used.mean as consumption,
        student_95(least(nominal.n, used.n) - 1)
            * sqrt(nominal.spread ** 2 * (1 + 1 / nominal.n) + used.spread ** 2 * (1 + 1 / used.n)) as half
    from carts
    join packs on packs.nominal_voltage_volt is null or carts.system_voltage_volt is null
        or abs(packs.nominal_voltage_volt / carts.system_voltage_volt - 1) <= $voltage_percent / 100
    left join sits on sits.cart = carts.cart
    left join packs as old on old.pack = sits.pack
    left join sits as sat on sat.pack = packs.pack
    left join energies as nominal on nominal.pack = packs.pack
    left join consumptions as used on used.cart = carts.cart
    where $cart is null or carts.cart = $cart
),
laid as (
    select *,
        tall <= height and list_sort(base)[1] <= list_sort(floor)[1] and list_sort(base)[2] <= list_sort(floor)[2]
            as upright,
        list_sort(base || [tall]) as sides, list_sort(floor || [height]) as room
    from pairs
),
judged as (
    select *,
        case
            when base[1] is null or base[2] is null or tall is null then 'size of the pack not stated'
            when floor[1] is null or floor[2] is null or height is null then 'size of the tray not stated'
            when upright then 'fits upright'
            when sides[1] <= room[1] and sides[2] <= room[2] and sides[3] <= room[3] then
                if(chemistry = 'flooded', 'fits on a side only, and must stand upright', 'fits on a side')
            else 'tray too small'
        end as fit,
        case
            when wanted is null then 'controller limit not stated'
            when continuous is null and peak is null then 'pack''s limits not stated'
            when wanted <= continuous then 'within its stated continuous limit'
            when wanted <= peak then coalesce(format('above its stated limit of {:g} A continuous, ', continuous), '')
                || format('within its stated peak of {:g} A', peak) || coalesce(format(' for {:g} s', peak_time), '')
            else format('above its stated limit of {:g} A', coalesce(peak, continuous))
        end as current,
        coalesce(wanted > coalesce(peak, continuous), false) as too_much
    from laid
)
select
    cart, pack, chemistry, sits_in, fit, current, mass_change as mass_change_kg, energy as energy_wh,
    consumption as consumption_wh_per_km, 1000 * energy / consumption as range_metre,
    1000 * energy / consumption * greatest(0, 1 - half) as low_metre, 1000 * energy / consumption * (1 + half) as high_metre,
    price, currency,
    concat_ws('; ',
        case when fit = 'fits on a side' then 'ask its maker whether it may lie so' end,
        case when sits_in = cart then 'in this cart now' when sits_in is not null then 'in ' || sits_in || ' now' end,
        case when current like 'above%' then
            format('controller limit is {:g} A: lower it, or ask the pack''s maker', wanted) end,
        case when energy is null then 'no test of this pack from full to cut-off' end,
        case when consumption is null then 'no range test of this cart' end) as words
from judged
where not $fitting_only or fit not in ('tray too small', 'fits on a side only, and must stand upright')
order by cart, not upright nulls last, too_much, range_metre desc nulls last, pack
