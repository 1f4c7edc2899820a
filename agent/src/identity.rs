//! Who signs: a random device id and a key, made at the first run on this machine and nowhere else.
//!
//! An installer never makes them, so that an image doesn't hand one identity to a hundred laptops; and when the
//! machine has changed (an image taken after the first run, a disk moved to another laptop) a new identity is made.

use std::path::{Path, PathBuf};

use chrono::{DateTime, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use windrow_model::record::{Digest, SigningIdentity};
use zeroize::Zeroizing;

use crate::failure::Failure;
use crate::files;
use crate::state::StateDir;

/// Largest of these small files, bytes.
const FILE_BYTES_MAX: usize = 16 * 1024;
/// What tells machines apart and every user may read. Two laptops of one model with the same copied machine id
/// cannot be told apart by it; a hub then sees a fork in the chain.
const MACHINE_FILES: [&str; 5] = [
    "etc/machine-id",
    "sys/class/dmi/id/sys_vendor",
    "sys/class/dmi/id/product_name",
    "sys/class/dmi/id/product_sku",
    "sys/class/dmi/id/board_name",
];

/// `device.json`. It never leaves the machine.
#[derive(Debug, Serialize, Deserialize)]
struct DeviceFile {
    device_id: String,
    made_at: String,
    /// SHA-256 over what tells machines apart.
    machine: String,
}

/// The identity, and whether it is new.
#[derive(Debug)]
pub struct Identity {
    /// Signs.
    pub signing: SigningIdentity,
    /// Why it was made just now, where it was.
    pub made: Option<Made>,
}

/// Why an identity was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Made {
    /// There was none.
    FirstRun,
    /// The one there was belongs to another machine.
    MachineChanged,
}

/// A fingerprint of the machine below `root` (`/`). It is kept here and never sent.
pub fn fingerprint(root: &Path) -> String {
    let mut parts: Vec<Vec<u8>> = vec![b"windrow-machine/1".to_vec()];
    for name in MACHINE_FILES {
        let bytes = files::read_limited(&root.join(name), FILE_BYTES_MAX).ok().flatten().unwrap_or_default();
        parts.push(bytes.trim_ascii().to_vec());
    }
    Digest::of(&parts.join(&b'\n')).to_hex()
}

/// The identity of this machine, made when there is none yet or the machine has changed.
///
/// # Errors
/// Files that cannot be read or written, or are damaged.
pub fn load_or_make(state: &StateDir, machine: &str, now: DateTime<Utc>) -> Result<Identity, Failure> {
    let Some(device) = read_device(state)? else {
        return make(state, machine, now, Made::FirstRun);
    };
    if device.machine != machine {
        retire(state, &device)?;
        return make(state, machine, now, Made::MachineChanged);
    }
    let secret = read_key(&key_path(state))?;
    let signing = SigningIdentity::from_secret(&device.device_id, &secret)
        .map_err(|e| damaged(&device_path(state), e.to_string()))?;
    Ok(Identity { signing, made: None })
}

fn make(state: &StateDir, machine: &str, now: DateTime<Utc>, why: Made) -> Result<Identity, Failure> {
    let mut id = [0_u8; 16];
    let mut secret = Zeroizing::new([0_u8; 32]);
    fill_random(&mut id)?;
    fill_random(secret.as_mut())?;
    let device = DeviceFile {
        device_id: hex::encode(id),
        made_at: now.to_rfc3339_opts(SecondsFormat::Secs, true),
        machine: machine.to_owned(),
    };
    // A key without `device.json` is what a crash between the two writes leaves: nothing was signed with it.
    let key_path = key_path(state);
    let _ = std::fs::remove_file(&key_path);
    let hex_key = Zeroizing::new(hex::encode(secret.as_ref()));
    files::write_new_secret(&key_path, hex_key.as_bytes())
        .map_err(|e| Failure::at("write the key", &key_path, e).remedy("make the folder writable"))?;
    let path = device_path(state);
    let json = serde_json::to_vec_pretty(&device).map_err(|e| Failure::new(e.to_string()))?;
    files::write_atomically(&path, &json)
        .map_err(|e| Failure::at("write the device id", &path, e).remedy("make the folder writable"))?;
    let signing = SigningIdentity::from_secret(&device.device_id, &secret)
        .map_err(|e| damaged(&path, e.to_string()))?;
    Ok(Identity { signing, made: Some(why) })
}

/// Puts the former machine's files away. Its spooled records stay: they are signed and can still be sent.
fn retire(state: &StateDir, device: &DeviceFile) -> Result<(), Failure> {
    let is_an_id = device.device_id.len() == 32 && device.device_id.bytes().all(|b| b.is_ascii_hexdigit());
    if !is_an_id {
        return Err(damaged(&device_path(state), "no device id in it".into()));
    }
    let folder = state.file("former").join(&device.device_id);
    let moved = files::make_folder(&folder).and_then(|()| {
        // `device.json` last: until it is gone the retiring is begun again.
        for name in ["hub.json", "chain.json", "device.key", "device.json"] {
            match files::move_durably(&state.file(name), &folder.join(name)) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(e),
                _ => {}
            }
        }
        Ok(())
    });
    moved.map_err(|e| {
        Failure::at("put the former identity away in", &folder, e).remedy("make the folder writable")
    })
}

fn read_device(state: &StateDir) -> Result<Option<DeviceFile>, Failure> {
    let path = device_path(state);
    let bytes = files::read_limited(&path, FILE_BYTES_MAX)
        .map_err(|e| Failure::at("read the device id", &path, e))?;
    bytes.map(|b| serde_json::from_slice(&b).map_err(|e| damaged(&path, e.to_string()))).transpose()
}

fn read_key(path: &Path) -> Result<Zeroizing<[u8; 32]>, Failure> {
    let bytes = files::read_limited(path, FILE_BYTES_MAX)
        .map_err(|e| Failure::at("read the key", path, e).remedy("run `windrow` as the user who made it"))?
        .ok_or_else(|| damaged(path, "it is missing".into()))?;
    let text = Zeroizing::new(bytes);
    let mut secret = Zeroizing::new([0_u8; 32]);
    hex::decode_to_slice(text.trim_ascii(), secret.as_mut()).map_err(|e| damaged(path, e.to_string()))?;
    Ok(secret)
}

fn damaged(path: &Path, why: String) -> Failure {
    Failure::at("use", path, why).remedy(
        "restore it from a backup, or move the folder away: a new identity is then made, and this laptop joins its hub anew",
    )
}

fn fill_random(bytes: &mut [u8]) -> Result<(), Failure> {
    getrandom::fill(bytes)
        .map_err(|e| Failure::new(format!("the operating system gives no random bytes: {e}")))
}

fn device_path(state: &StateDir) -> PathBuf {
    state.file("device.json")
}

fn key_path(state: &StateDir) -> PathBuf {
    state.file("device.key")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    fn state() -> (tempfile::TempDir, StateDir) {
        let folder = tempfile::tempdir().unwrap();
        let state = StateDir::open(folder.path().join("state")).unwrap();
        (folder, state)
    }

    #[test]
    fn the_first_run_makes_an_identity_and_the_next_keeps_it() {
        let (_folder, state) = state();
        let first = load_or_make(&state, "m1", Utc::now()).unwrap();
        assert_eq!(first.made, Some(Made::FirstRun));
        let mode = std::fs::metadata(key_path(&state)).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        let again = load_or_make(&state, "m1", Utc::now()).unwrap();
        assert_eq!(again.made, None);
        assert_eq!(again.signing.public_key(), first.signing.public_key());
        assert_eq!(again.signing.device_id(), first.signing.device_id());
    }

    #[test]
    fn a_changed_machine_gets_a_new_identity_and_leaves_its_hub() {
        let (_folder, state) = state();
        let first = load_or_make(&state, "m1", Utc::now()).unwrap();
        std::fs::write(state.file("hub.json"), "{}").unwrap();
        let second = load_or_make(&state, "m2", Utc::now()).unwrap();
        assert_eq!(second.made, Some(Made::MachineChanged));
        assert_ne!(second.signing.device_id(), first.signing.device_id());
        assert!(!state.file("hub.json").exists());
        assert!(state.file("former").join(first.signing.device_id()).join("device.key").exists());
    }

    #[test]
    fn a_crash_between_key_and_id_is_begun_again() {
        let (_folder, state) = state();
        std::fs::write(key_path(&state), "half a k").unwrap();
        assert_eq!(load_or_make(&state, "m1", Utc::now()).unwrap().made, Some(Made::FirstRun));
        load_or_make(&state, "m1", Utc::now()).unwrap();
    }

    #[test]
    fn damage_is_told_with_the_file_and_never_replaced_in_silence() {
        let (_folder, state) = state();
        load_or_make(&state, "m1", Utc::now()).unwrap();
        for (name, content) in [("device.key", "zz"), ("device.json", "{")] {
            std::fs::write(state.file(name), content).unwrap();
            let failure = load_or_make(&state, "m1", Utc::now()).unwrap_err();
            assert!(failure.to_string().contains(name), "{failure}");
            assert!(failure.advice().unwrap().contains("backup"));
        }
    }

    #[test]
    fn the_fingerprint_follows_the_machine() {
        let root = tempfile::tempdir().unwrap();
        let bare = fingerprint(root.path());
        std::fs::create_dir_all(root.path().join("etc")).unwrap();
        std::fs::write(root.path().join("etc/machine-id"), "abc\n").unwrap();
        let with_id = fingerprint(root.path());
        assert_ne!(bare, with_id);
        assert_eq!(with_id, fingerprint(root.path()));
    }
}
