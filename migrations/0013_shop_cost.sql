-- Who stated which cost of a shop, and what stood there before.
create table rv.shop_cost (
    group_id uuid not null,
    change_id uuid not null,
    shop_id uuid not null,
    item text not null check (length(item) between 1 and 64),
    former double precision,
    value double precision,
    currency text not null,
    reason text not null check (length(reason) between 1 and 200),
    set_by text not null,
    set_at timestamptz not null,
    primary key (group_id, change_id),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id)
);
comment on table rv.shop_cost is 'Changes of the cost sheets. Appended, never changed: with each undone from the newest on, a sheet stands as it stood then.';
comment on column rv.shop_cost.group_id is 'Tenant.';
comment on column rv.shop_cost.change_id is 'Change.';
comment on column rv.shop_cost.shop_id is 'Shop.';
comment on column rv.shop_cost.item is 'Entry of the sheet.';
comment on column rv.shop_cost.former is 'Value before; empty = it was a default.';
comment on column rv.shop_cost.value is 'Value from then on; empty = back to the default.';
comment on column rv.shop_cost.currency is 'ISO 4217 code of the shop when it was stated.';
comment on column rv.shop_cost.reason is 'Why, as the person said.';
comment on column rv.shop_cost.set_by is 'Name of the token.';
comment on column rv.shop_cost.set_at is 'When; later than every change of the shop before.';
create index shop_cost_newest on rv.shop_cost (group_id, shop_id, set_at);
call rv.protect('shop_cost', 'select, insert');
