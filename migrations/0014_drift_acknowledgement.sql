-- Who saw that the answers drift away from what comes of them; from then on the sums start anew.
create table rv.drift_acknowledgement (
    group_id uuid not null references rv.shop_group (group_id),
    acknowledgement_id uuid not null,
    stream text not null check (length(stream) between 1 and 128),
    acknowledged_by text not null check (length(acknowledged_by) between 1 and 128),
    reason text not null check (length(reason) between 1 and 200),
    set_by text not null,
    acknowledged_at timestamptz not null,
    primary key (group_id, acknowledgement_id)
);
comment on table rv.drift_acknowledgement is 'Drifts of the answers that a person has seen. Appended, never changed.';
comment on column rv.drift_acknowledgement.group_id is 'Tenant.';
comment on column rv.drift_acknowledgement.acknowledgement_id is 'Acknowledgement.';
comment on column rv.drift_acknowledgement.stream is 'What drifts: group, method NAME or charger NAME.';
comment on column rv.drift_acknowledgement.acknowledged_by is 'Name of the person.';
comment on column rv.drift_acknowledgement.reason is 'What was found or done, as the person said.';
comment on column rv.drift_acknowledgement.set_by is 'Name of the token.';
comment on column rv.drift_acknowledgement.acknowledged_at is 'When.';
create index drift_acknowledgement_newest on rv.drift_acknowledgement (group_id, acknowledged_at);
call rv.protect('drift_acknowledgement', 'select, insert');
