//! Which database a command works on.

use std::path::{Path, PathBuf};

use crate::failure::Failure;
use crate::store::sqlite::SqliteStore;

/// Name of the file below the data folder.
const FILE: &str = "windrow-hub/hub.sqlite";

/// The file that was asked for, or the embedded default in the user's data folder.
///
/// # Errors
/// Where neither is known, or a server's address was given, which this version has no store for.
pub fn path(asked: Option<&Path>) -> Result<PathBuf, Failure> {
    let Some(asked) = asked else { return default_path() };
    let is_address = asked.to_str().is_some_and(|text| text.contains("://"));
    if is_address {
        let what = format!("cannot use the database `{}`: this version keeps a file only", asked.display());
        return Err(Failure::new(what).remedy("give `--database` a path such as `hub.sqlite`"));
    }
    Ok(asked.to_owned())
}

fn default_path() -> Result<PathBuf, Failure> {
    let dir = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    // XDG base directory specification 0.8: a relative path there is to be ignored.
    dir("XDG_DATA_HOME")
        .filter(|p| p.is_absolute())
        .or_else(|| dir("HOME").map(|home| home.join(".local/share")))
        .or_else(|| dir("LOCALAPPDATA"))
        .map(|data| data.join(FILE))
        .ok_or_else(|| {
            Failure::new("cannot tell where the database is: neither `XDG_DATA_HOME` nor `HOME` is set")
                .remedy("name it with `--database hub.sqlite`")
        })
}

/// Opens the database, and makes it where it is missing.
///
/// # Errors
/// A folder that cannot be made, or a file that isn't such a database.
pub async fn open_or_make(path: &Path) -> Result<SqliteStore, Failure> {
    if let Some(folder) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder).map_err(|e| {
            Failure::at("make the folder", folder, e).remedy("name another file with `--database`")
        })?;
    }
    Ok(SqliteStore::open(path).await?)
}

/// Opens a database that must be there: a mistyped path must not look like an empty fleet.
///
/// # Errors
/// As [`open_or_make`], and where there is no such file.
pub async fn open(path: &Path) -> Result<SqliteStore, Failure> {
    if !path.exists() {
        return Err(Failure::new(format!("there is no database at `{}`", path.display())).remedy(
            "name the hub's file with `--database`, or begin with `windrow-hub serve` or `windrow-hub import`",
        ));
    }
    Ok(SqliteStore::open(path).await?)
}
