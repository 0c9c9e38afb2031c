-- Stable views for SQL users. security_invoker: row-level security binds the reader.
create view report.sample_minute with (security_invoker = true) as
select h.group_id,
    h.session_id,
    s.device_id,
    s.bench_id,
    s.start_at + make_interval(mins => h.hour * 60 + m.minute - 1) as minute_at,
    h.n[m.minute] as n,
    h.v_min_mv[m.minute] / 1000.0 as v_min_volts,
    h.v_mean_mv[m.minute] / 1000.0 as v_mean_volts,
    h.v_max_mv[m.minute] / 1000.0 as v_max_volts,
    h.i_min_ma[m.minute] / 1000.0 as i_min_amperes,
    h.i_mean_ma[m.minute] / 1000.0 as i_mean_amperes,
    h.i_max_ma[m.minute] / 1000.0 as i_max_amperes,
    h.case_min_centi_c[m.minute] / 100.0 as case_min_celsius,
    h.case_mean_centi_c[m.minute] / 100.0 as case_mean_celsius,
    h.case_max_centi_c[m.minute] / 100.0 as case_max_celsius
from rv.session_hour h
join rv.session s on s.group_id = h.group_id and s.session_id = h.session_id
cross join lateral generate_subscripts(h.n, 1) as m (minute)
where h.n[m.minute] > 0;
comment on view report.sample_minute is 'One row per minute of a closed session: lowest, mean and highest value.';
comment on column report.sample_minute.minute_at is 'Start of the minute, estimated time.';
comment on column report.sample_minute.n is 'Samples in the minute.';

create view report.attempt_outcome with (security_invoker = true) as
select a.group_id,
    a.attempt_id,
    a.visit_id,
    p.name as shop,
    v.presented_at,
    v.chemistry,
    v.segment,
    v.nominal_v as nominal_volts,
    v.rest_v as rest_volts,
    v.v12 as rest_volts_at_12,
    v.voltage_band,
    v.months_band,
    v.months_since_full_charge,
    v.age_months,
    v.storage,
    v.tester,
    a.method,
    a.started_at,
    a.ended_at,
    a.end_reason,
    a.hours,
    o.class as outcome,
    o.basis,
    o.confirmed,
    o.label as recovered,
    o.revision
from rv.attempt a
join rv.visit v on v.group_id = a.group_id and v.visit_id = a.visit_id
join rv.shop p on p.group_id = a.group_id and p.shop_id = a.shop_id
left join rv.outcome o
    on o.group_id = a.group_id and o.attempt_id = a.attempt_id and o.revision = a.outcome_revision;
comment on view report.attempt_outcome is 'One row per attempt with the newest revision of its outcome.';
comment on column report.attempt_outcome.recovered is 'What statistics count: true, false, or empty when not known.';

create view report.gap with (security_invoker = true) as
select r.group_id,
    r.device_id,
    r.boot_id,
    lower(g.missing) as first_seq,
    upper(g.missing) - 1 as last_seq,
    upper(g.missing) - 1 < r.oldest_held_seq as lost
from rv.receipt r
cross join lateral unnest(int8multirange(range_merge(r.held)) - r.held) as g (missing)
where not isempty(r.held);
comment on view report.gap is 'Missing ranges of sequence numbers below the highest one seen.';
comment on column report.gap.lost is 'The device no longer holds them.';
grant select on all tables in schema report to rv_service;
