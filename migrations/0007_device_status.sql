-- What a device says of itself: there, or gone (its last will, told by the broker).
create table rv.device_status (
    group_id uuid not null,
    device_id uuid not null,
    online boolean not null,
    firmware text not null default '' check (length(firmware) <= 64),
    changed_at timestamptz not null,
    received_at timestamptz not null,
    primary key (group_id, device_id),
    foreign key (group_id, device_id) references rv.device (group_id, device_id)
);
comment on table rv.device_status is
    'Last status of a device over MQTT. It opens and closes no session: samples alone decide that.';
comment on column rv.device_status.group_id is 'Tenant.';
comment on column rv.device_status.device_id is 'Device.';
comment on column rv.device_status.online is 'The device said it is there; false: it said good-bye, or its connection broke.';
comment on column rv.device_status.firmware is 'Version the device named, if any.';
comment on column rv.device_status.changed_at is 'When online changed last.';
comment on column rv.device_status.received_at is 'When the last status arrived.';
call rv.protect('device_status', 'select, insert, update');
