-- Answers to "one more night?", frozen as they were given, apart from those before a first attempt.
create table rv.again_verdict (
    group_id uuid not null,
    again_verdict_id uuid not null,
    attempt_id uuid not null,
    visit_id uuid not null,
    shop_id uuid not null,
    answered_at timestamptz not null,
    answer text not null,
    chance double precision check (chance between 0 and 1),
    worth double precision,
    cost double precision,
    currency text not null check (length(currency) = 3),
    model_version text not null,
    cut_off timestamptz,
    body jsonb not null,
    primary key (group_id, again_verdict_id),
    foreign key (group_id, attempt_id) references rv.attempt (group_id, attempt_id),
    foreign key (group_id, shop_id) references rv.shop (group_id, shop_id)
);
comment on table rv.again_verdict is 'Answers whether a battery is worth a second charge. Appended, never changed.';
comment on column rv.again_verdict.group_id is 'Tenant.';
comment on column rv.again_verdict.again_verdict_id is 'Answer.';
comment on column rv.again_verdict.attempt_id is 'First attempt, which did not bring the battery back.';
comment on column rv.again_verdict.visit_id is 'Visit of both attempts.';
comment on column rv.again_verdict.shop_id is 'Shop whose costs counted.';
comment on column rv.again_verdict.answered_at is 'When it was given.';
comment on column rv.again_verdict.answer is 'The answer.';
comment on column rv.again_verdict.chance is 'Chance of a second charge, ratio; null where it was not told.';
comment on column rv.again_verdict.worth is 'Worth of a recovery, money; null where it was not weighed.';
comment on column rv.again_verdict.cost is 'Cost of one more night, money; null as worth.';
comment on column rv.again_verdict.currency is 'ISO 4217.';
comment on column rv.again_verdict.model_version is 'Model of second attempts that answered.';
comment on column rv.again_verdict.cut_off is 'Newest outcome the answer knew; null without any.';
comment on column rv.again_verdict.body is 'The whole answer as it was shown.';
create index again_verdict_visit on rv.again_verdict (group_id, visit_id, answered_at);
call rv.protect('again_verdict', 'select, insert');
