create table rv.rule_override (
    group_id uuid not null,
    override_id uuid not null,
    shop_id uuid,
    battery_label text check (length(battery_label) between 1 and 64),
    rule_key text not null check (length(rule_key) between 1 and 64),
    value double precision,
    reason text not null check (length(reason) between 1 and 200),
    set_by text not null,
    set_at timestamptz not null,
    primary key (group_id, override_id),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id)
);
comment on table rv.rule_override is 'Changed thresholds of the analysis of charges. Appended, never changed: the newest of a scope and key counts.';
comment on column rv.rule_override.group_id is 'Tenant.';
comment on column rv.rule_override.override_id is 'Override.';
comment on column rv.rule_override.shop_id is 'Only for this shop; empty = every shop of the group.';
comment on column rv.rule_override.battery_label is 'Only for batteries of this label; empty = every battery.';
comment on column rv.rule_override.rule_key is 'Name of the threshold.';
comment on column rv.rule_override.value is 'Value in the unit of the threshold; empty = back to the default.';
comment on column rv.rule_override.reason is 'Why, as the person said.';
comment on column rv.rule_override.set_by is 'Name of the token.';
comment on column rv.rule_override.set_at is 'When.';
create index rule_override_newest on rv.rule_override (group_id, rule_key, set_at);
call rv.protect('rule_override', 'select, insert');
