//! A PostgreSQL server for the tests of the casebook, on loopback, with data that is thrown away.

use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::step::{Failure, output, run};

const NO_SERVER: &str = "install it (Debian: `apt-get install postgresql`)";
/// Whom it runs as when this program is root, which the server refuses: the user that Debian's package makes.
const USER: &str = "postgres";

/// A server that runs until it is dropped.
pub(crate) struct Server {
    programs: PathBuf,
    folder: PathBuf,
    url: String,
}

impl Server {
    /// Starts one; `None`, with a line that says so, where PostgreSQL is not installed. In CI it is installed then.
    ///
    /// Errors: it is there but does not start.
    pub(crate) fn start() -> Result<Option<Self>, Failure> {
        let mut programs = programs();
        if programs.is_none() && std::env::var_os("CI").is_some() {
            run(Command::new("apt-get").args(["--quiet", "update"]), NO_SERVER)?;
            let install = ["--quiet", "install", "--yes", "--no-install-recommends", "postgresql"];
            run(Command::new("apt-get").args(install).env("DEBIAN_FRONTEND", "noninteractive"), NO_SERVER)?;
            programs = self::programs();
        }
        let Some(programs) = programs else {
            println!("skipped: PostgreSQL is not installed, the casebook is not tried on a server; {NO_SERVER}");
            return Ok(None);
        };
        let folder = std::env::temp_dir().join(format!("witness-postgres-{}", std::process::id()));
        let failed = |cause: std::io::Error| Failure::new(format!("{}: {cause}", folder.display()), "make room there");
        std::fs::create_dir(&folder).map_err(failed)?;
        let mut server = Self { programs, url: String::new(), folder: folder.clone() };
        if is_root()? {
            run(Command::new("chown").arg(USER).arg(&folder), NO_SERVER)?;
        }
        let data = folder.join("data");
        let mut make = server.program("initdb")?;
        make.args(["--auth=trust", "--username=witness", "--encoding=UTF8", "--no-sync", "--pgdata"]).arg(&data);
        output(&mut make, "look at what initdb says")?;
        // A port that was free a moment ago; nobody else takes ports on this machine in between.
        let port = TcpListener::bind("127.0.0.1:0").and_then(|listener| listener.local_addr()).map_err(failed)?.port();
        let options =
            format!("-c listen_addresses=127.0.0.1 -c port={port} -c unix_socket_directories='' -c fsync=off");
        let mut start = server.program("pg_ctl")?;
        start.args(["start", "-w", "-s", "-o", &options, "-l"]).arg(folder.join("log")).arg("-D").arg(&data);
        run(&mut start, "look at what pg_ctl says")?;
        server.url = format!("postgres://witness@127.0.0.1:{port}");
        Ok(Some(server))
    }

    /// Where it is, without the name of a database.
    pub(crate) fn url(&self) -> &str {
        &self.url
    }

    /// One of its programs, run as somebody who is not root.
    fn program(&self, name: &str) -> Result<Command, Failure> {
        let program = self.programs.join(name);
        let mut command = if is_root()? {
            let mut command = Command::new("runuser");
            command.args(["-u", USER, "--"]).arg(program);
            command
        } else {
            Command::new(program)
        };
        // Not every user may enter the folder that this task was called in.
        command.current_dir(&self.folder);
        Ok(command)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Ok(mut stop) = self.program("pg_ctl") {
            let _ = stop.args(["stop", "-s", "-m", "immediate", "-D"]).arg(self.folder.join("data")).status();
        }
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

fn is_root() -> Result<bool, Failure> {
    Ok(output(Command::new("id").arg("-u"), "`id` tells who runs this")?.trim() == "0")
}

/// Folder of the newest server's programs: on the path, or where Debian keeps them.
fn programs() -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let debian = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    let mut versions: Vec<(u32, PathBuf)> = debian
        .filter_map(|entry| Some((entry.file_name().to_str()?.parse().ok()?, entry.path().join("bin"))))
        .collect();
    versions.sort();
    let known = versions.into_iter().rev().map(|(_, folder)| folder);
    known.chain(std::env::split_paths(&path)).find(|folder: &PathBuf| has_server(folder))
}

fn has_server(folder: &Path) -> bool {
    folder.join("initdb").exists() && folder.join("pg_ctl").exists()
}
