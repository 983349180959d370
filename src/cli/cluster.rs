//! A private `PostgreSQL` cluster, made with the machine's own server binaries: for machines without
//! Docker, and for tests. It listens on a Unix socket in a folder of its own and on nothing else.

use std::error::Error;
use std::fs;
use std::fs::Permissions;
use std::io::Read;
use std::os::unix::fs::{PermissionsExt, chown};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::cli::Done;
use application::outside::Outside;

/// A running cluster; it ends with this value, and with this process.
pub struct Cluster {
    folder: PathBuf,
    keep: bool,
    server: Child,
}

/// As whom the server runs: it refuses to run as root.
#[derive(Clone, Copy)]
struct User {
    uid: u32,
    gid: u32,
}

impl Cluster {
    /// Makes a cluster, or takes up the one in `folder`, and waits until it answers.
    pub fn start(folder: Option<PathBuf>, fsync: bool) -> Result<Self, Box<dyn Error>> {
        let bin = server_binaries()?;
        let keep = folder.is_some();
        let folder = if let Some(folder) = folder {
            let folder = std::path::absolute(folder)?;
            fs::create_dir_all(&folder)?;
            folder
        } else {
            super::temporary_folder(&Outside::system(), "pg")?
        };
        let user = unprivileged_user()?;
        if let Some(user) = user {
            chown(&folder, Some(user.uid), Some(user.gid))?;
        }
        // Whoever reaches the socket is let in: nobody but this user (and root) reaches it.
        fs::set_permissions(&folder, Permissions::from_mode(0o700))?;
        let data = folder.join("data");
        if !data.join("PG_VERSION").exists() {
            let mut initdb = as_user(&bin.join("initdb"), user);
            initdb.arg("-D").arg(&data).args(["-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C"]);
            if !fsync {
                initdb.arg("--no-sync");
            }
            let made = initdb.stdin(Stdio::null()).output()?;
            if !made.status.success() {
                return Err(format!("initdb: {}", String::from_utf8_lossy(&made.stderr)).into());
            }
        }
        let server = spawn(&bin, &data, &folder, user, fsync)?;
        let cluster = Self { folder, keep, server };
        cluster.wait_until_ready(&bin)?;
        Ok(cluster)
    }

    /// How to reach it.
    pub fn url(&self) -> String {
        let host = self.folder.display().to_string().replace('/', "%2F");
        format!("postgres://postgres@{host}/postgres")
    }

    fn wait_until_ready(&self, bin: &Path) -> Done {
        for _ in 0..200 {
            let ready =
                Command::new(bin.join("pg_isready")).args(["-q", "-h"]).arg(&self.folder).status()?.success();
            if ready {
                return Ok(());
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let log = fs::read_to_string(self.folder.join("server.log")).unwrap_or_default();
        let tail: Vec<&str> = log.lines().rev().take(5).collect();
        let tail = tail.into_iter().rev().collect::<Vec<_>>().join("\n");
        Err(format!("the private PostgreSQL cluster does not answer:\n{tail}").into())
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        // SIGINT asks for a fast shutdown.
        let asked = Command::new("kill").arg("-INT").arg(self.server.id().to_string()).status();
        if asked.is_ok_and(|status| status.success()) {
            let _ = self.server.wait();
        }
        if !self.keep {
            let _ = fs::remove_dir_all(&self.folder);
        }
    }
}

/// `setpriv --pdeathsig` ends the server when this process dies, however it dies.
fn spawn(
    bin: &Path,
    data: &Path,
    socket: &Path,
    user: Option<User>,
    fsync: bool,
) -> Result<Child, Box<dyn Error>> {
    let mut server = match user {
        Some(user) => {
            let mut command = Command::new("setpriv");
            command
                .arg(format!("--reuid={}", user.uid))
                .arg(format!("--regid={}", user.gid))
                .arg("--clear-groups");
            command
        }
        None => Command::new("setpriv"),
    };
    server.args(["--pdeathsig", "INT", "--"]).arg(bin.join("postgres")).arg("-D").arg(data);
    let mut set = |name: &str, value: &str| {
        server.arg("-c").arg(format!("{name}={value}"));
    };
    set("listen_addresses", "");
    set("unix_socket_directories", &socket.display().to_string());
    set("max_connections", "300");
    set("logging_collector", "off");
    if !fsync {
        set("fsync", "off");
        set("synchronous_commit", "off");
        set("full_page_writes", "off");
    }
    let log = fs::File::create(socket.join("server.log"))?;
    Ok(server.current_dir("/").stdin(Stdio::null()).stdout(log.try_clone()?).stderr(log).spawn()?)
}

fn as_user(program: &Path, user: Option<User>) -> Command {
    let mut command = Command::new(program);
    command.current_dir("/");
    if let Some(user) = user {
        command.uid(user.uid).gid(user.gid);
    }
    command
}

/// The newest server on this machine, where Debian puts it, or what `pg_config` names.
fn server_binaries() -> Result<PathBuf, Box<dyn Error>> {
    let mut found: Vec<(u32, PathBuf)> = Vec::new();
    for entry in fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten() {
        let version = entry.file_name().to_str().and_then(|name| name.parse().ok());
        let bin = entry.path().join("bin");
        if let Some(version) = version.filter(|_| bin.join("initdb").exists()) {
            found.push((version, bin));
        }
    }
    found.sort();
    if let Some((_, bin)) = found.pop() {
        return Ok(bin);
    }
    let named = Command::new("pg_config").arg("--bindir").output().ok();
    let named =
        named.and_then(|output| String::from_utf8(output.stdout).ok()).map(|bin| PathBuf::from(bin.trim()));
    named
        .filter(|bin| bin.join("initdb").exists())
        .ok_or_else(|| "no PostgreSQL server on this machine: install the package `postgresql`".into())
}

fn unprivileged_user() -> Result<Option<User>, Box<dyn Error>> {
    let id = |args: &[&str]| -> Option<u32> {
        let output = Command::new("id").args(args).output().ok()?;
        String::from_utf8(output.stdout).ok()?.trim().parse().ok()
    };
    if id(&["-u"]) != Some(0) {
        return Ok(None);
    }
    for name in ["postgres", "nobody"] {
        if let (Some(uid), Some(gid)) = (id(&["-u", name]), id(&["-g", name])) {
            return Ok(Some(User { uid, gid }));
        }
    }
    Err("run as somebody else than root, or add a user `postgres`".into())
}

/// Runs a cluster until standard input closes.
pub fn run(folder: Option<PathBuf>, fsync: bool) -> Done {
    let cluster = Cluster::start(folder, fsync)?;
    println!("{}", cluster.url());
    let _ = std::io::stdin().read_to_end(&mut Vec::new());
    Ok(())
}
