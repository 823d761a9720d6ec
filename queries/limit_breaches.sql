-- title: Outside the stated limits
-- asks: When was a pack asked for more current than its maker states, how much more, and for how long?
-- param since (date, default null): first day that counts; none given: from the beginning
-- param cart (text, default null): this cart only
-- param pack (text, default null): this pack only
-- param longer_than (number, default 1): seconds above a limit that do not count yet
-- column started: started
-- column cart: cart
-- column pack: pack
-- column test: test; empty for a drive outside any test
-- column stint: stint; given where there is no test
-- column bound: limit; continuous or peak discharge
-- column rating_ampere [A]: stated limit
-- column over_second [s]: time above it
-- column highest_ampere [A]: highest current out
-- column highest_10s_ampere [A]: highest mean of 10 s
-- column highest_60s_ampere [A]: highest mean of 60 s
-- column words: in words

with driven as (
    select
        started, cart, pack, test, null::text as stint, over_continuous_second, over_peak_second,
        peak_discharge_ampere as highest, peak_discharge_10s_ampere as highest_10s,
        peak_discharge_60s_ampere as highest_60s
    from test_results
    union all by name
    select
        started, cart, pack, null::text as test, stint, over_continuous_second, over_peak_second,
        peak_discharge_ampere as highest, peak_discharge_10s_ampere as highest_10s,
        peak_discharge_60s_ampere as highest_60s
    from stint_results
    where test is null
),
against as (
    select driven.*, 'continuous' as bound, over_continuous_second as seconds,
        packs.continuous_discharge_ampere as rating
    from driven left join packs using (pack)
    union all by name
    select driven.*, 'peak' as bound, over_peak_second as seconds, packs.peak_discharge_ampere as rating
    from driven left join packs using (pack)
)
select
    started, cart, pack, test, stint, bound, rating as rating_ampere, seconds as over_second,
    highest as highest_ampere, highest_10s as highest_10s_ampere, highest_60s as highest_60s_ampere,
    format('above its stated limit of {:g} A for {} s', rating, if(seconds < 10, round(seconds, 1)::text,
        round(seconds)::bigint::text)) as words
from against
where seconds > $longer_than and ($since is null or started >= $since)
    and ($cart is null or cart = $cart) and ($pack is null or pack = $pack)
order by started, cart, test, stint, bound
