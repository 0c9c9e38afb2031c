-- Samples and what is told about them.
create table rv.receipt (
    group_id uuid not null,
    device_id uuid not null,
    boot_id bigint not null,
    held int8multirange not null default '{}',
    weak boolean not null default false,
    oldest_held_seq bigint not null default 0,
    offset_ms bigint not null,
    claim text not null check (claim in ('synced', 'unsynced', 'none')),
    claim_offset_ms bigint,
    claim_drift_ms bigint not null default 0,
    session_id uuid,
    session_from bigint not null default 0,
    session_to bigint not null default 0,
    session_first_ms bigint not null default 0,
    session_last_ms bigint not null default 0,
    first_received_at timestamptz not null,
    last_received_at timestamptz not null,
    primary key (group_id, device_id, boot_id),
    foreign key (group_id, device_id) references rv.device (group_id, device_id)
);
comment on table rv.receipt is
    'What is kept of one boot of a device. Its row lock serializes intake of that boot.';
comment on column rv.receipt.group_id is 'Tenant.';
comment on column rv.receipt.device_id is 'Device.';
comment on column rv.receipt.boot_id is 'Random number of the boot.';
comment on column rv.receipt.held is 'Sequence numbers held; at most 4,096 ranges.';
comment on column rv.receipt.weak is 'The device keeps no sequence; the server numbers its samples.';
comment on column rv.receipt.oldest_held_seq is 'Oldest number the device still holds; older gaps are lost.';
comment on column rv.receipt.offset_ms is 'Smallest (arrival - device time) seen, ms since 1970: estimates the moment of boot.';
comment on column rv.receipt.claim is 'How far the device trusts its clock, worst of the boot.';
comment on column rv.receipt.claim_offset_ms is 'First claimed (wall - device time), ms since 1970.';
comment on column rv.receipt.claim_drift_ms is 'Largest move of that claim within the boot, ms.';
comment on column rv.receipt.session_id is 'Session that new samples extend.';
comment on column rv.receipt.session_from is 'First number of that session.';
comment on column rv.receipt.session_to is 'Last number of that session.';
comment on column rv.receipt.session_first_ms is 'Device time of its first sample, ms.';
comment on column rv.receipt.session_last_ms is 'Device time of its last sample, ms.';
comment on column rv.receipt.first_received_at is 'First arrival.';
comment on column rv.receipt.last_received_at is 'Last arrival.';
call rv.protect('receipt', 'select, insert, update');

create table rv.segment (
    group_id uuid not null,
    device_id uuid not null,
    boot_id bigint not null,
    first_seq bigint not null check (first_seq >= 1),
    sample_count integer not null check (sample_count between 1 and 1000000),
    last_seq bigint not null,
    first_ms bigint not null,
    last_ms bigint not null check (last_ms >= first_ms),
    digest bytea not null check (length(digest) = 16),
    merged_list bytea,
    v_min_mv integer,
    v_max_mv integer,
    i_max_ma integer,
    case_max_centi_c integer,
    payload bytea not null,
    received_at timestamptz not null,
    primary key (group_id, device_id, boot_id, first_seq),
    constraint segment_last check (last_seq = first_seq + sample_count - 1)
);
alter table rv.segment alter column payload set storage external;
comment on table rv.segment is
    'A run of samples as compressed columns. No foreign key: its receipt row is written in the same transaction.';
comment on column rv.segment.group_id is 'Tenant.';
comment on column rv.segment.device_id is 'Device.';
comment on column rv.segment.boot_id is 'Boot.';
comment on column rv.segment.first_seq is 'First sequence number.';
comment on column rv.segment.sample_count is 'Samples in it.';
comment on column rv.segment.last_seq is 'Last sequence number.';
comment on column rv.segment.first_ms is 'Device time of the first sample, ms since boot.';
comment on column rv.segment.last_ms is 'Device time of the last sample, ms since boot.';
comment on column rv.segment.digest is 'BLAKE3-128 of the content: of the batch, or of the merged run.';
comment on column rv.segment.merged_list is 'Packed (first_seq, count, digest) of the batches a merge replaced; empty before.';
comment on column rv.segment.v_min_mv is 'Lowest voltage, mV.';
comment on column rv.segment.v_max_mv is 'Highest voltage, mV.';
comment on column rv.segment.i_max_ma is 'Highest current, mA.';
comment on column rv.segment.case_max_centi_c is 'Highest case temperature, 0.01 degC.';
comment on column rv.segment.payload is 'Columns compressed by pco, layout in store/codec.rs.';
comment on column rv.segment.received_at is 'Arrival of the batch, or time of the merge.';
call rv.protect('segment', 'select, insert, delete');

create table rv.session (
    group_id uuid not null,
    session_id uuid not null,
    device_id uuid not null,
    boot_id bigint not null,
    opened_seq bigint not null,
    first_seq bigint not null,
    last_seq bigint not null check (last_seq >= first_seq),
    first_ms bigint not null,
    last_ms bigint not null,
    state text not null check (state in ('open', 'closed', 'absorbed')),
    ended boolean not null default false,
    dirty boolean not null default true,
    close_reason text check (close_reason in ('session_end', 'silence', 'length_limit', 'next_session')),
    revision integer not null default 0,
    shop_id uuid,
    bench_id uuid,
    start_at timestamptz not null,
    end_at timestamptz not null,
    clock_quality text not null check (clock_quality in ('synced', 'corrected', 'unsynced', 'jumped', 'none')),
    sample_count bigint not null default 0,
    completeness double precision check (completeness between 0 and 1),
    opened_at timestamptz not null,
    last_received_at timestamptz not null,
    closed_at timestamptz,
    primary key (group_id, session_id),
    constraint session_opened unique (group_id, device_id, boot_id, opened_seq),
    foreign key (group_id, device_id) references rv.device (group_id, device_id),
    foreign key (group_id, bench_id) references rv.bench (group_id, bench_id)
);
comment on table rv.session is 'A range of one boot''s sequence numbers. Bounds may move; samples never do.';
comment on column rv.session.group_id is 'Tenant.';
comment on column rv.session.session_id is 'Derived from group, device, boot and the number it opened with.';
comment on column rv.session.device_id is 'Device.';
comment on column rv.session.boot_id is 'Boot.';
comment on column rv.session.opened_seq is 'Sequence number it was opened with.';
comment on column rv.session.first_seq is 'First sequence number.';
comment on column rv.session.last_seq is 'Last sequence number.';
comment on column rv.session.first_ms is 'Device time of the first sample, ms since boot.';
comment on column rv.session.last_ms is 'Device time of the last sample, ms since boot.';
comment on column rv.session.state is 'open, closed, or absorbed by another session when late samples bridged them.';
comment on column rv.session.ended is 'The device reported the end.';
comment on column rv.session.dirty is 'Has samples that the last close did not see.';
comment on column rv.session.close_reason is 'Why it closed.';
comment on column rv.session.revision is 'Number of closes; late data raises it.';
comment on column rv.session.shop_id is 'Shop the device stood in when it opened.';
comment on column rv.session.bench_id is 'Bench the device stood on when it opened.';
comment on column rv.session.start_at is 'Estimated time of the first sample.';
comment on column rv.session.end_at is 'Estimated time of the last sample.';
comment on column rv.session.clock_quality is 'What the estimate is worth.';
comment on column rv.session.sample_count is 'Samples kept, as of the last close.';
comment on column rv.session.completeness is 'Kept over expected samples, 0 to 1; empty for weak devices and before the first close.';
comment on column rv.session.opened_at is 'Arrival of its first sample.';
comment on column rv.session.last_received_at is 'Arrival of its newest sample.';
comment on column rv.session.closed_at is 'When it was closed last.';
create index session_boot on rv.session (group_id, device_id, boot_id, first_seq);
create index session_bench on rv.session (group_id, bench_id, start_at);
create index session_newest on rv.session (group_id, opened_at desc, session_id);
call rv.protect('session', 'select, insert, update');

create table rv.session_summary (
    group_id uuid not null,
    session_id uuid not null,
    revision integer not null,
    rules_version text not null,
    input_digest bytea not null check (length(input_digest) = 16),
    start_v double precision,
    v_min double precision,
    v_max double precision,
    i_max_a double precision,
    charge_ah double precision,
    charge_ah_low double precision,
    charge_ah_high double precision,
    discharge_ah double precision,
    energy_wh double precision,
    case_min_c double precision,
    case_max_c double precision,
    observed_s double precision not null,
    unknown_s double precision not null,
    primary key (group_id, session_id, revision),
    foreign key (group_id, session_id) references rv.session (group_id, session_id)
);
comment on table rv.session_summary is 'Facts of a closed session, one row per revision.';
comment on column rv.session_summary.group_id is 'Tenant.';
comment on column rv.session_summary.session_id is 'Session.';
comment on column rv.session_summary.revision is 'Revision of the session it describes.';
comment on column rv.session_summary.rules_version is 'Version of the analysis rules.';
comment on column rv.session_summary.input_digest is 'BLAKE3-128 of the samples.';
comment on column rv.session_summary.start_v is 'First voltage, V.';
comment on column rv.session_summary.v_min is 'Lowest voltage, V.';
comment on column rv.session_summary.v_max is 'Highest voltage, V.';
comment on column rv.session_summary.i_max_a is 'Highest current, A.';
comment on column rv.session_summary.charge_ah is 'Net charge put in, Ah, by trapezoids over observed time.';
comment on column rv.session_summary.charge_ah_low is 'Lower bound with unknown time, Ah.';
comment on column rv.session_summary.charge_ah_high is 'Upper bound with unknown time, Ah.';
comment on column rv.session_summary.discharge_ah is 'Charge taken out, Ah.';
comment on column rv.session_summary.energy_wh is 'Net energy put in at this device''s terminals, Wh.';
comment on column rv.session_summary.case_min_c is 'Lowest case temperature, degC.';
comment on column rv.session_summary.case_max_c is 'Highest case temperature, degC.';
comment on column rv.session_summary.observed_s is 'Seconds covered by samples.';
comment on column rv.session_summary.unknown_s is 'Seconds inside gaps that cannot be bridged.';
call rv.protect('session_summary', 'select, insert');

create table rv.session_hour (
    group_id uuid not null,
    session_id uuid not null,
    hour integer not null check (hour between 0 and 400),
    n smallint[] not null,
    v_min_mv integer[],
    v_mean_mv integer[],
    v_max_mv integer[],
    i_min_ma integer[],
    i_mean_ma integer[],
    i_max_ma integer[],
    case_min_centi_c integer[],
    case_mean_centi_c integer[],
    case_max_centi_c integer[],
    primary key (group_id, session_id, hour),
    foreign key (group_id, session_id) references rv.session (group_id, session_id)
);
comment on table rv.session_hour is 'Per-minute figures of a closed session, 60 minutes a row; report.sample_minute shows them as rows.';
comment on column rv.session_hour.group_id is 'Tenant.';
comment on column rv.session_hour.session_id is 'Session.';
comment on column rv.session_hour.hour is 'Hour since its first sample, from 0.';
comment on column rv.session_hour.n is 'Samples per minute.';
comment on column rv.session_hour.v_min_mv is 'Lowest voltage per minute, mV.';
comment on column rv.session_hour.v_mean_mv is 'Mean voltage per minute, mV.';
comment on column rv.session_hour.v_max_mv is 'Highest voltage per minute, mV.';
comment on column rv.session_hour.i_min_ma is 'Lowest current per minute, mA.';
comment on column rv.session_hour.i_mean_ma is 'Mean current per minute, mA.';
comment on column rv.session_hour.i_max_ma is 'Highest current per minute, mA.';
comment on column rv.session_hour.case_min_centi_c is 'Lowest case temperature per minute, 0.01 degC.';
comment on column rv.session_hour.case_mean_centi_c is 'Mean case temperature per minute, 0.01 degC.';
comment on column rv.session_hour.case_max_centi_c is 'Highest case temperature per minute, 0.01 degC.';
call rv.protect('session_hour', 'select, insert, delete');

create table rv.event (
    group_id uuid not null,
    device_id uuid not null,
    boot_id bigint not null,
    event_seq bigint not null check (event_seq >= 1),
    after_seq bigint not null check (after_seq >= 0),
    time_ms bigint not null,
    kind text not null check (kind in ('stage', 'session_end', 'fault')),
    stage text,
    detail text not null check (length(detail) <= 128),
    received_at timestamptz not null,
    primary key (group_id, device_id, boot_id, event_seq)
);
comment on table rv.event is 'Stage changes, ends and faults as devices report them.';
comment on column rv.event.group_id is 'Tenant.';
comment on column rv.event.device_id is 'Device.';
comment on column rv.event.boot_id is 'Boot.';
comment on column rv.event.event_seq is 'Counter of events of this boot.';
comment on column rv.event.after_seq is 'Sequence number of the last sample before it.';
comment on column rv.event.time_ms is 'Device time, ms since boot.';
comment on column rv.event.kind is 'stage, session_end or fault.';
comment on column rv.event.stage is 'Stage entered.';
comment on column rv.event.detail is 'Text of the device.';
comment on column rv.event.received_at is 'Arrival.';
call rv.protect('event', 'select, insert');

create table rv.quarantine (
    group_id uuid not null,
    quarantine_id uuid not null,
    device_id uuid,
    received_at timestamptz not null,
    channel text not null check (channel in ('grpc', 'mqtt', 'replay')),
    content_type text not null,
    reason text not null,
    field text not null,
    detail text not null,
    fix text not null,
    raw bytea not null check (length(raw) <= 1100000),
    raw_digest bytea not null check (length(raw_digest) = 16),
    times bigint not null default 1,
    state text not null default 'open' check (state in ('open', 'replayed', 'discarded')),
    handled_at timestamptz,
    handled_by text,
    result text,
    primary key (group_id, quarantine_id)
);
comment on table rv.quarantine is 'Refused bytes with reason and fix. They block nothing and can be replayed.';
comment on column rv.quarantine.group_id is 'Tenant.';
comment on column rv.quarantine.quarantine_id is 'Derived from device, bytes and reason: the same refusal again only counts up.';
comment on column rv.quarantine.device_id is 'Device of the credential or topic; empty when there was none.';
comment on column rv.quarantine.received_at is 'First arrival.';
comment on column rv.quarantine.channel is 'grpc, mqtt or replay.';
comment on column rv.quarantine.content_type is 'Encoding of the bytes.';
comment on column rv.quarantine.reason is 'Stable reason.';
comment on column rv.quarantine.field is 'Field of the item.';
comment on column rv.quarantine.detail is 'Value and limit.';
comment on column rv.quarantine.fix is 'What the sender can do.';
comment on column rv.quarantine.raw is 'The bytes as they came.';
comment on column rv.quarantine.raw_digest is 'BLAKE3-128 of the bytes.';
comment on column rv.quarantine.times is 'How often the same refusal came.';
comment on column rv.quarantine.state is 'open, replayed or discarded.';
comment on column rv.quarantine.handled_at is 'When somebody dealt with it.';
comment on column rv.quarantine.handled_by is 'Who.';
comment on column rv.quarantine.result is 'What came of it.';
create index quarantine_newest on rv.quarantine (group_id, received_at desc, quarantine_id);
call rv.protect('quarantine', 'select, insert, update');

create table rv.claim (
    group_id uuid not null,
    claim_id uuid not null,
    attempt_id uuid not null,
    session_id uuid not null,
    claimed_by text not null,
    claimed_at timestamptz not null,
    revoked_at timestamptz,
    primary key (group_id, claim_id),
    foreign key (group_id, attempt_id) references rv.attempt (group_id, attempt_id),
    foreign key (group_id, session_id) references rv.session (group_id, session_id)
);
comment on table rv.claim is 'Ties a session to an attempt.';
comment on column rv.claim.group_id is 'Tenant.';
comment on column rv.claim.claim_id is 'Claim.';
comment on column rv.claim.attempt_id is 'Attempt.';
comment on column rv.claim.session_id is 'Session.';
comment on column rv.claim.claimed_by is 'Name of the token.';
comment on column rv.claim.claimed_at is 'When.';
comment on column rv.claim.revoked_at is 'When it was taken back.';
create unique index claim_live on rv.claim (group_id, session_id) where revoked_at is null;
create index claim_attempt on rv.claim (group_id, attempt_id);
call rv.protect('claim', 'select, insert, update');
