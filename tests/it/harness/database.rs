//! One private server for the whole run, one database per test, copied from a migrated template.

use std::sync::{Mutex, OnceLock};
use std::time::Duration;

use restvolt::cluster::{Cluster, ClusterConfig};
use restvolt::store;
use sqlx::postgres::{PgConnectOptions, PgConnection};
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _};

const TEMPLATE: &str = "template_restvolt";

struct Server {
    cluster: Cluster,
    numbers: Mutex<u32>,
}

fn server() -> &'static Server {
    static SERVER: OnceLock<Server> = OnceLock::new();
    SERVER.get_or_init(|| {
        let dir = std::env::temp_dir().join(format!("restvolt-it-{}", std::process::id()));
        let mut config = ClusterConfig::new(dir.join("database"));
        config.guard = env!("CARGO_BIN_EXE_restvolt").into();
        config.search_path = std::env::var_os("PATH");
        config.durable = false;
        config.max_connections = 300;
        sweep();
        let cluster = Cluster::start(&config).unwrap();
        let options = options(&cluster, TEMPLATE);
        // A thread of its own: the caller may be inside a runtime.
        std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build();
            runtime.unwrap().block_on(async {
                let mut conn = options
                    .clone()
                    .database("postgres")
                    .connect()
                    .await
                    .unwrap();
                create(&mut conn, &format!("create database {TEMPLATE}")).await;
                store::migrate(&options).await.unwrap();
                create(&mut conn, "alter role rv_service login").await;
                conn.close().await.unwrap();
            });
        })
        .join()
        .unwrap();
        Server {
            cluster,
            numbers: Mutex::new(0),
        }
    })
}

/// Removes folders that earlier runs left when they were killed.
fn sweep() {
    for entry in std::fs::read_dir(std::env::temp_dir()).unwrap().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let Some(pid) = name.strip_prefix("restvolt-it-") else {
            continue;
        };
        let number = pid.parse::<u32>().is_ok();
        if number && !std::path::Path::new("/proc").join(pid).exists() {
            let _ = std::fs::remove_dir_all(entry.path());
        }
    }
}

fn options(cluster: &Cluster, name: &str) -> PgConnectOptions {
    PgConnectOptions::new_without_pgpass()
        .socket(cluster.socket_dir())
        .port(cluster.port())
        .username(cluster.superuser())
        .database(name)
}

async fn create(conn: &mut PgConnection, statement: &str) {
    sqlx::raw_sql(AssertSqlSafe(statement.to_owned()))
        .execute(conn)
        .await
        .unwrap();
}

fn on_a_thread<T: Send + 'static>(work: impl Future<Output = T> + Send + 'static) -> T {
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build();
        runtime.unwrap().block_on(work)
    })
    .join()
    .unwrap()
}

/// A fresh database; returns the URL with which the service connects.
pub(crate) fn fresh() -> String {
    let server = server();
    // One copy at a time: the template must have no other connection.
    let mut numbers = server.numbers.lock().unwrap();
    *numbers += 1;
    let name = format!("test_{}", *numbers);
    let options = options(&server.cluster, "postgres");
    let statement = format!("create database {name} template {TEMPLATE}");
    on_a_thread(async move {
        let mut conn = options.connect().await.unwrap();
        for attempt in 0.. {
            match sqlx::raw_sql(AssertSqlSafe(statement.clone()))
                .execute(&mut conn)
                .await
            {
                Ok(_) => break,
                Err(_) if attempt < 50 => tokio::time::sleep(Duration::from_millis(100)).await,
                Err(error) => panic!("{error}"),
            }
        }
        conn.close().await.unwrap();
    });
    let socket = server.cluster.socket_dir().display().to_string();
    format!("postgres://rv_service@localhost/{name}?host={socket}")
}

/// A connection past every wall, to look at what is there.
pub(crate) async fn superuser(url: &str) -> PgConnection {
    let options: PgConnectOptions = url.parse().unwrap();
    options
        .username(server().cluster.superuser())
        .connect()
        .await
        .unwrap()
}

/// The same, to a database of the server by its name.
pub(crate) async fn superuser_of(name: &str) -> PgConnection {
    options(&server().cluster, name).connect().await.unwrap()
}

/// Lets nobody into a database and cuts everybody off, or lets them in again.
pub(crate) async fn away(url: &str, away: bool) {
    let name = url.split('?').next().unwrap().rsplit('/').next().unwrap();
    let mut conn = superuser_of("postgres").await;
    create(
        &mut conn,
        &format!("alter database {name} with allow_connections {}", !away),
    )
    .await;
    if away {
        let cut = format!(
            "select pg_terminate_backend(pid) from pg_stat_activity where datname = '{name}'"
        );
        create(&mut conn, &cut).await;
    }
}

/// A new database without any schema; returns the URL of its owner.
pub(crate) fn empty() -> String {
    let server = server();
    let name = format!("empty_{:032x}", super::fresh_number());
    let statement = format!("create database {name}");
    let options = options(&server.cluster, "postgres");
    on_a_thread(async move {
        let mut conn = options.connect().await.unwrap();
        create(&mut conn, &statement).await;
        conn.close().await.unwrap();
    });
    let socket = server.cluster.socket_dir().display().to_string();
    let owner = server.cluster.superuser();
    format!("postgres://{owner}@localhost/{name}?host={socket}")
}
