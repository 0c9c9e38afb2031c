-- Charges that are stopped on advice: what was told, and with which chance they ended.
create table rv.stop_advice (
    group_id uuid not null,
    attempt_id uuid not null,
    checkpoint_h double precision not null check (checkpoint_h > 0),
    told_at timestamptz not null,
    chance double precision not null check (chance between 0 and 1),
    stop_below double precision not null check (stop_below between 0 and 1),
    run_on boolean not null,
    model_version text not null,
    cut_off timestamptz,
    primary key (group_id, attempt_id, checkpoint_h),
    foreign key (group_id, attempt_id) references rv.attempt (group_id, attempt_id)
);
comment on table rv.stop_advice is 'Checkpoints of running attempts at which going on was worth less than it cost, as told first. Appended, never changed.';
comment on column rv.stop_advice.group_id is 'Tenant.';
comment on column rv.stop_advice.attempt_id is 'Attempt.';
comment on column rv.stop_advice.checkpoint_h is 'Hours of the checkpoint after the start of charge.';
comment on column rv.stop_advice.told_at is 'When it was told.';
comment on column rv.stop_advice.chance is 'Chance so far, ratio.';
comment on column rv.stop_advice.stop_below is 'Chance below which going on was worth less than it cost, ratio.';
comment on column rv.stop_advice.run_on is 'The coin, drawn once for an attempt, let it run on, so that stops are checked.';
comment on column rv.stop_advice.model_version is 'Design and prior of the model.';
comment on column rv.stop_advice.cut_off is 'Newest outcome the answer knew; null without any.';
call rv.protect('stop_advice', 'select, insert');

create table rv.advised_stop (
    group_id uuid not null,
    attempt_id uuid not null,
    chance double precision check (chance between 0 and 1),
    told_at timestamptz not null,
    primary key (group_id, attempt_id),
    foreign key (group_id, attempt_id) references rv.attempt (group_id, attempt_id)
);
comment on table rv.advised_stop is 'Attempts that ended because a stop was advised. What would have come of them nobody knows: the chance is their label. Appended, never changed.';
comment on column rv.advised_stop.group_id is 'Tenant.';
comment on column rv.advised_stop.attempt_id is 'Attempt.';
comment on column rv.advised_stop.chance is 'Chance so far when it was stopped, ratio; null where nothing was seen of the charge: no label.';
comment on column rv.advised_stop.told_at is 'When the end was recorded.';
call rv.protect('advised_stop', 'select, insert');
