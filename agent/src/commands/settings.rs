//! What several commands mean by the same words: a room temperature, a file to write, a hub to speak to.

use std::path::Path;

use windrow_model::record::wire::{Ambient, AmbientSource};

use crate::exit::Exit;
use crate::failure::Failure;
use crate::hub::{self, HubAddress};
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

/// The hub to speak to: the one told, or the one joined.
///
/// # Errors
/// An address that may not be spoken to.
pub(super) fn hub_of(
    state: &StateDir,
    told: Option<&str>,
    plain_http: bool,
) -> Result<Option<HubAddress>, Failure> {
    if let Some(url) = told {
        return HubAddress::new(url, plain_http).map(Some);
    }
    hub::joined(state)?.map(|j| HubAddress::new(&j.url, j.plain_http || plain_http)).transpose()
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
