//! What several commands mean by the same words: a room temperature, a file to write, a hub to speak to.

use std::path::Path;

use windrow_model::record::wire::{Ambient, AmbientSource};

use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use crate::hub::{self, HubAddress, Joined};
use crate::post::certificates;
use crate::state::StateDir;

/// A thermometer on the wall and not at the inlet, K. Common practice, no source.
const AMBIENT_SD_K: f64 = 1.0;
/// Rooms in which somebody works.
const AMBIENT_RANGE_C: (f64, f64) = (-20.0, 60.0);
const AMBIENT_SD_RANGE_K: (f64, f64) = (0.05, 20.0);

/// Reads `21`, `21.5±0.5` or `21.5+-0.5`.
///
/// # Errors
/// Anything else.
pub(super) fn ambient(text: &str) -> Result<Ambient, Failure> {
    let wrong = |why: &str| {
        Failure::new(format!("cannot use the room temperature `{text}`: {why}"))
            .remedy("give it in °C, as in `--ambient 21.5` or `--ambient 21.5±0.5`")
            .exit(Exit::Usage)
    };
    let (value, sd) = match text.split_once('±').or_else(|| text.split_once("+-")) {
        Some((value, sd)) => (value, Some(sd)),
        None => (text, None),
    };
    let number = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite());
    let value_c = number(value).ok_or_else(|| wrong("not a number"))?;
    let sd_k =
        sd.map_or(Ok(AMBIENT_SD_K), |t| number(t).ok_or_else(|| wrong("its deviation is not a number")))?;
    if !(AMBIENT_RANGE_C.0..=AMBIENT_RANGE_C.1).contains(&value_c) {
        return Err(wrong("not between -20 and 60 °C"));
    }
    if !(AMBIENT_SD_RANGE_K.0..=AMBIENT_SD_RANGE_K.1).contains(&sd_k) {
        return Err(wrong("its deviation is not between 0.05 and 20 K"));
    }
    Ok(Ambient { value_c, sd_k, source: AmbientSource::Told })
}

/// Makes sure that a file can be written, before minutes of work for it: by opening it.
///
/// # Errors
/// A file that cannot be opened for writing.
pub(super) fn writable(path: &Path) -> Result<(), Failure> {
    let existed = path.exists();
    let opened = std::fs::OpenOptions::new().append(true).create(true).open(path);
    opened.map_err(|e| {
        Failure::at("write to", path, e).remedy("name a file in a folder that you may write to")
    })?;
    if !existed {
        // Nothing is left behind if the command ends before it is written.
        let _ = std::fs::remove_file(path);
    }
    Ok(())
}

/// Writes a result file.
///
/// # Errors
/// Whatever the file system says.
pub(super) fn write(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    std::fs::write(path, bytes)
        .map_err(|e| Failure::at("write", path, e).remedy("free some space, or name another file"))
}

/// Largest file of an authority's certificate, bytes: some certificates of some kB.
const AUTHORITY_BYTES_MAX: usize = 64 * 1024;

/// How a hub is to be spoken to, as told.
#[derive(Debug, Clone, Default)]
pub(super) struct HubWords {
    /// Its address; `None`: the one that was joined.
    pub(super) url: Option<String>,
    /// Plain HTTP beyond this machine is allowed.
    pub(super) plain_http: bool,
    /// The authority's certificate, PEM.
    pub(super) authority_pem: Option<String>,
}

impl HubWords {
    /// What was typed, with the certificate read.
    ///
    /// # Errors
    /// A file that is no certificate.
    pub(super) fn of(url: Option<&str>, plain_http: bool, ca_file: Option<&Path>) -> Result<Self, Failure> {
        let authority_pem = ca_file.map(authority).transpose()?;
        Ok(Self { url: url.map(str::to_owned), plain_http, authority_pem })
    }

    /// The hub to speak to: the one told, or the one joined.
    ///
    /// # Errors
    /// An address that may not be spoken to.
    pub(super) fn hub(&self, state: &StateDir) -> Result<Option<HubAddress>, Failure> {
        if let Some(url) = &self.url {
            let address = HubAddress::new(url, self.plain_http)?;
            return Ok(Some(address.vouched_for_by(self.authority_pem.clone())));
        }
        let address = |joined: Joined| {
            let told = self.authority_pem.clone();
            HubAddress::new(&joined.url, joined.plain_http || self.plain_http)
                .map(|a| a.vouched_for_by(told.or(joined.authority_pem)))
        };
        hub::joined(state)?.map(address).transpose()
    }
}

/// Reads an authority's certificate.
fn authority(path: &Path) -> Result<String, Failure> {
    let bytes = files::read_limited(path, AUTHORITY_BYTES_MAX)
        .and_then(|found| found.ok_or_else(|| std::io::ErrorKind::NotFound.into()))
        .map_err(|e| Failure::at("read the authority's certificate", path, e).exit(Exit::Usage))?;
    let pem = String::from_utf8_lossy(&bytes).into_owned();
    certificates(&pem).map_err(|e| {
        let advice = e.advice().unwrap_or_default().to_owned();
        Failure::at("use the authority's certificate", path, e).remedy(advice).exit(Exit::Usage)
    })?;
    Ok(pem)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_room_temperature_is_read_with_or_without_its_deviation() {
        let read = |text: &str| ambient(text).map(|a| (a.value_c, a.sd_k));
        assert_eq!(read("21").unwrap(), (21.0, 1.0));
        assert_eq!(read("21.5±0.5").unwrap(), (21.5, 0.5));
        assert_eq!(read(" -3 +- 2 ").unwrap(), (-3.0, 2.0));
        for wrong in ["", "warm", "21±", "nan", "200", "21±0", "21±-1", "21,5"] {
            let failure = read(wrong).unwrap_err();
            assert!(failure.advice().unwrap().contains("--ambient"), "{wrong}");
            assert_eq!(failure.code(), Exit::Usage);
        }
    }
}
