-- title: Settings that go furthest
-- asks: Which settings give the most range or use the least on the same cart, and which can't be told apart?
-- param by (text, default range): range or consumption
-- param since (date, default null): first day that counts; none given: from the beginning
-- param until (date, default null): last day that counts; none given: to the end
-- param cart (text, default null): this cart only
-- param route (text, default null): tests on this route only
-- param kind (text, default range): tests of this kind
-- column rank: rank; 1 goes furthest, or uses least
-- column settings: settings
-- column tests: tests
-- column carts: carts; driven with these and with the first
-- column difference_percent [%]: difference to the first
-- column low_percent [%]: difference, low end; of its 95 % interval, not corrected
-- column high_percent [%]: difference, high end; of its 95 % interval, not corrected
-- column p: chance; of so large a difference to the first where there is none, corrected after Holm for all pairs
-- column better_than: better than; settings that are worse by more than chance, corrected after Holm for all pairs
-- column alike: can't be told apart from
-- column verdict: verdict
-- column range_metre [m]: naive range; mean over all carts, which mixes the cart with the settings
-- column consumption_wh_per_km [W.h/km]: naive consumption
-- plot: {"layer": [
--     {"mark": "rule", "encoding": {"x": {"field": "low_percent", "type": "quantitative"},
--         "x2": {"field": "high_percent"}, "y": {"field": "settings", "type": "nominal", "sort": null}}},
--     {"mark": {"type": "rule", "strokeDash": [4, 3], "color": "gray"}, "encoding": {"x": {"datum": 0}}},
--     {"mark": "point", "encoding": {"x": {"field": "difference_percent", "type": "quantitative"},
--         "y": {"field": "settings", "type": "nominal", "sort": null}}}]}

-- Each cart with each pack is a block. In a block, the logarithms of range or consumption are compared between two
-- settings, and the blocks averaged with weights n·m/(n+m): least squares in blocks, with Student's t. All pairs are
-- tested together, so their p are corrected after Holm. Settings stand in order of their mean difference to the others.
with used as (
    select
        cart, pack, settings, consumption_wh_per_km,
        case when not coalesce(range_metre_lower, false) then range_metre end as range_metre,
        case
            when $by = 'range' and range_metre > 0 and not coalesce(range_metre_lower, false) then ln(range_metre)
            when $by = 'consumption' and consumption_wh_per_km > 0 then -ln(consumption_wh_per_km)
        end as good
    from test_results
    where kind = $kind and cart is not null and settings is not null
        and ($since is null or started >= $since) and ($until is null or started < $until::date + 1)
        and ($cart is null or cart = $cart) and ($route is null or route = $route)
),
naive as (
    select settings, count(*) as tests, avg(range_metre) as range_metre, avg(consumption_wh_per_km) as consumption_wh_per_km
    from used
    where good is not null
    group by settings
),
cells as (
    select cart, pack, settings, count(*) as n, avg(good) as mean, coalesce(var_samp(good), 0) * (count(*) - 1) as squares
    from used
    where good is not null
    group by cart, pack, settings
),
pairs as (
    select
        one.settings, other.settings as against, one.cart, one.n + other.n as tests, one.mean - other.mean as difference,
        one.n * other.n / (one.n + other.n) as weight, one.squares + other.squares as squares
    from cells as one
    join cells as other on other.cart = one.cart and other.pack is not distinct from one.pack
        and other.settings <> one.settings
),
fits as (
    select
        settings, against, count(distinct cart) as carts, weighted_mean(difference, weight) as difference,
        sum(weight) as weight, sum(tests)::bigint - count(*) - 1 as freedom,
        sum(squares) + greatest(0, sum(weight * difference ** 2) - sum(weight * difference) ** 2 / sum(weight)) as squares
    from pairs
    group by settings, against
),
tested as (
    select *, sqrt(squares / nullif(freedom, 0) / weight) as se,
        student_p(difference / nullif(sqrt(squares / nullif(freedom, 0) / weight), 0), freedom) as p
    from fits
),
corrected as (
    select *,
        case when p is not null then holm(p, list(p) filter (p is not null and settings < against) over ()) end as p_holm
    from tested
),
gathered as (
    select
        corrected.settings, avg(difference) as lead, count(*) as compared,
        string_agg(against, ', ' order by against) filter (p_holm <= 0.05 and difference > 0) as better_than,
        string_agg(against, ', ' order by against) filter (p_holm > 0.05 or p_holm is null) as alike
    from corrected
    group by corrected.settings
),
placed as (
    select naive.*, gathered.* exclude (settings),
        row_number() over (order by lead desc nulls last, naive.settings) as rank
    from naive left join gathered on gathered.settings = naive.settings
)
select
    placed.rank, placed.settings, placed.tests, coalesce(carts, 0) as carts,
    if(placed.rank = 1, 0, 100 * (exp(sign * difference) - 1)) as difference_percent,
    100 * (exp(sign * difference - student_95(freedom) * se) - 1) as low_percent,
    100 * (exp(sign * difference + student_95(freedom) * se) - 1) as high_percent,
    p_holm as p, placed.better_than, placed.alike,
    case
        when placed.rank = 1 and placed.compared is null then 'no cart was driven with others too'
        when placed.rank = 1 then 'the others are compared with these'
        when carts is null then 'no cart was driven with both'
        when p_holm is null then 'too few tests'
        when p_holm > 0.05 then 'can''t be told apart from ' || first.settings
        when difference < 0 then 'worse than ' || first.settings
        else 'better than ' || first.settings
    end as verdict,
    placed.range_metre, placed.consumption_wh_per_km
from placed
cross join (select if($by = 'consumption', -1, 1) as sign)
left join placed as first on first.rank = 1
left join corrected on corrected.settings = placed.settings and corrected.against = first.settings
order by placed.rank
