//! `wardbook migrate`.

use clap::Args;
use secrecy::{ExposeSecret, SecretString};
use sqlx::Connection;
use sqlx::postgres::PgConnection;

use crate::cli::Done;

/// The migrations that this program has.
pub static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!();

/// Options of `migrate`.
#[derive(Args)]
pub struct Options {
    /// As a role that may make tables and roles.
    #[arg(long, env = "WARDBOOK_ADMIN_URL", hide_env_values = true)]
    pub admin_url: String,
    /// Make a login for the service too, in the role `wardbook_service` and in no other; where it is there
    /// already, it gets the password.
    #[arg(long, env = "WARDBOOK_LOGIN")]
    pub login: Option<String>,
    /// The login's password.
    #[arg(long, env = "WARDBOOK_LOGIN_PASSWORD", hide_env_values = true, requires = "login")]
    pub login_password: Option<SecretString>,
}

/// Brings the tables of a database up to date.
pub async fn run(options: Options) -> Done {
    let mut db = PgConnection::connect(&options.admin_url).await?;
    MIGRATIONS.run(&mut db).await?;
    println!("migrated: {} migrations", MIGRATIONS.iter().count());
    if options.login_password.as_ref().is_some_and(|password| password.expose_secret().is_empty()) {
        return Err("the password of the login is empty: set WARDBOOK_LOGIN_PASSWORD".into());
    }
    if let Some(login) = options.login {
        make_login(&mut db, &login, options.login_password.as_ref()).await?;
        println!("login: {login}, in the role wardbook_service");
    }
    Ok(())
}

async fn make_login(db: &mut PgConnection, login: &str, password: Option<&SecretString>) -> Done {
    let there: bool = sqlx::query_scalar("SELECT EXISTS (SELECT 1 FROM pg_roles WHERE rolname = $1)")
        .bind(login)
        .fetch_one(&mut *db)
        .await?;
    let form = if there { "ALTER ROLE %I LOGIN PASSWORD %L" } else { "CREATE ROLE %I LOGIN PASSWORD %L" };
    // Names and passwords cannot be parameters of these statements: the server quotes them itself.
    for (form, value) in
        [(form, password.map(ExposeSecret::expose_secret)), ("GRANT wardbook_service TO %I", None)]
    {
        let statement: String = sqlx::query_scalar("SELECT format($1, $2, $3)")
            .bind(form)
            .bind(login)
            .bind(value)
            .fetch_one(&mut *db)
            .await?;
        sqlx::query(sqlx::AssertSqlSafe(statement)).execute(&mut *db).await?;
    }
    Ok(())
}
