-- title: Tests that are due
-- asks: Which carts are to be tested again, because of time, use, another pack or other settings?
-- param as_of (date, default null): the state on this day; none given: today
-- param days (whole, default 14): a test is due after so many days
-- param cycles (number, default 10): a test is due after so many times the rated amp-hours
-- param due_only (flag, default no): yes: leave out carts with nothing due
-- column cart: cart
-- column pack: pack; the one fitted now
-- column last_test: last test; range or capacity
-- column last_tested: last tested
-- column days_since [d]: days since
-- column cycles_since: cycles since; amp-hours out in logged drives since, over the rated ones
-- column due: due
-- column words: why

with today as (
    select coalesce($as_of::date, current_date) as as_of
),
fitted as (
    select cart, arg_max({'pack': pack, 'started': started}, coalesce(started, '-infinity')) as now
    from fitments, today
    where coalesce(started, '-infinity') < as_of + interval 1 day and coalesce(ended, 'infinity') >= as_of
    group by cart
),
last_tests as (
    select cart, max_by({'test': test, 'pack': pack, 'started': started, 'ended': coalesce(ended, started),
        'settings': settings, 'current_limit': current_limit_ampere, 'speed_limit': speed_limit_metre_per_second,
        'regen': regen, 'acceleration': acceleration}, started) as last
    from test_results, today
    where kind in ('range', 'capacity') and cart is not null and started < as_of + interval 1 day
    group by cart
),
used as (
    select stint_results.cart, sum(discharging_ah) as ah
    from stint_results
    cross join today
    join last_tests on last_tests.cart = stint_results.cart
    where stint_results.kind = 'drive' and stint_results.started > last.ended
        and stint_results.started < as_of + interval 1 day
    group by stint_results.cart
),
state as (
    select
        carts.cart, coalesce(now.pack, last.pack) as pack, now, last, packs.rated_capacity_ah,
        as_of - last.started::date as days_since,
        case when last is not null then coalesce(used.ah, 0) / packs.rated_capacity_ah end as cycles_since,
        settings.settings is not null and (
            settings.current_limit_ampere is distinct from last.current_limit
            or settings.speed_limit_metre_per_second is distinct from last.speed_limit
            or settings.regen is distinct from last.regen
            or settings.acceleration is distinct from last.acceleration) as other_settings
    from carts
    cross join today
    left join fitted on fitted.cart = carts.cart
    left join last_tests on last_tests.cart = carts.cart
    left join used on used.cart = carts.cart
    left join packs on packs.pack = coalesce(now.pack, last.pack)
    left join settings on settings.settings = last.settings
),
judged as (
    select *, concat_ws('; ',
        case when last is null then 'never tested' end,
        case when days_since > $days then format('last tested {} days ago', days_since) end,
        case when now.pack <> last.pack then format('pack {}', now.pack)
            || coalesce(format(' fitted on {}', now.started::date::text), '') || ' is not tested in this cart' end,
        case when other_settings then format('settings `{}` have changed since', last.settings) end,
        case when cycles_since > $cycles then format('{:.1f} cycles since the last test', cycles_since) end
    ) as words
    from state
)
select
    cart, pack, last.test as last_test, last.started as last_tested, days_since, cycles_since, words <> '' as due, words
from judged
where not $due_only or words <> ''
order by due desc, last is null desc, days_since desc, cart
