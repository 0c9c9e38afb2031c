-- Jobs. Exempt from the group rule: a worker asks for the next job of any group.
create table rv.work (
    kind text not null check (kind in ('close_session')),
    group_id uuid not null,
    ref_id uuid not null,
    run_at timestamptz not null,
    attempts integer not null default 0,
    locked_until timestamptz,
    last_error text,
    primary key (kind, group_id, ref_id)
);
comment on table rv.work is 'Jobs, claimed with SKIP LOCKED, idempotent. Holds ids only, no tenant data.';
comment on column rv.work.kind is 'What to do.';
comment on column rv.work.group_id is 'Group to do it in.';
comment on column rv.work.ref_id is 'Row to do it to.';
comment on column rv.work.run_at is 'Not before.';
comment on column rv.work.attempts is 'Tries so far.';
comment on column rv.work.locked_until is 'A worker has it until then.';
comment on column rv.work.last_error is 'Why the last try failed.';
create index work_due on rv.work (run_at);
grant select, insert, update, delete on rv.work to rv_service;
