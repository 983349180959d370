//! A database of its own for each test, copied from one that was migrated once.

use std::sync::atomic::{AtomicU64, Ordering};

use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::{AssertSqlSafe, Connection, PgConnection, PgPool};

/// How the names of all of them begin; then comes the process that made it.
const PREFIX: &str = "wardbook_test_";

fn server() -> PgConnectOptions {
    std::env::var("DATABASE_URL").expect("DATABASE_URL: scripts/database --scratch").parse().unwrap()
}

async fn admin() -> PgConnection {
    PgConnection::connect_with(&server()).await.unwrap()
}

async fn execute(sql: String) {
    let mut db = admin().await;
    sqlx::query(AssertSqlSafe(sql)).execute(&mut db).await.unwrap();
    db.close().await.unwrap();
}

fn new_name() -> String {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    format!("{PREFIX}{}_{}", std::process::id(), NEXT.fetch_add(1, Ordering::SeqCst))
}

/// A database with every table and nothing in it. What processes that are gone have left is dropped.
pub async fn migrated() -> String {
    let mut db = admin().await;
    let found: Vec<String> =
        sqlx::query_scalar("SELECT datname FROM pg_database WHERE datname LIKE $1 || '%'")
            .bind(PREFIX)
            .fetch_all(&mut db)
            .await
            .unwrap();
    for name in found {
        let process = name[PREFIX.len()..].split('_').next().unwrap();
        if !std::path::Path::new("/proc").join(process).exists() {
            execute(format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")).await;
        }
    }
    let name = new_name();
    execute(format!("CREATE DATABASE {name}")).await;
    let pool = connect(&name).await;
    sqlx::migrate!().run(&pool).await.unwrap();
    pool.close().await;
    name
}

/// A copy of a database to which nobody is connected.
pub async fn copy_of(template: &str) -> String {
    let name = new_name();
    execute(format!("CREATE DATABASE {name} TEMPLATE {template}")).await;
    name
}

/// Connections as the owner of a database.
pub async fn connect(name: &str) -> PgPool {
    PgPoolOptions::new().max_connections(20).connect_with(server().database(name)).await.unwrap()
}

/// Drops the database of a test.
pub async fn drop(pool: PgPool) {
    let name = pool.connect_options().get_database().unwrap().to_owned();
    pool.close().await;
    execute(format!("DROP DATABASE {name} WITH (FORCE)")).await;
}
