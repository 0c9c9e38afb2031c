-- Fitted models: a row a fit, never changed, so that any past answer can be given again bit for bit.
create table rv.model_fit (
    group_id uuid not null,
    fit_id uuid not null,
    family text not null check (family in ('lead_acid', 'lithium')),
    cutoff timestamptz not null,
    fitted_at timestamptz not null,
    model_version text not null,
    recovered bigint not null check (recovered >= 0),
    not_recovered bigint not null check (not_recovered >= 0),
    soft bigint not null check (soft >= 0),
    form bytea not null check (length(form) between 1 and 67108864),
    primary key (group_id, fit_id)
);
comment on table rv.model_fit is 'Fits of the recovery model: what was learned from outcomes up to a cut-off.';
comment on column rv.model_fit.group_id is 'Tenant.';
comment on column rv.model_fit.fit_id is 'Fit.';
comment on column rv.model_fit.family is 'lead_acid or lithium: the two are fitted apart.';
comment on column rv.model_fit.cutoff is 'Outcomes revised later are not in it.';
comment on column rv.model_fit.fitted_at is 'When it was made.';
comment on column rv.model_fit.model_version is 'Design and prior.';
comment on column rv.model_fit.recovered is 'Outcomes behind it: recovered.';
comment on column rv.model_fit.not_recovered is 'Outcomes behind it: not recovered.';
comment on column rv.model_fit.soft is 'Outcomes behind it: stopped on our advice.';
comment on column rv.model_fit.form is 'The whole fit, as model/fit/stored.rs writes it.';
create index model_fit_newest on rv.model_fit (group_id, family, cutoff desc, fitted_at desc);
call rv.protect('model_fit', 'select, insert');

create index verdict_answered on rv.verdict (group_id, answered_at);
