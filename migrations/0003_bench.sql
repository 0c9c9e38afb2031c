-- What people record: batteries, visits, readings, attempts, verdicts, outcomes.
create table rv.battery (
    group_id uuid not null references rv.shop_group (group_id),
    battery_id uuid not null,
    label text check (length(label) between 1 and 64),
    chemistry text not null,
    segment text not null,
    nominal_v smallint not null check (nominal_v in (6, 12)),
    rated_cca double precision check (rated_cca between 0 and 3000),
    cca_standard text,
    rated_ah double precision check (rated_ah between 0 and 1000),
    primary key (group_id, battery_id)
);
comment on table rv.battery is 'What the case says.';
comment on column rv.battery.group_id is 'Tenant.';
comment on column rv.battery.battery_id is 'Battery.';
comment on column rv.battery.label is 'Code on the case, for finding it again.';
comment on column rv.battery.chemistry is 'flooded, enhanced_flooded, agm, gel, lifepo4 or unknown.';
comment on column rv.battery.segment is 'powersports, car or marine.';
comment on column rv.battery.nominal_v is 'Nominal volts, 6 or 12.';
comment on column rv.battery.rated_cca is 'Rated cold cranking amperes.';
comment on column rv.battery.cca_standard is 'Standard of that rating: sae, en, jis, iec, din or unknown.';
comment on column rv.battery.rated_ah is 'Rated ampere-hours at the 20 h rate.';
create index battery_label on rv.battery (group_id, label);
call rv.protect('battery', 'select, insert, update');

create table rv.visit (
    group_id uuid not null,
    visit_id uuid not null,
    shop_id uuid not null,
    battery_id uuid,
    case_ref text check (length(case_ref) between 1 and 64),
    presented_at timestamptz not null,
    chemistry text not null,
    segment text not null,
    nominal_v smallint not null check (nominal_v in (6, 12)),
    rest_v double precision not null check (rest_v between -16 and 40),
    v12 double precision not null check (v12 between -32 and 80),
    voltage_band smallint not null check (voltage_band between 0 and 6),
    months_band smallint not null check (months_band between 0 and 4),
    age_band smallint not null check (age_band between 0 and 4),
    age_months double precision check (age_months between 0 and 600),
    months_since_full_charge double precision check (months_since_full_charge between 0 and 600),
    storage text not null,
    tester text not null,
    cca_ratio double precision check (cca_ratio between 0 and 10),
    electrolyte_low boolean,
    flags text[] not null default '{}',
    replacement_price double precision check (replacement_price between 0 and 1e6),
    anonymous boolean not null default false,
    content_digest bytea not null check (length(content_digest) = 16),
    primary key (group_id, visit_id),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id),
    foreign key (group_id, battery_id) references rv.battery (group_id, battery_id)
);
comment on table rv.visit is 'A battery presented to a shop once: everything known before deciding.';
comment on column rv.visit.group_id is 'Tenant.';
comment on column rv.visit.visit_id is 'Visit.';
comment on column rv.visit.shop_id is 'Shop.';
comment on column rv.visit.battery_id is 'Battery, when it was recorded.';
comment on column rv.visit.case_ref is 'Case id of an imported file.';
comment on column rv.visit.presented_at is 'When it came in.';
comment on column rv.visit.chemistry is 'As on the case.';
comment on column rv.visit.segment is 'powersports, car or marine.';
comment on column rv.visit.nominal_v is 'Nominal volts, 6 or 12.';
comment on column rv.visit.rest_v is 'Rested open-circuit volts of the whole battery, as read.';
comment on column rv.visit.v12 is 'The same scaled to six cells, volts.';
comment on column rv.visit.voltage_band is 'Index of the voltage band, 0 = below 2 V, by model/bands.rs.';
comment on column rv.visit.months_band is 'Index of the months band, 4 = unknown, by model/bands.rs.';
comment on column rv.visit.age_band is 'Index of the age band, 4 = unknown, by model/bands.rs.';
comment on column rv.visit.age_months is 'Age in months.';
comment on column rv.visit.months_since_full_charge is 'Months since the last full charge.';
comment on column rv.visit.storage is 'Where it spent that time.';
comment on column rv.visit.tester is 'ok, no_power_up or not_tested.';
comment on column rv.visit.cca_ratio is 'Measured over rated cranking current, ratio.';
comment on column rv.visit.electrolyte_low is 'Plates uncovered; empty where nobody could look.';
comment on column rv.visit.flags is 'What a person saw on the case.';
comment on column rv.visit.replacement_price is 'Money for a new one, in the shop''s currency.';
comment on column rv.visit.anonymous is 'Made by a question without a battery; not counted as presented.';
comment on column rv.visit.content_digest is 'BLAKE3-128 of the facts: the same id with other facts is a conflict.';
create index visit_case on rv.visit (group_id, case_ref);
call rv.protect('visit', 'select, insert');

create table rv.verdict (
    group_id uuid not null,
    verdict_id uuid not null,
    visit_id uuid not null,
    shop_id uuid not null,
    answered_at timestamptz not null,
    answer text not null,
    chance double precision check (chance between 0 and 1),
    chance_lo90 double precision check (chance_lo90 between 0 and 1),
    chance_hi90 double precision check (chance_hi90 between 0 and 1),
    n_eq double precision,
    band_n bigint not null,
    band_y bigint not null,
    p_star double precision,
    worth double precision,
    cost double precision,
    currency text not null,
    model_version text not null,
    cut_off timestamptz,
    belief_only boolean not null,
    propensity double precision not null check (propensity between 0 and 1),
    body jsonb not null,
    primary key (group_id, verdict_id),
    foreign key (group_id, visit_id) references rv.visit (group_id, visit_id)
);
comment on table rv.verdict is 'Our answer, frozen before the attempt.';
comment on column rv.verdict.group_id is 'Tenant.';
comment on column rv.verdict.verdict_id is 'Verdict.';
comment on column rv.verdict.visit_id is 'Visit asked about.';
comment on column rv.verdict.shop_id is 'Shop whose costs counted.';
comment on column rv.verdict.answered_at is 'When it was given.';
comment on column rv.verdict.answer is 'attempt, do_not_attempt, measure_first, audit_attempt or hazard_stop.';
comment on column rv.verdict.chance is 'Chance of recovery, ratio; empty with a hazard stop.';
comment on column rv.verdict.chance_lo90 is 'Lower 90 % limit, ratio.';
comment on column rv.verdict.chance_hi90 is 'Upper 90 % limit, ratio.';
comment on column rv.verdict.n_eq is 'Number of similar batteries the answer is worth.';
comment on column rv.verdict.band_n is 'Attempts of the band with a known outcome.';
comment on column rv.verdict.band_y is 'Of these, recovered.';
comment on column rv.verdict.p_star is 'Chance from which an attempt pays, ratio.';
comment on column rv.verdict.worth is 'Worth of a recovery, money.';
comment on column rv.verdict.cost is 'Cost of trying, money.';
comment on column rv.verdict.currency is 'ISO 4217 code of worth and cost.';
comment on column rv.verdict.model_version is 'Model and rules that answered.';
comment on column rv.verdict.cut_off is 'Newest outcome the answer knew.';
comment on column rv.verdict.belief_only is 'Too few outcomes: rests on belief.';
comment on column rv.verdict.propensity is 'Chance that the policy would have said attempt: 0 or 1 without audits.';
comment on column rv.verdict.body is 'The whole answer as it was shown.';
create index verdict_visit on rv.verdict (group_id, visit_id, answered_at);
call rv.protect('verdict', 'select, insert');

create table rv.attempt (
    group_id uuid not null,
    attempt_id uuid not null,
    visit_id uuid not null,
    shop_id uuid not null,
    bench_id uuid,
    purpose text not null,
    method text not null,
    planned_v double precision check (planned_v between 0 and 40),
    planned_a double precision check (planned_a between 0 and 500),
    verdict_id uuid,
    charger_ref text check (length(charger_ref) between 1 and 64),
    started_by text not null,
    started_at timestamptz not null,
    ended_at timestamptz check (ended_at >= started_at),
    end_reason text,
    hours double precision check (hours between 0 and 1000),
    disposition text,
    outcome_revision integer not null default 0,
    content_digest bytea not null check (length(content_digest) = 16),
    primary key (group_id, attempt_id),
    foreign key (group_id, visit_id) references rv.visit (group_id, visit_id),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id),
    foreign key (group_id, bench_id) references rv.bench (group_id, bench_id),
    foreign key (group_id, verdict_id) references rv.verdict (group_id, verdict_id)
);
comment on table rv.attempt is 'A charge meant to bring a battery back.';
comment on column rv.attempt.group_id is 'Tenant.';
comment on column rv.attempt.attempt_id is 'Attempt.';
comment on column rv.attempt.visit_id is 'Visit.';
comment on column rv.attempt.shop_id is 'Shop.';
comment on column rv.attempt.bench_id is 'Bench.';
comment on column rv.attempt.purpose is 'plain_charge, recovery_charge or equalise.';
comment on column rv.attempt.method is 'Charging profile.';
comment on column rv.attempt.planned_v is 'Planned voltage limit, volts.';
comment on column rv.attempt.planned_a is 'Planned current limit, amperes.';
comment on column rv.attempt.verdict_id is 'Verdict it began on.';
comment on column rv.attempt.charger_ref is 'Charger id of an imported file.';
comment on column rv.attempt.started_by is 'Name of the token that started it.';
comment on column rv.attempt.started_at is 'Start of the charge.';
comment on column rv.attempt.ended_at is 'End of the charge.';
comment on column rv.attempt.end_reason is 'Why it ended.';
comment on column rv.attempt.hours is 'Hours charged.';
comment on column rv.attempt.disposition is 'What became of the battery.';
comment on column rv.attempt.outcome_revision is 'Newest revision of its outcome; 0 = none yet.';
comment on column rv.attempt.content_digest is 'BLAKE3-128 of what it was started with.';
create index attempt_visit on rv.attempt (group_id, visit_id, started_at, attempt_id);
create index attempt_started on rv.attempt (group_id, started_at desc, attempt_id);
create index attempt_shop on rv.attempt (group_id, shop_id, started_at desc, attempt_id);
call rv.protect('attempt', 'select, insert, update');

create table rv.reading (
    group_id uuid not null,
    reading_id uuid not null,
    visit_id uuid not null,
    attempt_id uuid,
    kind text not null,
    value double precision,
    below_instrument_minimum boolean not null default false,
    instrument_id uuid,
    temperature_c double precision check (temperature_c between -60 and 150),
    rested_min double precision check (rested_min between 0 and 1e6),
    read_at timestamptz not null,
    received_at timestamptz not null,
    primary key (group_id, reading_id),
    foreign key (group_id, visit_id) references rv.visit (group_id, visit_id),
    foreign key (group_id, attempt_id) references rv.attempt (group_id, attempt_id),
    foreign key (group_id, instrument_id) references rv.instrument (group_id, instrument_id),
    constraint reading_value check ((value is null) = below_instrument_minimum)
);
comment on table rv.reading is 'One spot measurement at a bench.';
comment on column rv.reading.group_id is 'Tenant.';
comment on column rv.reading.reading_id is 'Reading.';
comment on column rv.reading.visit_id is 'Visit it belongs to.';
comment on column rv.reading.attempt_id is 'Attempt it was taken for; empty = at intake.';
comment on column rv.reading.kind is 'What was measured; the unit follows from it.';
comment on column rv.reading.value is 'Value in the unit of the kind.';
comment on column rv.reading.below_instrument_minimum is 'The instrument could not measure: a reading, not a gap.';
comment on column rv.reading.instrument_id is 'Which instrument.';
comment on column rv.reading.temperature_c is 'Battery temperature, degrees Celsius.';
comment on column rv.reading.rested_min is 'Minutes since charge or load ended.';
comment on column rv.reading.read_at is 'When it was taken.';
comment on column rv.reading.received_at is 'When we were told.';
create index reading_visit on rv.reading (group_id, visit_id, read_at);
call rv.protect('reading', 'select, insert');

create table rv.come_back (
    group_id uuid not null,
    come_back_id uuid not null,
    attempt_id uuid not null,
    came_at timestamptz not null,
    battery_at_fault boolean not null,
    primary key (group_id, come_back_id),
    foreign key (group_id, attempt_id) references rv.attempt (group_id, attempt_id)
);
comment on table rv.come_back is 'The customer came back.';
comment on column rv.come_back.group_id is 'Tenant.';
comment on column rv.come_back.come_back_id is 'Come-back.';
comment on column rv.come_back.attempt_id is 'Attempt whose battery came back.';
comment on column rv.come_back.came_at is 'When.';
comment on column rv.come_back.battery_at_fault is 'The battery was at fault, not the vehicle.';
create index come_back_attempt on rv.come_back (group_id, attempt_id);
call rv.protect('come_back', 'select, insert');

create table rv.outcome (
    group_id uuid not null,
    attempt_id uuid not null,
    revision integer not null check (revision >= 1),
    class text not null,
    basis text not null,
    confirmed boolean not null,
    label boolean,
    body jsonb not null,
    rules_version text not null,
    input_digest bytea not null check (length(input_digest) = 16),
    revised_at timestamptz not null,
    primary key (group_id, attempt_id, revision),
    foreign key (group_id, attempt_id) references rv.attempt (group_id, attempt_id)
);
comment on table rv.outcome is 'How an attempt came out: revised, never overwritten.';
comment on column rv.outcome.group_id is 'Tenant.';
comment on column rv.outcome.attempt_id is 'Attempt.';
comment on column rv.outcome.revision is 'Counts from 1; attempt.outcome_revision names the newest.';
comment on column rv.outcome.class is 'recovered, partially_recovered, not_recovered, made_worse or undetermined.';
comment on column rv.outcome.basis is 'ladder, reported or imported.';
comment on column rv.outcome.confirmed is 'By the 72 h hold or a verified report.';
comment on column rv.outcome.label is 'What statistics count: true recovered, false not, empty not known.';
comment on column rv.outcome.body is 'Reasons and retests due, as shown.';
comment on column rv.outcome.rules_version is 'Version of the rules.';
comment on column rv.outcome.input_digest is 'BLAKE3-128 of what it was made from.';
comment on column rv.outcome.revised_at is 'When this revision was made.';
create index outcome_revised on rv.outcome (group_id, revised_at);
call rv.protect('outcome', 'select, insert');

create table rv.reported_outcome (
    group_id uuid not null,
    attempt_id uuid not null,
    reported_at timestamptz not null,
    class text not null,
    basis text not null check (basis in ('reported', 'imported')),
    verified boolean not null,
    reported_by text not null,
    primary key (group_id, attempt_id, reported_at),
    foreign key (group_id, attempt_id) references rv.attempt (group_id, attempt_id)
);
comment on table rv.reported_outcome is 'A person''s or a file''s word on how it came out.';
comment on column rv.reported_outcome.group_id is 'Tenant.';
comment on column rv.reported_outcome.attempt_id is 'Attempt.';
comment on column rv.reported_outcome.reported_at is 'When; the newest counts.';
comment on column rv.reported_outcome.class is 'Their word.';
comment on column rv.reported_outcome.basis is 'reported or imported.';
comment on column rv.reported_outcome.verified is 'A retest after a rest stands behind it.';
comment on column rv.reported_outcome.reported_by is 'Name of the token.';
call rv.protect('reported_outcome', 'select, insert');

create table rv.checkpoint (
    group_id uuid not null,
    attempt_id uuid not null,
    at_h double precision not null check (at_h between 0 and 240),
    accept_c double precision,
    dv double precision,
    temp_rise_c double precision,
    source text not null check (source in ('imported', 'trace')),
    primary key (group_id, attempt_id, at_h),
    foreign key (group_id, attempt_id) references rv.attempt (group_id, attempt_id)
);
comment on table rv.checkpoint is 'Features of a running attempt at fixed hours.';
comment on column rv.checkpoint.group_id is 'Tenant.';
comment on column rv.checkpoint.attempt_id is 'Attempt.';
comment on column rv.checkpoint.at_h is 'Hours since the start of charge.';
comment on column rv.checkpoint.accept_c is 'Mean current of the last 5 minutes over C20, 1/h.';
comment on column rv.checkpoint.dv is 'Rise of the 12 V-equivalent voltage since 2 minutes after the start, volts.';
comment on column rv.checkpoint.temp_rise_c is 'Case above ambient, kelvin.';
comment on column rv.checkpoint.source is 'imported or trace.';
call rv.protect('checkpoint', 'select, insert');

create table rv.counted_visit (
    group_id uuid not null,
    visit_id uuid not null,
    shop_id uuid not null,
    chemistry text not null,
    storage text not null,
    segment text not null,
    voltage_band smallint not null check (voltage_band between 0 and 6),
    months_band smallint not null check (months_band between 0 and 4),
    age_band smallint not null check (age_band between 0 and 4),
    presented boolean not null,
    attempt_id uuid,
    started_at timestamptz,
    method text,
    label boolean,
    confirmed boolean not null,
    primary key (group_id, visit_id),
    foreign key (group_id, visit_id) references rv.visit (group_id, visit_id),
    constraint counted_attempt check (num_nulls(attempt_id, started_at, method) in (0, 3))
);
comment on table rv.counted_visit is
    'How a visit stands in the tally now. Its row lock serializes counting of that visit.';
comment on column rv.counted_visit.group_id is 'Tenant.';
comment on column rv.counted_visit.visit_id is 'Visit.';
comment on column rv.counted_visit.shop_id is 'Shop of the visit.';
comment on column rv.counted_visit.chemistry is 'As on the case.';
comment on column rv.counted_visit.storage is 'Where it spent its idle time.';
comment on column rv.counted_visit.segment is 'powersports, car or marine.';
comment on column rv.counted_visit.voltage_band is 'Index of the voltage band, by model/bands.rs.';
comment on column rv.counted_visit.months_band is 'Index of the months band, by model/bands.rs.';
comment on column rv.counted_visit.age_band is 'Index of the age band, by model/bands.rs.';
comment on column rv.counted_visit.presented is 'It is counted: not anonymous, or attempted.';
comment on column rv.counted_visit.attempt_id is 'Its first attempt, the one that counts; empty = not attempted.';
comment on column rv.counted_visit.started_at is 'Start of that attempt.';
comment on column rv.counted_visit.method is 'Method of that attempt.';
comment on column rv.counted_visit.label is 'Label of that attempt: true recovered, false not, empty not known.';
comment on column rv.counted_visit.confirmed is 'That label is confirmed.';
call rv.protect('counted_visit', 'select, insert, update');

create table rv.tally (
    group_id uuid not null,
    split text not null check (split in ('none', 'storage', 'method', 'age', 'segment')),
    shop_id uuid not null,
    chemistry text not null,
    split_value text not null,
    voltage_band smallint not null check (voltage_band between 0 and 6),
    months_band smallint not null check (months_band between 0 and 4),
    presented bigint not null,
    attempted bigint not null,
    labelled bigint not null,
    recovered bigint not null,
    confirmed bigint not null,
    primary key (group_id, split, shop_id, chemistry, split_value, voltage_band, months_band),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id)
);
comment on table rv.tally is
    'Visits counted by cell, so that a table or an answer costs the same at any number of visits. Every visit is counted once under each split; only its first attempt counts.';
comment on column rv.tally.group_id is 'Tenant.';
comment on column rv.tally.split is 'By what split_value divides: none, storage, method, age or segment.';
comment on column rv.tally.shop_id is 'Shop of the visit.';
comment on column rv.tally.chemistry is 'As on the case.';
comment on column rv.tally.split_value is 'Word of the split; index of the age band; not_attempted without a method; empty for none.';
comment on column rv.tally.voltage_band is 'Index of the voltage band, by model/bands.rs.';
comment on column rv.tally.months_band is 'Index of the months band, by model/bands.rs.';
comment on column rv.tally.presented is 'Visits.';
comment on column rv.tally.attempted is 'Of these, attempted.';
comment on column rv.tally.labelled is 'Of these, with a known outcome: recovered or not.';
comment on column rv.tally.recovered is 'Of these, recovered.';
comment on column rv.tally.confirmed is 'Of the known outcomes, confirmed.';
call rv.protect('tally', 'select, insert, update');
