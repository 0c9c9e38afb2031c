-- The live watch of charges and what remains of them.
alter table rv.work drop constraint work_kind_check;
alter table rv.work add constraint work_kind_check check (kind in ('close_session', 'watch_run'));

create table rv.watch_state (
    group_id uuid not null,
    session_id uuid not null,
    revision integer not null check (revision >= 1),
    rules_version text not null,
    claimed boolean not null,
    attempt_id uuid,
    stage text,
    stop_level text not null,
    heard_ms bigint not null,
    told text[] not null default '{}',
    body jsonb not null,
    updated_at timestamptz not null,
    primary key (group_id, session_id),
    foreign key (group_id, session_id) references rv.session (group_id, session_id)
);
comment on table rv.watch_state is 'What the watch knows of a run so far, one row per leading session.';
comment on column rv.watch_state.group_id is 'Tenant.';
comment on column rv.watch_state.session_id is 'Session that leads the run.';
comment on column rv.watch_state.revision is 'Counts from 1; late data, moved bounds and new facts raise it.';
comment on column rv.watch_state.rules_version is 'Version of the analysis rules.';
comment on column rv.watch_state.claimed is 'Whether an attempt had claimed the run.';
comment on column rv.watch_state.attempt_id is 'That attempt.';
comment on column rv.watch_state.stage is 'Stage of the charge; empty before the first minute.';
comment on column rv.watch_state.stop_level is 'Stop advice: none, warn, reclamp_first, stop_advised or stop_advised_now.';
comment on column rv.watch_state.heard_ms is 'Last instant analyzed, ms of run time.';
comment on column rv.watch_state.told is 'Kinds of alarm that hold and were handed to the alarm lane.';
comment on column rv.watch_state.body is 'The report so far.';
comment on column rv.watch_state.updated_at is 'When it was written.';
call rv.protect('watch_state', 'select, insert, update');

create table rv.finding (
    group_id uuid not null,
    session_id uuid not null,
    kind text not null,
    since_ms bigint not null,
    since_at timestamptz not null,
    until_at timestamptz,
    state text not null check (state in ('present', 'ended', 'withdrawn')),
    evidence text not null,
    action text not null,
    measured boolean not null,
    revision integer not null check (revision >= 1),
    rules_version text not null,
    updated_at timestamptz not null,
    primary key (group_id, session_id, kind),
    foreign key (group_id, session_id) references rv.session (group_id, session_id)
);
comment on table rv.finding is 'What the analysis saw in a run. Never erased: it ends, or a later revision withdraws it.';
comment on column rv.finding.group_id is 'Tenant.';
comment on column rv.finding.session_id is 'Session that leads the run.';
comment on column rv.finding.kind is 'What was found.';
comment on column rv.finding.since_ms is 'When it was first seen, ms of run time.';
comment on column rv.finding.since_at is 'The same, estimated time.';
comment on column rv.finding.until_at is 'When it ended, estimated time.';
comment on column rv.finding.state is 'present, ended, or withdrawn: a later revision of the run does not show it.';
comment on column rv.finding.evidence is 'The numbers it rests on.';
comment on column rv.finding.action is 'What to do.';
comment on column rv.finding.measured is 'The rule was measured on charges it had not seen.';
comment on column rv.finding.revision is 'Revision of the run that said so last.';
comment on column rv.finding.rules_version is 'Version of the analysis rules.';
comment on column rv.finding.updated_at is 'When the row changed last.';
create index finding_newest on rv.finding (group_id, since_at desc, session_id, kind);
call rv.protect('finding', 'select, insert, update');

create table rv.run_summary (
    group_id uuid not null,
    session_id uuid not null,
    revision integer not null check (revision >= 1),
    rules_version text not null,
    input_digest bytea not null check (length(input_digest) = 16),
    claimed boolean not null,
    attempt_id uuid,
    grade text not null,
    charge_ah double precision,
    charge_ah_low double precision,
    charge_ah_high double precision,
    energy_wh double precision,
    accepted_c double precision,
    dc_1s_ohm double precision,
    case_max_c double precision,
    case_rise_k double precision,
    rested_v double precision,
    rested_min double precision,
    soc_low_pct double precision,
    soc_high_pct double precision,
    soc_tables text,
    live_cells smallint,
    of_cells smallint,
    stop_level text not null,
    stop_60_level text,
    stop_120_level text,
    stop_240_level text,
    body jsonb not null,
    made_at timestamptz not null,
    primary key (group_id, session_id, revision),
    foreign key (group_id, session_id) references rv.session (group_id, session_id)
);
comment on table rv.run_summary is 'What remains of a charge: the analysis of the whole run, one row per revision.';
comment on column rv.run_summary.group_id is 'Tenant.';
comment on column rv.run_summary.session_id is 'Session that leads the run.';
comment on column rv.run_summary.revision is 'Counts from 1; late data, moved bounds and new facts raise it.';
comment on column rv.run_summary.rules_version is 'Version of the analysis rules.';
comment on column rv.run_summary.input_digest is 'BLAKE3-128 of samples, their places in the run and what was known of the battery.';
comment on column rv.run_summary.claimed is 'Whether an attempt had claimed the run.';
comment on column rv.run_summary.attempt_id is 'That attempt.';
comment on column rv.run_summary.grade is 'How far the record can be relied on: good, usable or poor.';
comment on column rv.run_summary.charge_ah is 'Net charge put in, Ah, by trapezoids over observed time.';
comment on column rv.run_summary.charge_ah_low is 'Lower bound with unknown time, Ah.';
comment on column rv.run_summary.charge_ah_high is 'Upper bound with unknown time, Ah.';
comment on column rv.run_summary.energy_wh is 'Net energy put in at the leading device''s terminals, Wh.';
comment on column rv.run_summary.accepted_c is 'Net charge over rated capacity, ratio.';
comment on column rv.run_summary.dc_1s_ohm is 'DC resistance one second after a step, with leads, ohm.';
comment on column rv.run_summary.case_max_c is 'Highest case temperature, degC.';
comment on column rv.run_summary.case_rise_k is 'Highest case above its start, K.';
comment on column rv.run_summary.rested_v is 'Last open-circuit voltage after the charge, V.';
comment on column rv.run_summary.rested_min is 'How long it had rested, minutes.';
comment on column rv.run_summary.soc_low_pct is 'Least state of charge by table from that voltage, percent.';
comment on column rv.run_summary.soc_high_pct is 'Most state of charge by table from that voltage, percent.';
comment on column rv.run_summary.soc_tables is 'Tables that were read, by name, comma separated.';
comment on column rv.run_summary.live_cells is 'Cells that give a voltage by the latest rested voltage.';
comment on column rv.run_summary.of_cells is 'Cells of the battery.';
comment on column rv.run_summary.stop_level is 'Stop advice at the end.';
comment on column rv.run_summary.stop_60_level is 'Stop advice 60 minutes after the start of charge; empty when it was shorter.';
comment on column rv.run_summary.stop_120_level is 'Stop advice 120 minutes after the start of charge.';
comment on column rv.run_summary.stop_240_level is 'Stop advice 240 minutes after the start of charge.';
comment on column rv.run_summary.body is 'The whole report with stages, instruments, checkpoints, findings and stop advice.';
comment on column rv.run_summary.made_at is 'When it was made.';
create index run_summary_newest on rv.run_summary (group_id, made_at desc, session_id);
call rv.protect('run_summary', 'select, insert');

grant delete on rv.checkpoint to rv_service;

create view report.finding with (security_invoker = true) as
select f.group_id,
    f.session_id,
    s.device_id,
    s.bench_id,
    s.shop_id,
    c.attempt_id,
    f.kind,
    f.state,
    f.since_at,
    f.until_at,
    f.evidence,
    f.action,
    f.measured,
    f.revision,
    f.rules_version
from rv.finding f
join rv.session s on s.group_id = f.group_id and s.session_id = f.session_id
left join rv.claim c
    on c.group_id = f.group_id and c.session_id = f.session_id and c.revoked_at is null;
comment on view report.finding is
    'One row per thing found in a charge. The service watches and reports; it does not protect.';
comment on column report.finding.session_id is 'Session of the charger that leads the run.';
comment on column report.finding.attempt_id is 'Attempt that claims the session now; empty when nobody did.';
comment on column report.finding.state is 'present, ended, or withdrawn by a later revision of the run.';
comment on column report.finding.since_at is 'When it was first seen, estimated time.';
comment on column report.finding.measured is 'The rule was measured on charges it had not seen.';

create view report.run with (security_invoker = true) as
select distinct on (r.group_id, r.session_id) r.group_id,
    r.session_id,
    s.device_id,
    s.bench_id,
    s.shop_id,
    r.attempt_id,
    s.start_at,
    s.end_at,
    r.revision,
    r.rules_version,
    r.claimed,
    r.grade,
    r.charge_ah as charge_ampere_hours,
    r.charge_ah_low as charge_ampere_hours_low,
    r.charge_ah_high as charge_ampere_hours_high,
    r.energy_wh as energy_watt_hours,
    r.accepted_c as accepted_ratio,
    r.dc_1s_ohm as dc_resistance_ohm,
    r.case_max_c as case_max_celsius,
    r.case_rise_k as case_rise_kelvin,
    r.rested_v as rested_volts,
    r.rested_min as rested_minutes,
    r.soc_low_pct as charge_state_low_percent,
    r.soc_high_pct as charge_state_high_percent,
    r.soc_tables as charge_state_tables,
    r.live_cells,
    r.of_cells,
    r.stop_level,
    r.stop_60_level,
    r.stop_120_level,
    r.stop_240_level,
    r.made_at
from rv.run_summary r
join rv.session s on s.group_id = r.group_id and s.session_id = r.session_id
order by r.group_id, r.session_id, r.revision desc;
comment on view report.run is 'One row per charge: the newest revision of its analysis.';
comment on column report.run.session_id is 'Session of the charger that leads the run.';
comment on column report.run.claimed is 'False: nobody said which battery this was, only rules without chemistry and size applied.';
comment on column report.run.charge_ampere_hours is 'Net charge put in over observed time; low and high bound it with unknown time.';
comment on column report.run.accepted_ratio is 'Net charge over rated capacity.';
comment on column report.run.rested_minutes is 'Below 8 h the rested voltage still carries surface charge.';
comment on column report.run.stop_60_level is 'Stop advice as it stood 60 minutes after the start of charge.';

create view report.due_retest with (security_invoker = true) as
with step (rested_min, until_min) as (values (30.0, 480.0), (1440.0, 4320.0), (4320.0, 20160.0))
select a.group_id,
    a.attempt_id,
    a.visit_id,
    a.shop_id,
    a.bench_id,
    v.battery_id,
    t.rested_min as rested_minutes,
    a.ended_at + make_interval(mins => t.rested_min::int) as due_at,
    a.ended_at + make_interval(mins => t.until_min::int) as late_at
from rv.attempt a
join rv.visit v on v.group_id = a.group_id and v.visit_id = a.visit_id
cross join step t
left join rv.outcome o
    on o.group_id = a.group_id and o.attempt_id = a.attempt_id and o.revision = a.outcome_revision
where a.ended_at is not null
    and a.disposition is distinct from 'recycle'
    and a.end_reason is distinct from 'not_started'
    and not coalesce(o.confirmed, false)
    and coalesce(o.basis, 'ladder') <> 'imported'
    and not exists (
        select from rv.reading r
        where r.group_id = a.group_id and r.attempt_id = a.attempt_id
            and r.kind = 'open_circuit_voltage'
            and coalesce(r.rested_min, extract(epoch from r.read_at - a.ended_at) / 60.0) >= t.rested_min)
    and not exists (
        select from rv.attempt n
        where n.group_id = a.group_id and n.visit_id = a.visit_id and n.started_at > a.started_at);
comment on view report.due_retest is
    'Voltages still to be read after a charge: 30 minutes, 24 hours and 72 hours after its end.';
comment on column report.due_retest.rested_minutes is 'Rest that the reading needs: 30, 1440 or 4320.';
comment on column report.due_retest.due_at is 'When that rest is reached.';
comment on column report.due_retest.late_at is 'From then on the reading no longer tells what it should.';
grant select on report.finding, report.run, report.due_retest to rv_service;
