-- Alarms, who is told of them, and what was sent.
create table rv.alarm (
    group_id uuid not null references rv.shop_group (group_id),
    alarm_id uuid not null,
    device_id uuid not null,
    shop_id uuid,
    session_id uuid,
    kind text not null check (length(kind) between 1 and 64),
    class text not null check (class in ('critical', 'high', 'low')),
    state text not null check (state in ('active_unacknowledged', 'active_acknowledged',
        'returned_unacknowledged', 'latched_unacknowledged', 'latched_acknowledged', 'normal')),
    value bigint,
    unit text not null check (length(unit) <= 16),
    occurrence integer not null check (occurrence >= 1),
    raised_at timestamptz not null,
    returned_at timestamptz,
    acknowledged_at timestamptz,
    acknowledged_by text check (length(acknowledged_by) between 1 and 128),
    shelved_until timestamptz,
    latched boolean not null,
    revision integer not null check (revision >= 1),
    version bigint not null check (version >= 1),
    told jsonb not null,
    life jsonb not null,
    line text not null check (length(line) <= 2000),
    changed_at timestamptz not null,
    primary key (group_id, alarm_id),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id)
);
comment on table rv.alarm is 'One row per life of an alarm: from its raising to its closing. At most one life of a device and kind is open.';
comment on column rv.alarm.group_id is 'Tenant.';
comment on column rv.alarm.alarm_id is 'Alarm, derived from device, kind and the time of its raising: the same condition replayed is the same alarm.';
comment on column rv.alarm.device_id is 'Device it was seen at; the shop where no device is meant, nil for the service itself.';
comment on column rv.alarm.shop_id is 'Shop the device stood in, when that was known.';
comment on column rv.alarm.session_id is 'Session it belongs to, when that was known.';
comment on column rv.alarm.kind is 'What it is about; the words of alarm/kind.rs.';
comment on column rv.alarm.class is 'critical, high or low.';
comment on column rv.alarm.state is 'Where it stands; normal = closed.';
comment on column rv.alarm.value is 'Worst value since it was raised, in unit.';
comment on column rv.alarm.unit is 'Fixed-point unit of value: mV, cdegC (0.01 degC), cK/h (0.01 K per hour), mAh, s, %, count or none.';
comment on column rv.alarm.occurrence is 'How often the condition began before the alarm closed.';
comment on column rv.alarm.raised_at is 'When the present occurrence began.';
comment on column rv.alarm.returned_at is 'When the condition ended; empty while it holds.';
comment on column rv.alarm.acknowledged_at is 'When a person said to have seen the present occurrence.';
comment on column rv.alarm.acknowledged_by is 'Name of that person.';
comment on column rv.alarm.shelved_until is 'Until when nobody is told.';
comment on column rv.alarm.latched is 'The kind latches: only an acknowledgement after the return closes it.';
comment on column rv.alarm.revision is 'Counts changes a person would see.';
comment on column rv.alarm.version is 'Counts every change; an older one never overwrites a newer one.';
comment on column rv.alarm.told is 'How far it was told: occurrence and steps of the escalation.';
comment on column rv.alarm.life is 'The alarm as the service keeps it, to go on after a restart.';
comment on column rv.alarm.line is 'The alarm in one line, as people read it.';
comment on column rv.alarm.changed_at is 'When this row changed last.';
create index alarm_open on rv.alarm (group_id, device_id) where state <> 'normal';
create index alarm_raised on rv.alarm (group_id, raised_at desc, alarm_id desc);
call rv.protect('alarm', 'select, insert, update');

create table rv.alarm_route (
    group_id uuid not null,
    route_id uuid not null,
    shop_id uuid not null,
    level text not null check (level in ('bench', 'shop', 'manager', 'group')),
    name text not null check (length(name) between 1 and 64),
    hours text not null check (hours in ('always', 'day', 'night')),
    channel text not null check (channel in ('webhook', 'person')),
    url text not null default '' check (length(url) <= 1024),
    secret_salt bytea not null check (length(secret_salt) = 16),
    changed_at timestamptz not null,
    removed_at timestamptz,
    primary key (group_id, route_id),
    constraint alarm_route_name unique (group_id, shop_id, level, name),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id),
    check ((channel = 'webhook') = (url <> ''))
);
comment on table rv.alarm_route is 'Who is told of the alarms of a shop, and by which way.';
comment on column rv.alarm_route.group_id is 'Tenant.';
comment on column rv.alarm_route.route_id is 'Route.';
comment on column rv.alarm_route.shop_id is 'Shop whose alarms are meant.';
comment on column rv.alarm_route.level is 'bench, shop, manager or group: the later, the higher.';
comment on column rv.alarm_route.name is 'Name of the person, or of the channel of the bench.';
comment on column rv.alarm_route.hours is 'When this route may be used: always, day or night.';
comment on column rv.alarm_route.channel is 'webhook, or person: named in lists and streams, nothing is sent.';
comment on column rv.alarm_route.url is 'Where a webhook goes; empty for a person.';
comment on column rv.alarm_route.secret_salt is 'With the service''s key it makes the secret that signs; the secret itself is kept nowhere.';
comment on column rv.alarm_route.changed_at is 'When it changed last.';
comment on column rv.alarm_route.removed_at is 'When it was taken out; empty = in use.';
call rv.protect('alarm_route', 'select, insert, update');

create table rv.alarm_hours (
    group_id uuid not null,
    shop_id uuid not null,
    night_from_min smallint not null check (night_from_min between 0 and 1439),
    night_to_min smallint not null check (night_to_min between 0 and 1439),
    utc_offset_min smallint not null check (utc_offset_min between -840 and 840),
    primary key (group_id, shop_id),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id)
);
comment on table rv.alarm_hours is 'Night of a shop, for routes that are used by day or by night only.';
comment on column rv.alarm_hours.group_id is 'Tenant.';
comment on column rv.alarm_hours.shop_id is 'Shop.';
comment on column rv.alarm_hours.night_from_min is 'Night begins, minutes after local midnight.';
comment on column rv.alarm_hours.night_to_min is 'Night ends, minutes after local midnight; the same as its begin = no night.';
comment on column rv.alarm_hours.utc_offset_min is 'Local time less UTC, minutes.';
call rv.protect('alarm_hours', 'select, insert, update');

create table rv.notification (
    group_id uuid not null,
    notification_id uuid not null,
    alarm_id uuid not null,
    revision integer not null check (revision >= 1),
    route_id uuid not null,
    channel text not null check (channel in ('webhook', 'person')),
    recipient text not null check (length(recipient) between 1 and 64),
    state text not null check (state in ('waiting', 'delivered', 'failed', 'shown')),
    attempts integer not null check (attempts >= 0),
    next_at timestamptz,
    last_error text check (length(last_error) <= 500),
    notice jsonb not null,
    created_at timestamptz not null,
    changed_at timestamptz not null,
    primary key (group_id, notification_id),
    foreign key (group_id, alarm_id) references rv.alarm (group_id, alarm_id),
    foreign key (group_id, route_id) references rv.alarm_route (group_id, route_id)
);
comment on table rv.notification is 'Outbox: one row per alarm, change and recipient. Delivery is at least once; the id tells copies apart.';
comment on column rv.notification.group_id is 'Tenant.';
comment on column rv.notification.notification_id is 'Idempotency id, derived from alarm, change and route; the receiver gets it too.';
comment on column rv.notification.alarm_id is 'Alarm.';
comment on column rv.notification.revision is 'Change of the alarm it tells of.';
comment on column rv.notification.route_id is 'Route.';
comment on column rv.notification.channel is 'webhook, or person.';
comment on column rv.notification.recipient is 'Name of the route when it was told.';
comment on column rv.notification.state is 'waiting, delivered, failed (24 h of attempts) or shown (a person without a channel).';
comment on column rv.notification.attempts is 'Attempts so far.';
comment on column rv.notification.next_at is 'When it is tried again; empty when it is not.';
comment on column rv.notification.last_error is 'Why the last attempt failed.';
comment on column rv.notification.notice is 'What is sent.';
comment on column rv.notification.created_at is 'When it was due.';
comment on column rv.notification.changed_at is 'When this row changed last.';
create index notification_waiting on rv.notification (group_id) where state = 'waiting';
call rv.protect('notification', 'select, insert, update');
