-- What a group believes before any outcome was counted, where it differs from what ships with the program.
create table rv.group_prior (
    group_id uuid not null references rv.shop_group (group_id),
    change_id uuid not null,
    version text not null check (length(version) between 1 and 32),
    form text check (length(form) between 1 and 65536),
    reason text not null check (length(reason) between 1 and 200),
    set_by text not null,
    set_at timestamptz not null,
    primary key (group_id, change_id)
);
comment on table rv.group_prior is 'Priors of the recovery model by group. Appended, never changed: the newest is in force.';
comment on column rv.group_prior.group_id is 'Tenant.';
comment on column rv.group_prior.change_id is 'Change.';
comment on column rv.group_prior.version is 'Name of the prior; part of every answer.';
comment on column rv.group_prior.form is 'The prior as text, with its comments; empty = the one of this name that ships with the program.';
comment on column rv.group_prior.reason is 'Why, as the person said.';
comment on column rv.group_prior.set_by is 'Name of the token.';
comment on column rv.group_prior.set_at is 'When; later than every change of the group before.';
create index group_prior_newest on rv.group_prior (group_id, set_at);
call rv.protect('group_prior', 'select, insert');
