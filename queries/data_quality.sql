-- title: How good the logs are
-- asks: Which loggers and folders lose rows, leave gaps, or bring files that need a look?
-- param since (date, default null): files taken in from this day on; none given: all
-- param reader (text, default null): files read by this reader only
-- column source: source; logger where the file names one or lies in its folder, else the folder (its last two parts)
-- column readers: readers
-- column files: files
-- column loose_files: loose files; tied to no test
-- column rows: rows; samples, fixes and marks
-- column rejects: rows rejected
-- column rejects_percent [%]: share rejected
-- column step_second [s]: step; seconds between rows, median over stints
-- column recorded_second [s]: time recorded
-- column gap_second [s]: time in gaps
-- column gap_percent [%]: share in gaps
-- column notes: notes
-- column warnings: warnings
-- column problems: problems
-- column last_row_at: last row at

with files as (
    select
        originals.*,
        coalesce(sample_rows, 0) + coalesce(fix_rows, 0) + coalesce(mark_rows, 0) as rows,
        '/' || lower(concat_ws('/', folder, name)) as place
    from originals
    where ($since is null or taken_in >= $since) and ($reader is null or reader = $reader)
),
-- a logger's name counts when it stands by itself: L1 is not in L10
named as (
    select files.original, arg_max(loggers.logger, len(loggers.logger)) as logger
    from files
    join (select distinct logger from loggers where logger <> '') as loggers
        on regexp_matches(place, '[^a-z0-9]' || regexp_escape(lower(loggers.logger)) || '([^a-z0-9]|$)')
    group by files.original
),
gaps as (
    select original, sum(duration_second) as recorded, sum(gap_second) as gap
    from stint_results
    group by original
),
noticed as (
    select
        original, count(*) filter (severity = 'note') as notes, count(*) filter (severity = 'warning') as warnings,
        count(*) filter (severity = 'problem') as problems
    from findings
    group by original
),
by_file as (
    select
        files.*, gaps.recorded, gaps.gap, notes, warnings, problems,
        coalesce(named.logger, nullif(regexp_extract(files.folder, '([^/]+/)?[^/]+/?$'), ''), '(no folder)')
            as source
    from files
    left join named using (original)
    left join gaps using (original)
    left join noticed using (original)
),
steps as (
    select
        by_file.source,
        median((duration_second - coalesce(gap_second, 0)) / (last_row - first_row)) as step
    from stint_results join by_file using (original)
    where last_row > first_row
    group by by_file.source
)
select
    source, string_agg(distinct reader, ', ' order by reader) as readers, count(*) as files,
    count(*) filter (loose) as loose_files, sum(rows)::bigint as rows,
    sum(coalesce(reject_rows, 0))::bigint as rejects,
    100 * sum(coalesce(reject_rows, 0)) / nullif(sum(rows + coalesce(reject_rows, 0)), 0) as rejects_percent,
    any_value(step) as step_second, sum(recorded) as recorded_second, sum(gap) as gap_second,
    100 * sum(gap) / nullif(sum(recorded), 0) as gap_percent,
    sum(coalesce(notes, 0))::bigint as notes, sum(coalesce(warnings, 0))::bigint as warnings,
    sum(coalesce(problems, 0))::bigint as problems, max(ended) as last_row_at
from by_file
left join steps using (source)
group by source
order by problems desc, warnings desc, source
