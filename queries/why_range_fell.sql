-- title: Why the range fell
-- asks: Did a cart's range change for its pack, the cold, the cart itself, its driving, its payload or its route?
-- param cart (text, default null): this cart only
-- param split (date, default null): the day; tests on it count as after; none given: where a step in the consumption
--       stands out, else the middle of its tests
-- param since (date, default null): first day that counts; none given: from the beginning
-- param until (date, default null): last day that counts; none given: to the end
-- column cart: cart
-- column split: day; tests from it on are after
-- column part: part; all but the first add up to the first
-- column before_tests: tests before; that tell this part
-- column after_tests: tests after
-- column change_percent [%]: change of the range; of the range before
-- column low_percent [%]: change, low end; of its 95 % interval
-- column high_percent [%]: change, high end; of its 95 % interval
-- column range_change_metre [m]: change of the range as a way
-- column low_metre [m]: as a way, low end; of its 95 % interval
-- column high_metre [m]: as a way, high end; of its 95 % interval
-- column words: what it means
-- plot: {"transform": [{"window": [{"op": "row_number", "as": "place"}]},
--         {"calculate": "datum.cart + ', ' + datum.part", "as": "which"},
--         {"calculate": "datum.part == 'whole' ? 'whole' : 'part of it'", "as": "state"}],
--     "layer": [
--     {"mark": "bar", "encoding": {"x": {"field": "change_percent", "type": "quantitative",
--             "title": "Change of the range (% of the range before)"},
--         "opacity": {"value": 0.35}, "color": {"field": "state", "type": "nominal", "title": null}}},
--     {"mark": "rule", "encoding": {"x": {"field": "low_percent", "type": "quantitative",
--             "title": "Change of the range (% of the range before)"}, "x2": {"field": "high_percent"}}},
--     {"mark": {"type": "rule", "strokeDash": [4, 3], "color": "gray"},
--         "encoding": {"x": {"datum": 0}, "y": {"value": 0}, "y2": {"value": "height"}}}],
--     "encoding": {"y": {"field": "which", "type": "nominal", "title": null, "sort": {"field": "place", "op": "min"}}}}

-- Range is usable energy over consumption, so that ln range = ln energy - ln consumption. Energy is what the pack holds
-- at reference conditions times the share that was had of it. A change of the consumption, in Wh/km, is a sum:
--   drive   what drag and accessories take at the speed driven: 1/2 d A v^2 / e, and P0 over the mean speed
--   load    what mass takes: rolling (Wh/km for a kg, mean of the cart's tests) and the climb, half of which is lost
--   routes  what is left, less its change on the same routes: least squares of periods and routes, as in before_after
--   own     change, on the same routes, of the power on the level, less drag and accessories, for a kg at the mean mass
-- Divided by the logarithmic mean of the consumptions, differences in Wh/km are differences of logarithms (Ang, Energy
-- Policy 32:1131, 2004, from memory), and all are shown in percent by one factor: they add up. The cart's median drag
-- area, driveline efficiency e and P0 are used where its tests tell them, else 1.4 m2 (limit 0.6), 1/1.39 (limit 0.28)
-- and 75 W; the lost half of the climb has a limit of a half; d is 1.2 kg/m3 (common practice, no source): u of 27 % of
-- drag and of 59 % of the climb. A part that the book can't tell is null and stays in what is unexplained. Intervals:
-- Student's t with the spread of both periods pooled, and the uncertainties of tests and assumptions, by squares; for a
-- mix of routes the variance with routes in the fit less that without (Hausman 1978). What is unexplained has that of
-- the rest on the same routes and those of the parts taken from it, as if they had nothing in common: rather too wide.
-- A cart with no stated mass is taken not to change it.
with used as (
    select
        cart, pack, route, settings, started, consumption_wh_per_km as consumption, mean_moving_speed as speed,
        case when not coalesce(capacity_wh_lower, false) and capacity_wh > 0 then ln(capacity_wh) end as energy,
        case when not coalesce(capacity_wh_lower, false) and capacity_wh > 0 and capacity_reference_ah > 0
            then ln(capacity_reference_ah * nominal_voltage_volt) end as held,
        coalesce(capacity_reference_ah_u / capacity_reference_ah, 0) as held_u,
        coalesce(mean_speed, mean_moving_speed) as overall, 1 - moving_second / duration_second as standing,
        climb_metre / distance_metre as slope, level_speed,
        cart_mass_kg + coalesce(payload_kg, avg(payload_kg) over (partition by cart), 0) as mass,
        level_watt / level_speed / 3.6 as level, coalesce(level_watt_u / level_speed / 3.6, 0) as level_u,
        coalesce(1 / median(driveline_efficiency) over (partition by cart), 1.39) as loss,
        coalesce(median(drag_area_m2) over (partition by cart), 1.4) as area,
        coalesce(median(auxiliary_watt) over (partition by cart), 75) as auxiliary,
        consumption_wh_per_km / avg(consumption_wh_per_km) over (partition by cart, settings)
            / avg(consumption_wh_per_km) over (partition by cart, route) as step_level
    from test_results
    where kind = 'range' and started is not null and consumption_wh_per_km > 0 and ($cart is null or cart = $cart)
        and ($since is null or started >= $since) and ($until is null or started < $until::date + 1)
),
sought as (
    select cart, list(started order by started) as times, one_break(list(step_level order by started), 3) as step,
        coalesce(pettitt_p(list(step_level order by started)) <= 0.05, false) as stands_out
    from used
    where cart is not null
    group by cart
),
days as (
    select
        cart,
        coalesce($split::timestamptz, times[if(stands_out and step is not null, step.n_before, len(times) // 2) + 1])
            as day,
        case when $split is not null then 'the day asked for'
            when stands_out and step is not null then 'the day of a step in its consumption, sought in the same tests'
            else 'the middle of its tests' end as why
    from sought
),
-- Wh/km: the drag and the accessories, as driven and on the level, the climb, and the level's rest for a kg
priced as (
    select
        used.*, day, why, started >= day as is_after, 0.6 * area * loss / 3.6 * speed ** 2 as drag,
        drag + auxiliary / 3.6 / overall as drive, 0.5 * loss * 9.80665 * mass * slope / 3.6 as climb,
        (level - 0.6 * area * loss / 3.6 * level_speed ** 2 - auxiliary / 3.6 / level_speed) / coalesce(mass, 1)
            as own_for_kg
    from used join days using (cart)
),
terms as (
    select
        *, energy - held as had, own_for_kg * coalesce(avg(mass) over same, 1) as own,
        greatest(0, coalesce(avg(own_for_kg) over same,
            avg(consumption - coalesce(drive, 0) - coalesce(climb, 0)) over same / avg(mass) over same)) * mass
            + coalesce(climb, 0) as load,
        consumption - coalesce(drive, avg(drive) over same, 0) - coalesce(load, 0) as rest, rest as rest_on_routes
    from priced
    window same as (partition by cart)
),
cells as (
    select
        cart, what, is_after, if(what in ('own', 'rest_on_routes'), route, null) as block,
        count(*) as n, avg(value) as mean, coalesce(var_samp(value), 0) * (count(*) - 1) as squares
    from (unpivot (select cart, is_after, route, consumption, energy, held, had, drive, load, own, rest, rest_on_routes
            from terms)
        on consumption, energy, held, had, drive, load, own, rest, rest_on_routes into name what value value)
    group by all
),
pairs as (
    select
        cart, what, one.n as before_n, other.n as after_n, one.n * other.n / (one.n + other.n) as weight,
        one.mean as before, other.mean - one.mean as change, one.squares + other.squares as squares
    from cells as one
    join cells as other using (cart, what)
    where other.is_after and not one.is_after and one.block is not distinct from other.block
),
fits as (
    select
        cart, what, sum(before_n)::bigint as before_tests, sum(after_n)::bigint as after_tests,
        weighted_mean(before, weight) as before, weighted_mean(change, weight) as change,
        1 / sum(weight) as per_variance, sum(before_n + after_n)::bigint - count(*) - 1 as freedom,
        (sum(squares) + greatest(0, sum(weight * change ** 2) - sum(weight * change) ** 2 / sum(weight)))
            / nullif(freedom, 0) as variance,
        student_95(freedom) * sqrt(variance * per_variance) as half
    from pairs
    group by cart, what
),
-- what is known of both periods but of no single part; 1.96 standard uncertainties as half an interval
facts as (
    select
        cart, any_value(day) as day, any_value(why) as why,
        string_agg(distinct pack, ', ' order by pack) filter (not is_after) as packs_before,
        string_agg(distinct pack, ', ' order by pack) filter (is_after) as packs_after,
        avg(level) filter (not is_after) as level_before,
        avg(speed) filter (is_after) / avg(speed) filter (not is_after) - 1 as faster,
        avg(standing) filter (is_after) as standing_after, avg(standing) filter (not is_after) as standing_before,
        string_agg(distinct settings, ', ' order by settings) filter (is_after) as settings_after,
        string_agg(distinct settings, ', ' order by settings) filter (not is_after) as settings_before,
        avg(mass) filter (is_after) / avg(mass) filter (not is_after) - 1 as heavier,
        avg(slope) filter (is_after) / nullif(avg(slope) filter (not is_after), 0) - 1 as steeper,
        coalesce(1.96 * 0.27 * abs(avg(drag) filter (is_after) - avg(drag) filter (not is_after)), 0) as drag_half,
        coalesce(1.96 * 0.59 * abs(avg(climb) filter (is_after) - avg(climb) filter (not is_after)), 0) as climb_half,
        1.96 * sqrt(sum(level_u ** 2) filter (is_after and level is not null)
            / count(level) filter (is_after) ** 2 + sum(level_u ** 2) filter (not is_after and level is not null)
            / count(level) filter (not is_after) ** 2) as level_half,
        1.96 * sqrt(sum(held_u ** 2) filter (is_after and held is not null)
            / count(held) filter (is_after) ** 2 + sum(held_u ** 2) filter (not is_after and held is not null)
            / count(held) filter (not is_after) ** 2) as held_half
    from terms
    group by cart
),
wide as (
    select
        facts.*, consumption.before as used_before, consumption.change as used_change, energy, held, had, own, drive,
        load, rest_on_routes, consumption.before_tests, consumption.after_tests, consumption.half as used_half,
        if(used_change = 0, used_before, used_change / ln(1 + used_change / used_before)) as log_mean,
        rest.change - rest_on_routes.change as mix,
        student_95(rest_on_routes.freedom) * sqrt(rest_on_routes.variance
            * greatest(0, rest_on_routes.per_variance - rest.per_variance)) as mix_half
    from facts
    join fits as consumption on consumption.cart = facts.cart and consumption.what = 'consumption'
    left join fits as energy on energy.cart = facts.cart and energy.what = 'energy'
    left join fits as held on held.cart = facts.cart and held.what = 'held'
    left join fits as had on had.cart = facts.cart and had.what = 'had'
    left join fits as own on own.cart = facts.cart and own.what = 'own'
    left join fits as drive on drive.cart = facts.cart and drive.what = 'drive'
    left join fits as load on load.cart = facts.cart and load.what = 'load'
    left join fits as rest on rest.cart = facts.cart and rest.what = 'rest'
    left join fits as rest_on_routes on rest_on_routes.cart = facts.cart and rest_on_routes.what = 'rest_on_routes'
),
-- in logarithms of the range
logs as (
    select
        *, coalesce(energy.change, 0) - used_change / log_mean as whole,
        -own.change / log_mean as own_part, -drive.change / log_mean as drive_part,
        -coalesce(load.change + coalesce(mix, 0), mix) / log_mean as load_part,
        whole - coalesce(held.change, 0) - coalesce(had.change, 0) - coalesce(own_part, 0) - coalesce(drive_part, 0)
            - coalesce(load_part, 0) as unexplained,
        1000 * exp(energy.before) / used_before as metre_before,
        if(whole = 0, 1, (exp(whole) - 1) / whole) as scale,
        sqrt(coalesce(energy.half, 0) ** 2 + (used_half / log_mean) ** 2) as whole_half,
        sqrt(held.half ** 2 + held_half ** 2) as held_all,
        sqrt(own.half ** 2 + level_half ** 2 + drag_half ** 2) / log_mean as own_half,
        sqrt(drive.half ** 2 + drag_half ** 2) / log_mean as drive_half,
        sqrt(coalesce(load.half, 0) ** 2 + climb_half ** 2 + coalesce(mix_half, 0) ** 2) / log_mean as load_half,
        sqrt(coalesce(rest_on_routes.half, used_half) ** 2 + coalesce(own.half ** 2 + level_half ** 2, 0)
            + drag_half ** 2 + climb_half ** 2) / log_mean as unexplained_half
    from wide
),
listed as (
    select cart, day, scale, metre_before, unnest([
        {'place': 1, 'part': 'whole', 'n': before_tests, 'm': after_tests, 'change': whole, 'half': whole_half,
            'less': 'the range fell', 'more': 'the range grew', 'missing': '',
            'note': 'split at ' || why || if(energy.change is null, '; no test from full to cut-off in both periods: '
                || 'the energy is taken as unchanged', '')},
        {'place': 2, 'part': 'the pack''s capacity', 'n': held.before_tests, 'm': held.after_tests,
            'change': held.change, 'half': held_all,
            'less': format('{} holds {:.0f} % less at reference conditions', whose, -100 * expm),
            'more': format('{} holds {:.0f} % more at reference conditions', whose, 100 * expm),
            'missing': 'no capacity at reference conditions in both periods', 'note': ''},
        {'place': 3, 'part': 'cold and hard driving of the pack', 'n': had.before_tests, 'm': had.after_tests,
            'change': had.change, 'half': had.half,
            'less': 'less was had of what the pack holds: colder, or driven harder',
            'more': 'more was had of what the pack holds: warmer, or driven more gently',
            'missing': 'no capacity at reference conditions in both periods', 'note': ''},
        {'place': 4, 'part': 'the cart itself', 'n': own.before_tests, 'm': own.after_tests, 'change': own_part,
            'half': own_half, 'less': format('the cart itself takes {:.0f} % more on the level at the same speed and '
                || 'mass: look at brakes, bearings, tyre pressure', 100 * own.change / level_before),
            'more': format('the cart itself takes {:.0f} % less on the level at the same speed and mass',
                -100 * own.change / level_before),
            'missing': 'no route in both periods with the power on the level', 'note': ''},
        {'place': 5, 'part': 'how it was driven', 'n': drive.before_tests, 'm': drive.after_tests, 'change': drive_part,
            'half': drive_half, 'less': manner, 'more': manner,
            'missing': 'no speed on the move in both periods', 'note': ''},
        {'place': 6, 'part': 'payload, route and climb', 'n': coalesce(load.before_tests, rest_on_routes.before_tests),
            'm': coalesce(load.after_tests, rest_on_routes.after_tests), 'change': load_part, 'half': load_half,
            'less': ground, 'more': ground,
            'missing': 'no mass of the cart is stated, and no route was driven in both periods',
            'note': if(mix is null and load_part is not null,
                'no route was driven in both periods: routes are not told apart', '')},
        {'place': 7, 'part': 'unexplained', 'n': before_tests, 'm': after_tests, 'change': unexplained,
            'half': unexplained_half,
            'less': 'something else takes range: wind, stops, surface, or a part above that can''t be told',
            'more': 'something else gives range: wind, stops, surface, or a part above that can''t be told',
            'missing': '', 'note': ''}]) as row
    from (select *, exp(held.change) - 1 as expm,
            if(packs_before is not distinct from packs_after, 'the pack',
                format('{} in place of {}', coalesce(packs_after, '?'), coalesce(packs_before, '?'))) as whose,
            concat_ws(', ', format('mean speed on the move {:+.1f} %', 100 * faster),
                format('standing {:.0f} % of the time, {:.0f} before', 100 * standing_after, 100 * standing_before),
                case when settings_before <> settings_after then 'other settings' end) as manner,
            concat_ws(', ', case when abs(heavier) > 0.005 then format('mass driven {:+.0f} %', 100 * heavier) end,
                case when abs(steeper) > 0.005 then format('climb for a way {:+.0f} %', 100 * steeper) end,
                case when abs(mix) > 0.001 * used_before then 'another mix of routes' end) as ground
        from logs)
)
select
    cart, day::date as split, row.part, row.n as before_tests, row.m as after_tests,
    100 * scale * row.change as change_percent,
    100 * scale * (row.change - row.half) as low_percent, 100 * scale * (row.change + row.half) as high_percent,
    metre_before * scale * row.change as range_change_metre,
    metre_before * scale * (row.change - row.half) as low_metre,
    metre_before * scale * (row.change + row.half) as high_metre,
    concat_ws('; ',
        case
            when row.change is null then 'can''t be told: ' || row.missing || '; it is in what is unexplained'
            when row.half is null then 'too few tests for an interval'
            -- a billionth: rounding is no change
            when row.change + row.half < -1e-9 then row.less
            when row.change - row.half > 1e-9 then row.more
            else 'can''t be told from nothing'
        end, nullif(row.note, '')) as words
from listed
order by cart, row.place
