-- Logs row by row with what each row belongs to: cart, pack, test, stint.
--
-- A stint covers rows first_row to last_row of an original. Matching row numbers with ranges row by row would try
-- every stint of a log for every row; so each stint is cut into blocks of 1024 rows, and a row looks only among the
-- stints of its own block: one hash join over a small table, and nothing to sort.

create view stint_blocks as
select
    stint, original, source, cart, pack, test, first_row, last_row,
    unnest(generate_series(first_row // 1024, last_row // 1024)) as block
from stints;

-- the same by time, in blocks of ten minutes: for the fixes and marks of a test whose stints come from samples
create view stint_times as
select
    stint, cart, pack, test, started, ended,
    unnest(generate_series(epoch(started)::bigint // 600, epoch(ended)::bigint // 600)) as block
from stints
where test is not null;

create view samples as
select raw.*, coalesce(inside.cart, originals.cart) as cart, inside.pack, inside.test, inside.stint
from raw_samples as raw
left join stint_blocks as inside
    on inside.source = 'samples' and inside.original = raw.original and inside.block = raw."row" // 1024
    and raw."row" between inside.first_row and inside.last_row
left join originals on originals.original = raw.original;

create view fixes as
select
    raw.*,
    coalesce(inside.cart, tests.cart, originals.cart) as cart, coalesce(inside.pack, tests.pack) as pack,
    coalesce(inside.test, originals.test) as test, coalesce(inside.stint, during.stint) as stint
from raw_fixes as raw
left join stint_blocks as inside
    on inside.source = 'fixes' and inside.original = raw.original and inside.block = raw."row" // 1024
    and raw."row" between inside.first_row and inside.last_row
left join originals on originals.original = raw.original
left join tests on tests.test = originals.test
left join stint_times as during
    on inside.stint is null and during.test = originals.test and during.block = epoch(raw.time)::bigint // 600
    and raw.time >= during.started and raw.time < during.ended;

create view marks as
select raw.*, tests.cart, tests.pack, originals.test, during.stint
from raw_marks as raw
left join originals on originals.original = raw.original
left join tests on tests.test = originals.test
left join stint_times as during
    on during.test = originals.test and during.block = epoch(raw.time)::bigint // 600
    and raw.time >= during.started and raw.time < during.ended;

create view rejects as
select raw.*, coalesce(tests.cart, originals.cart) as cart, tests.pack, originals.test, null::text as stint
from raw_rejects as raw
left join originals on originals.original = raw.original
left join tests on tests.test = originals.test;
