//! How the browser gets there: a file that only the user can read hands the one-time secret in.
//!
//! An address on a command line can be read by every user of the machine while the program runs; a file's name may.

use std::io::{self, Write};
use std::path::Path;
use std::process::{Command, Stdio};

use maud::{DOCTYPE, html};
use tempfile::NamedTempFile;

use super::door::Door;
use crate::output::Output;

/// A convention of long standing, no standard: the user's own choice of browser.
const BROWSER: &str = "BROWSER";

/// Writes the file. Files of this library have mode 0600, and go when they are dropped.
pub(super) fn write_entry(door: &Door, folder: &Path) -> io::Result<NamedTempFile> {
    let mut file = tempfile::Builder::new().prefix("windrow-check-").suffix(".html").tempfile_in(folder)?;
    file.write_all(page(door).as_bytes())?;
    file.flush()?;
    Ok(file)
}

fn page(door: &Door) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { "Cooling check" }
            }
            body {
                h1 { "Cooling check" }
                form method="post" action=(door.entry_address()) {
                    input type="hidden" name="secret" value=(door.once());
                    button { "Open the check" }
                }
                // Saves the click; without script the button does it.
                script { "document.forms[0].submit()" }
            }
        }
    }
    .into_string()
}

/// Opens the file in the browser, or says how.
pub(super) fn open(file: &Path, output: &mut Output) {
    let chosen = std::env::var_os(BROWSER).filter(|b| !b.is_empty());
    let program = chosen.unwrap_or_else(|| "xdg-open".into());
    let started = Command::new(&program)
        .arg(file)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    match started {
        Ok(mut child) => {
            output.say("The check opens in your browser.");
            // Waits for it, so that nothing is left behind that the system must clear away.
            let waiter =
                std::thread::Builder::new().name("browser".into()).spawn(move || child.wait().map(drop));
            drop(waiter);
        }
        Err(e) => output.say(&format!("`{}` cannot be started: {e}.", program.to_string_lossy())),
    }
    output.say(&format!("If no page appears, open this file in a browser: {}", file.display()));
}
