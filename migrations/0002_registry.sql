-- Who exists: groups, shops, benches, devices, instruments, credentials.
create table rv.directory (
    kind text not null check (kind in ('group', 'credential', 'device')),
    key bytea not null check (length(key) between 1 and 128),
    group_id uuid not null,
    ref_id uuid not null,
    primary key (kind, key)
);
comment on table rv.directory is
    'Exempt from the group rule: a group is looked up here by credential hash, device id or group name.';
comment on column rv.directory.kind is 'What the key is: group, credential or device.';
comment on column rv.directory.key is 'Group name, BLAKE3 of a token, or device id.';
comment on column rv.directory.group_id is 'Group found.';
comment on column rv.directory.ref_id is 'Id of the group, credential or device inside that group.';
grant select, insert, delete on rv.directory to rv_directory;

create table rv.shop_group (
    group_id uuid primary key,
    name text not null check (length(name) between 1 and 64),
    created_at timestamptz not null
);
comment on table rv.shop_group is 'A service group: the tenant.';
comment on column rv.shop_group.group_id is 'Tenant; first column of every key.';
comment on column rv.shop_group.name is 'Name, unique through the directory.';
comment on column rv.shop_group.created_at is 'When it was made.';
call rv.protect('shop_group', 'select, insert, update');

create table rv.shop (
    group_id uuid not null references rv.shop_group (group_id),
    shop_id uuid not null,
    name text not null check (length(name) between 1 and 64),
    currency text not null default 'USD' check (currency ~ '^[A-Z]{3}$'),
    southern boolean not null default false,
    usual_method text,
    labour_per_h double precision check (labour_per_h between 0 and 1e6),
    labour_min_per_attempt double precision check (labour_min_per_attempt between 0 and 1e4),
    charger_hour double precision check (charger_hour between 0 and 1e6),
    kwh_price double precision check (kwh_price between 0 and 1e6),
    recovered_worth_fraction double precision check (recovered_worth_fraction between 0 and 1),
    comeback_prob double precision check (comeback_prob between 0 and 1),
    comeback_cost double precision check (comeback_cost between 0 and 1e6),
    core_value double precision check (core_value between 0 and 1e6),
    hazard_prob double precision check (hazard_prob between 0 and 1),
    hazard_cost double precision check (hazard_cost between 0 and 1e9),
    planned_hours double precision check (planned_hours between 0 and 240),
    planned_kwh double precision check (planned_kwh between 0 and 1000),
    primary key (group_id, shop_id),
    constraint shop_name unique (group_id, name)
);
comment on table rv.shop is 'A shop with its cost sheet; an empty cost is a default, and answers say so.';
comment on column rv.shop.group_id is 'Tenant.';
comment on column rv.shop.shop_id is 'Shop.';
comment on column rv.shop.name is 'Name people use; import calls it shop_id.';
comment on column rv.shop.currency is 'ISO 4217 code of every price of this shop.';
comment on column rv.shop.southern is 'Southern hemisphere: winter is shifted by 26 weeks.';
comment on column rv.shop.usual_method is 'Charging profile assumed when a question names none.';
comment on column rv.shop.labour_per_h is 'Money per hour of a technician.';
comment on column rv.shop.labour_min_per_attempt is 'Minutes of work per attempt.';
comment on column rv.shop.charger_hour is 'Money per hour a charger position is taken.';
comment on column rv.shop.kwh_price is 'Money per kWh at the wall.';
comment on column rv.shop.recovered_worth_fraction is 'Share of the replacement price a recovered battery is worth, 0 to 1.';
comment on column rv.shop.comeback_prob is 'Chance that a recovered battery comes back, 0 to 1.';
comment on column rv.shop.comeback_cost is 'Money per come-back; default 15 + price / 2.';
comment on column rv.shop.core_value is 'Money for the old battery as a core.';
comment on column rv.shop.hazard_prob is 'Chance of an incident per attempt, 0 to 1.';
comment on column rv.shop.hazard_cost is 'Money per incident.';
comment on column rv.shop.planned_hours is 'Hours a charger is planned to be taken per attempt.';
comment on column rv.shop.planned_kwh is 'kWh planned per attempt, at the wall.';
call rv.protect('shop', 'select, insert, update');

create table rv.bench (
    group_id uuid not null,
    bench_id uuid not null,
    shop_id uuid not null,
    name text not null check (length(name) between 1 and 64),
    primary key (group_id, bench_id),
    constraint bench_name unique (group_id, shop_id, name),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id)
);
comment on table rv.bench is 'A place where one battery is worked on at a time.';
comment on column rv.bench.group_id is 'Tenant.';
comment on column rv.bench.bench_id is 'Bench.';
comment on column rv.bench.shop_id is 'Shop it stands in.';
comment on column rv.bench.name is 'Name people use.';
call rv.protect('bench', 'select, insert, update');

create table rv.device (
    group_id uuid not null references rv.shop_group (group_id),
    device_id uuid not null,
    name text not null check (length(name) between 1 and 64),
    kind text not null check (kind in ('charger', 'meter', 'sensor')),
    voltage_unit text not null default 'V' check (voltage_unit in ('V', 'mV')),
    current_unit text not null default 'A' check (current_unit in ('A', 'mA')),
    disabled boolean not null default false,
    created_at timestamptz not null,
    primary key (group_id, device_id)
);
comment on table rv.device is 'A charger, meter or sensor. Its id is made by the server and is unique everywhere.';
comment on column rv.device.group_id is 'Tenant.';
comment on column rv.device.device_id is 'Device.';
comment on column rv.device.name is 'Name people use.';
comment on column rv.device.kind is 'charger, meter or sensor.';
comment on column rv.device.voltage_unit is 'Unit its voltages really have: mV means they arrive a thousand times too large.';
comment on column rv.device.current_unit is 'Unit its currents really have: mA means they arrive a thousand times too large.';
comment on column rv.device.disabled is 'Switched off: its batches go to quarantine.';
comment on column rv.device.created_at is 'When it was registered.';
call rv.protect('device', 'select, insert, update');

create table rv.device_assignment (
    group_id uuid not null,
    device_id uuid not null,
    valid_from timestamptz not null,
    valid_to timestamptz check (valid_to > valid_from),
    bench_id uuid not null,
    primary key (group_id, device_id, valid_from),
    foreign key (group_id, device_id) references rv.device (group_id, device_id),
    foreign key (group_id, bench_id) references rv.bench (group_id, bench_id)
);
comment on table rv.device_assignment is 'Which bench a device stood on, and when: the shop of a sample comes from here.';
comment on column rv.device_assignment.group_id is 'Tenant.';
comment on column rv.device_assignment.device_id is 'Device.';
comment on column rv.device_assignment.valid_from is 'From when.';
comment on column rv.device_assignment.valid_to is 'Until when; empty = now.';
comment on column rv.device_assignment.bench_id is 'Bench.';
call rv.protect('device_assignment', 'select, insert, update');

create table rv.instrument (
    group_id uuid not null,
    instrument_id uuid not null,
    shop_id uuid not null,
    name text not null check (length(name) between 1 and 64),
    offset_v double precision not null default 0 check (offset_v between -5 and 5),
    calibrated_at timestamptz,
    primary key (group_id, instrument_id),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id)
);
comment on table rv.instrument is 'A meter or tester; two of them on one battery commonly differ by 0.1 V.';
comment on column rv.instrument.group_id is 'Tenant.';
comment on column rv.instrument.instrument_id is 'Instrument.';
comment on column rv.instrument.shop_id is 'Shop that owns it.';
comment on column rv.instrument.name is 'Name people use.';
comment on column rv.instrument.offset_v is 'Volts it reads too much.';
comment on column rv.instrument.calibrated_at is 'When it was last compared with a reference.';
call rv.protect('instrument', 'select, insert, update');

create table rv.credential (
    group_id uuid not null references rv.shop_group (group_id),
    credential_id uuid not null,
    token_hash bytea not null check (length(token_hash) = 32),
    scope text not null check (scope in ('device', 'integrator', 'bench', 'analyst', 'operator')),
    name text not null check (length(name) between 1 and 64),
    shop_id uuid,
    device_id uuid,
    created_at timestamptz not null,
    expires_at timestamptz not null,
    revoked_at timestamptz,
    primary key (group_id, credential_id),
    constraint credential_hash unique (group_id, token_hash),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id),
    foreign key (group_id, device_id) references rv.device (group_id, device_id),
    check ((scope = 'device') = (device_id is not null)),
    check (scope <> 'bench' or shop_id is not null)
);
comment on table rv.credential is 'Bearer tokens, hashed: the text of a token is never stored.';
comment on column rv.credential.group_id is 'Tenant.';
comment on column rv.credential.credential_id is 'Credential.';
comment on column rv.credential.token_hash is 'BLAKE3 of the whole token text, 32 bytes.';
comment on column rv.credential.scope is 'What it may do.';
comment on column rv.credential.name is 'Name people use.';
comment on column rv.credential.shop_id is 'Shop it is bound to; empty = every shop of the group.';
comment on column rv.credential.device_id is 'Device it is bound to.';
comment on column rv.credential.created_at is 'When it was made.';
comment on column rv.credential.expires_at is 'When it ends.';
comment on column rv.credential.revoked_at is 'When it was taken back.';
call rv.protect('credential', 'select, insert, update');
