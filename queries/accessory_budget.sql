-- title: Lights, radio and fans on 12 V
-- asks: What do 12 V loads cost a cart in range through a converter, how long would a battery of their own last, and
--       which fuse goes with them?
-- param cart (text, default null): this cart only
-- param watts (number, default 60): power of all loads together
-- param hours (number, default 4): time they are on in a drive from full to cut-off
-- param volts (number, default 12): voltage of the loads
-- param efficiency (number, default 0.85): share of the converter's input that comes out
-- param battery_ah (number, default 35): rated amp-hours of a battery of their own
-- param battery_share (number, default 0.5): share of these that is used before it is charged again
-- column cart: cart
-- column pack: pack; the one in the cart now
-- column load_ampere [A]: current of the loads
-- column load_fuse_ampere [A]: fuse of the loads; next common size at or above 125 % of their current
-- column converter_watt [W]: power into the converter
-- column input_ampere [A]: current into the converter; at the pack's cut-off voltage, where it is highest
-- column input_fuse_ampere [A]: fuse of the converter; next common size at or above 125 % of that current
-- column energy_wh [W.h]: energy from the pack
-- column share_percent [%]: share of the pack's energy; mean of its tests from full to cut-off
-- column range_lost_metre [m]: range lost; at the cart's mean consumption
-- column range_metre [m]: range without loads
-- column battery_hours [h]: hours from a battery of their own
-- column words: words

-- 125 % of the continuous current and the sizes of fuses are common practice, no source. A fuse protects the wire: one
-- bigger than the wire carries is wrong, whatever the load. The pack side needs one made for its DC voltage.
with day as (
    select current_date as today
),
sits as (
    select cart, arg_max(pack, coalesce(started, '-infinity')) as pack
    from fitments, day
    where coalesce(started, '-infinity') < today + interval 1 day and coalesce(ended, 'infinity') >= today
    group by cart
),
loads as (
    select
        $watts::double as watts, $watts / nullif($volts, 0) as ampere, $watts / nullif($efficiency, 0) as drawn,
        [1, 2, 3, 5, 7.5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 100, 125, 150, 175, 200, 250, 300] as sizes
),
energies as (
    select pack, avg(capacity_wh) as mean
    from test_results
    where capacity_wh > 0 and not coalesce(capacity_wh_lower, false)
    group by pack
),
consumptions as (
    select cart, avg(consumption_wh_per_km) as mean
    from test_results
    where kind = 'range' and consumption_wh_per_km > 0
    group by cart
),
state as (
    select
        carts.cart, sits.pack, loads.*, drawn / nullif(packs.cut_off_voltage_volt, 0) as input,
        drawn * $hours as wh, energies.mean as energy, consumptions.mean as consumption,
        $battery_ah * $battery_share / nullif(ampere, 0) as battery_hours
    from carts
    cross join loads
    left join sits on sits.cart = carts.cart
    left join packs on packs.pack = sits.pack
    left join energies on energies.pack = sits.pack
    left join consumptions on consumptions.cart = carts.cart
    where $cart is null or carts.cart = $cart
)
select
    cart, pack, ampere as load_ampere,
    list_min(list_filter(sizes, lambda size: size >= 1.25 * ampere))::double as load_fuse_ampere,
    drawn as converter_watt, input as input_ampere,
    list_min(list_filter(sizes, lambda size: size >= 1.25 * input))::double as input_fuse_ampere,
    wh as energy_wh, 100 * wh / energy as share_percent, 1000 * least(wh, energy) / consumption as range_lost_metre,
    1000 * energy / consumption as range_metre, battery_hours,
    concat_ws('; ',
        case
            when pack is null then 'no pack on record'
            when energy is null then 'no test of this pack from full to cut-off'
        end,
        case when consumption is null then 'no range test of this cart' end,
        case when wh > energy then 'more than the pack gave in its tests' end,
        case
            when battery_hours < $hours then format(
                'a battery of {:g} Ah lasts {:.1f} of {:g} h', $battery_ah::double, battery_hours, $hours::double)
            when battery_hours >= $hours then format(
                'a battery of {:g} Ah lasts {:g} h, the pack loses nothing', $battery_ah::double, $hours::double)
        end,
        case when 1.25 * greatest(ampere, coalesce(input, 0)) > sizes[-1] then 'more than common fuses carry' end) as words
from state
order by share_percent desc nulls last, cart
