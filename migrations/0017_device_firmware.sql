-- Which firmware a device had when: drift of the answers is watched by it.
create table rv.device_firmware (
    group_id uuid not null,
    device_id uuid not null,
    since timestamptz not null,
    firmware text not null check (length(firmware) between 1 and 64),
    primary key (group_id, device_id, since),
    foreign key (group_id, device_id) references rv.device (group_id, device_id)
);
comment on table rv.device_firmware is 'Firmware of a device, a row each time another was named. Appended, never changed.';
comment on column rv.device_firmware.group_id is 'Tenant.';
comment on column rv.device_firmware.device_id is 'Device.';
comment on column rv.device_firmware.since is 'When it was named first.';
comment on column rv.device_firmware.firmware is 'Version, as the device or its integrator named it.';
comment on column rv.device_status.firmware is 'Version the device named last over MQTT, if any; device_firmware is what counts.';
-- What was known before goes over; the owner reads all groups for this once.
alter table rv.device_status no force row level security;
insert into rv.device_firmware (group_id, device_id, since, firmware)
select group_id, device_id, changed_at, firmware from rv.device_status where firmware <> '';
alter table rv.device_status force row level security;
call rv.protect('device_firmware', 'select, insert');
