//! Which database a command works on.

use std::fmt;
use std::path::{Path, PathBuf};

use crate::failure::Failure;
use crate::store::server::{IfEmpty, Server};
use crate::store::sql::SqlStore;

/// Name of the hub's folder below the user's data folder.
const FOLDER: &str = "windrow-hub";
/// Name of the file in it.
const FILE: &str = "hub.sqlite";

/// A database as it was asked for.
#[derive(Debug, Clone)]
pub enum Database {
    /// A file.
    File(PathBuf),
    /// A server's.
    Server {
        /// Its address.
        server: Box<Server>,
        /// Where the head key's file stands.
        head_key: PathBuf,
    },
}

/// As it may be shown: without a password.
impl fmt::Display for Database {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File(path) => write!(f, "{}", path.display()),
            Self::Server { server, .. } => write!(f, "{server}"),
        }
    }
}

/// The file or server that was asked for, or the embedded default in the user's data folder; with the head key's file
/// where one is named for a server.
///
/// # Errors
/// Where neither is known, an address cannot be read, or a head key's file is named for a file, which has its own beside it.
pub fn asked(database: Option<&Path>, head_key: Option<&Path>) -> Result<Database, Failure> {
    let address = database.and_then(Path::to_str).filter(|text| text.contains("://"));
    if let Some(address) = address {
        return server(address, head_key);
    }
    if head_key.is_some() {
        return Err(Failure::new("a database file has its head key beside it")
            .remedy("leave `--head-key-file` away: it is for a database on a server"));
    }
    let path = match database {
        Some(path) => path.to_owned(),
        None => data_folder("--database hub.sqlite")?.join(FILE),
    };
    Ok(Database::File(path))
}

fn server(address: &str, head_key: Option<&Path>) -> Result<Database, Failure> {
    const REMEDY: &str = "give `--database` a path such as `hub.sqlite`, or `postgres://USER@HOST/DATABASE`";
    // Not even what was typed is repeated: it may hold a password.
    let unread =
        |why: String| Failure::new(format!("cannot read the address of `--database`: {why}")).remedy(REMEDY);
    if !Server::is_address(address) {
        return Err(unread("it doesn't begin with `postgres://`".to_owned()));
    }
    let server = Server::parse(address).map_err(unread)?;
    let head_key = match head_key {
        Some(path) => path.to_owned(),
        None => server.head_key_below(&data_folder("the head key's file with `--head-key-file`")?),
    };
    Ok(Database::Server { server: Box::new(server), head_key })
}

fn data_folder(otherwise: &str) -> Result<PathBuf, Failure> {
    let dir = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    // XDG base directory specification 0.8: a relative path there is to be ignored.
    dir("XDG_DATA_HOME")
        .filter(|p| p.is_absolute())
        .or_else(|| dir("HOME").map(|home| home.join(".local/share")))
        .or_else(|| dir("LOCALAPPDATA"))
        .map(|data| data.join(FOLDER))
        .ok_or_else(|| {
            Failure::new("cannot tell where the hub's folder is: neither `XDG_DATA_HOME` nor `HOME` is set")
                .remedy(format!("name {otherwise}"))
        })
}

/// Opens the database, and makes it where it is missing. On a server the database itself must be there.
///
/// # Errors
/// A folder that cannot be made, a file that isn't such a database, or a server that doesn't let the hub in.
pub async fn open_or_make(database: &Database) -> Result<SqlStore, Failure> {
    match database {
        Database::File(path) => {
            make_folder_of(path, "name another file with `--database`")?;
            Ok(SqlStore::open_file(path).await?)
        }
        Database::Server { server, head_key } => {
            make_folder_of(head_key, "name another file with `--head-key-file`")?;
            Ok(SqlStore::open_server(server, head_key.clone(), IfEmpty::Make).await?)
        }
    }
}

/// Opens a database that must be there: a mistyped path or name must not look like an empty fleet.
///
/// # Errors
/// As [`open_or_make`], and where there is none.
pub async fn open(database: &Database) -> Result<SqlStore, Failure> {
    match database {
        Database::File(path) if !path.exists() => {
            Err(Failure::new(format!("there is no database at `{database}`")).remedy(
                "name the hub's file with `--database`, or begin with `windrow-hub serve` or `windrow-hub import`",
            ))
        }
        Database::File(path) => Ok(SqlStore::open_file(path).await?),
        Database::Server { server, head_key } => {
            make_folder_of(head_key, "name another file with `--head-key-file`")?;
            Ok(SqlStore::open_server(server, head_key.clone(), IfEmpty::Refuse).await?)
        }
    }
}

fn make_folder_of(file: &Path, remedy: &str) -> Result<(), Failure> {
    let Some(folder) = file.parent().filter(|p| !p.as_os_str().is_empty()) else { return Ok(()) };
    std::fs::create_dir_all(folder).map_err(|e| Failure::at("make the folder", folder, e).remedy(remedy))
}
