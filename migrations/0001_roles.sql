-- Roles and the one helper that protects a tenant table.
--
-- rv_service: what the service runs as; neither owner nor superuser, so row-level security binds it.
-- rv_directory: the only role that reads the directory; rv_service may step into it, never inherits it.
do $$
begin
    if not exists (select from pg_roles where rolname = 'rv_service') then
        create role rv_service nologin noinherit nosuperuser nobypassrls nocreatedb nocreaterole;
    end if;
    if not exists (select from pg_roles where rolname = 'rv_directory') then
        create role rv_directory nologin nosuperuser nobypassrls nocreatedb nocreaterole;
    end if;
exception when duplicate_object or unique_violation then
    null; -- another database of this server migrates at the same time
end
$$;
do $$
begin
    execute format('grant rv_service, rv_directory to %I', current_user);
    grant rv_directory to rv_service;
exception when others then
    if not (pg_has_role(current_user, 'rv_service', 'member')
            and pg_has_role('rv_service', 'rv_directory', 'member')) then
        raise;
    end if;
end
$$;

create schema rv;
create schema report;
comment on schema rv is 'restvolt: the record. Written by the service only.';
comment on schema report is 'restvolt: stable views for SQL users and dashboards.';
grant usage on schema rv to rv_service, rv_directory;
grant usage on schema report to rv_service;

create procedure rv.protect(name text, rights text) language plpgsql as $$
begin
    execute format('alter table rv.%I enable row level security', name);
    execute format('alter table rv.%I force row level security', name);
    execute format(
        'create policy own_group on rv.%I '
        'using (group_id = (select nullif(current_setting(''app.group_id'', true), '''')::uuid)) '
        'with check (group_id = (select nullif(current_setting(''app.group_id'', true), '''')::uuid))',
        name);
    execute format('grant %s on rv.%I to rv_service', rights, name);
end
$$;
comment on procedure rv.protect is
    'Forces row-level security by app.group_id on a tenant table and grants the service its rights.';
