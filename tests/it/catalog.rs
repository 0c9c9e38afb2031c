//! What the database itself promises: isolation, keys that shard, comments.

use sqlx::Row as _;
use tonic::Code;

use restvolt::edge::pb;

use crate::harness::device::run;
use crate::harness::{Stack, database, with};

/// Tables without a group of their own, each with its reason.
const EXEMPT: [(&str, &str); 2] = [
    (
        "directory",
        "a group is looked up here by credential, device or name; one narrow role",
    ),
    (
        "work",
        "a worker asks for the next job of any group; ids only",
    ),
];

async fn rows(url: &str, query: &'static str) -> Vec<sqlx::postgres::PgRow> {
    let mut conn = database::superuser(url).await;
    sqlx::query(query).fetch_all(&mut conn).await.unwrap()
}

fn exempt(table: &str) -> bool {
    EXEMPT.iter().any(|row| row.0 == table)
}

#[tokio::test]
async fn every_tenant_table_forces_row_level_security_and_no_other_is_exempt() {
    let url = database::fresh();
    let found = rows(
        &url,
        "select c.relname::text, c.relrowsecurity and c.relforcerowsecurity,
            exists (select from pg_attribute a where a.attrelid = c.oid and a.attname = 'group_id' and a.attnotnull),
            (select count(*) from pg_policy p where p.polrelid = c.oid)
        from pg_class c join pg_namespace n on n.oid = c.relnamespace
        where n.nspname = 'rv' and c.relkind in ('r', 'p')",
    )
    .await;
    assert!(found.len() > 20);
    for row in found {
        let (table, forced, group, policies): (String, bool, bool, i64) =
            (row.get(0), row.get(1), row.get(2), row.get(3));
        if exempt(&table) {
            assert_eq!((forced, policies), (false, 0), "{table}");
        } else {
            assert!(
                forced && group && policies == 1,
                "{table} is not protected by its group"
            );
        }
    }
}

#[tokio::test]
async fn keys_begin_with_the_group_so_that_the_tables_shard_by_it() {
    let url = database::fresh();
    let keys = rows(
        &url,
        "select c.relname::text, i.relname::text, a.attname::text
        from pg_index x join pg_class c on c.oid = x.indrelid join pg_class i on i.oid = x.indexrelid
        join pg_namespace n on n.oid = c.relnamespace
        join pg_attribute a on a.attrelid = c.oid and a.attnum = x.indkey[0]
        where n.nspname = 'rv' and (x.indisunique or x.indisprimary)",
    )
    .await;
    for row in keys {
        let (table, index, first): (String, String, String) = (row.get(0), row.get(1), row.get(2));
        assert!(
            exempt(&table) || first == "group_id",
            "{index} of {table} begins with {first}"
        );
    }
    let foreign = rows(
        &url,
        "select c.conname::text, (select attname::text from pg_attribute where attrelid = c.conrelid and attnum = c.conkey[1]),
            (select attname::text from pg_attribute where attrelid = c.confrelid and attnum = c.confkey[1]),
            c.conrelid::regclass::text
        from pg_constraint c join pg_namespace n on n.oid = c.connamespace
        where n.nspname = 'rv' and c.contype = 'f'",
    )
    .await;
    assert!(foreign.len() > 10);
    for row in foreign {
        let (name, from, to): (String, String, String) = (row.get(0), row.get(1), row.get(2));
        assert_eq!(
            (from.as_str(), to.as_str()),
            ("group_id", "group_id"),
            "{name}"
        );
    }
    let sequences = rows(
        &url,
        "select 1 from pg_class c join pg_namespace n on n.oid = c.relnamespace
        where n.nspname = 'rv' and c.relkind = 'S'",
    )
    .await;
    assert!(sequences.is_empty(), "sequences do not shard");
}

#[tokio::test]
async fn every_table_and_column_has_a_comment() {
    let url = database::fresh();
    let bare = rows(
        &url,
        "select c.relname || coalesce('.' || a.attname, '')
        from pg_class c join pg_namespace n on n.oid = c.relnamespace
        left join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped
        where n.nspname = 'rv' and c.relkind = 'r'
            and (col_description(c.oid, a.attnum) is null or obj_description(c.oid) is null)
        union all
        select c.relname::text from pg_class c join pg_namespace n on n.oid = c.relnamespace
        where n.nspname = 'report' and c.relkind = 'v' and obj_description(c.oid) is null",
    )
    .await;
    let bare: Vec<String> = bare.iter().map(|row| row.get(0)).collect();
    assert!(bare.is_empty(), "without a comment: {bare:?}");
}

#[tokio::test]
async fn the_service_s_role_is_neither_owner_nor_above_the_walls() {
    let url = database::fresh();
    let found = rows(
        &url,
        "select r.rolsuper or r.rolbypassrls or r.rolcreaterole or r.rolcreatedb or r.rolinherit,
            exists (select from pg_class c join pg_namespace n on n.oid = c.relnamespace
                where n.nspname in ('rv', 'report') and c.relowner = r.oid),
            has_table_privilege('rv_service', 'rv.directory', 'select'),
            has_table_privilege('rv_service', 'rv.segment', 'update')
        from pg_roles r where r.rolname = 'rv_service'",
    )
    .await;
    let flags: Vec<bool> = (0..4).map(|n| found[0].get(n)).collect();
    assert_eq!(flags, [false; 4]);
}

/// Without the service's own predicates: plain statements of its role see one group only.
#[tokio::test]
async fn the_walls_hold_without_the_service_s_own_predicates() {
    let url = database::fresh();
    let clock = restvolt::clock::Clock::fixed(crate::harness::noon());
    let one = Stack::start_on(url.clone(), clock.clone(), &[]).await;
    let two = Stack::start_on(url, clock, &[]).await;
    let mut device = one.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 60)).await;
    for table in [
        "segment",
        "session",
        "receipt",
        "device",
        "shop",
        "credential",
        "shop_group",
    ] {
        let count = format!("select count(*) from rv.{table}");
        for (stack, least) in [(&one, 1), (&two, 0)] {
            let mut tx = stack.stores.questions.begin(stack.group).await.unwrap();
            let count: i64 = sqlx::query_scalar(sqlx::AssertSqlSafe(count.clone()))
                .fetch_one(&mut *tx)
                .await
                .unwrap();
            let own = format!("select count(*) from rv.{table} where group_id = $1");
            let own: i64 = sqlx::query_scalar(sqlx::AssertSqlSafe(own))
                .bind(stack.group)
                .fetch_one(&mut *tx)
                .await
                .unwrap();
            tx.rollback().await.unwrap();
            assert!(
                count >= least && count == own,
                "{table}: {count} seen, {own} own"
            );
        }
    }
    // No group set: nothing is seen, and a row of another group cannot be written.
    let mut tx = two.stores.questions.begin_work().await.unwrap();
    let seen: i64 = sqlx::query_scalar("select count(*) from rv.shop")
        .fetch_one(&mut *tx)
        .await
        .unwrap();
    assert_eq!(seen, 0);
    tx.rollback().await.unwrap();
    let mut tx = two.stores.questions.begin(two.group).await.unwrap();
    let forged = sqlx::query("insert into rv.shop (group_id, shop_id, name) values ($1, $1, 'x')")
        .bind(one.group)
        .execute(&mut *tx)
        .await;
    assert!(forged.is_err());
    drop(tx);
    // Over the wire: another group's ids answer like ids that do not exist.
    let session = one.sessions(&device).await.remove(0);
    let ask = pb::ReadSamplesRequest {
        session_id: session.session_id,
    };
    let denied = two
        .telemetry()
        .read_samples(with(&two.operator, ask))
        .await
        .unwrap_err();
    assert_eq!(denied.code(), Code::NotFound);
    let ask = pb::UpdateDeviceRequest {
        device_id: device.id.clone(),
        ..Default::default()
    };
    let denied = two
        .registry()
        .update_device(with(&two.operator, ask))
        .await
        .unwrap_err();
    assert_eq!(denied.code(), Code::NotFound);
    one.finish().await;
    two.finish().await;
}
