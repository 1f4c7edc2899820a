//! The notify file: who is told. Read strictly: every mistake at once, each with its place.

use std::fmt;
use std::path::Path;

use reqwest::Url;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::post::Authority;
use super::secret::NoticeSecret;
use crate::failure::Failure;
use crate::input::{Complaint, Complaints};

/// Largest file, bytes.
const MAX_BYTES: usize = 64 * 1024;
/// Most receivers: each has a task, and its own copy of what it was told.
pub const MAX_RECEIVERS: usize = 16;
/// Longest name, bytes.
const MAX_NAME_BYTES: usize = 60;
/// Longest address, bytes.
const MAX_URL_BYTES: usize = 2000;
/// Largest file of an authority's certificates, bytes.
const MAX_CA_BYTES: u64 = 256 * 1024;
/// What a receiver's entry may say.
const KEYS: &str = "`name`, `url`, `secret_file`, `ca_file`";

/// Somebody who is told.
#[derive(Clone)]
pub struct Receiver {
    /// The administrator's name for it: in the log, the figures, and what the store keeps.
    pub name: String,
    /// Where. It may hold a secret of the receiver's own, so it is in no log.
    pub url: Url,
    /// What is signed with.
    pub secret: NoticeSecret,
    /// Whose certificates are believed, where it isn't the system's authorities.
    pub authority: Option<Authority>,
}

impl Receiver {
    /// Host and port, to be shown.
    pub fn host(&self) -> String {
        let host = self.url.host_str().unwrap_or_default();
        self.url.port().map_or_else(|| host.to_owned(), |port| format!("{host}:{port}"))
    }
}

impl fmt::Debug for Receiver {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Receiver").field("name", &self.name).finish_non_exhaustive()
    }
}

/// Reads a notify file and the secrets and certificates that it names; paths in it are relative to its own folder.
///
/// # Errors
/// A file that cannot be read or used; every mistake is named with line and column.
pub fn read(path: &Path) -> Result<Vec<Receiver>, Failure> {
    let text = std::fs::read_to_string(path).map_err(|e| {
        Failure::at("read", path, e).remedy("check the path and that the file can be read by you")
    })?;
    parse(&text, path.parent().unwrap_or(Path::new(""))).map_err(|complaints| {
        Failure::at("use the receivers in", path, complaints)
            .remedy("correct these lines; docs/notices.md says what may stand there")
    })
}

fn parse(text: &str, folder: &Path) -> Result<Vec<Receiver>, Complaints> {
    if text.len() > MAX_BYTES {
        return Err(Complaints::one(Complaint::whole(format!("larger than {MAX_BYTES} bytes"))));
    }
    let mut reader = Reader { text, folder, complaints: Complaints::default() };
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        reader.complain(error.span().map_or(0, |s| s.start), error.message());
    }
    let receivers = if errors.is_empty() { reader.root(table.get_ref()) } else { Vec::new() };
    reader.complaints.or(receivers)
}

/// Walks the parsed table and gathers complaints.
struct Reader<'a> {
    text: &'a str,
    folder: &'a Path,
    complaints: Complaints,
}

/// What an entry said, as far as it was good.
#[derive(Default)]
struct Entry {
    name: Option<String>,
    url: Option<Url>,
    secret: Option<NoticeSecret>,
    authority: Option<Authority>,
}

impl Reader<'_> {
    fn complain(&mut self, offset: usize, what: impl Into<String>) {
        self.complaints.push(Complaint::at_offset(self.text, offset, what));
    }

    fn root(&mut self, table: &DeTable<'_>) -> Vec<Receiver> {
        let mut receivers: Vec<Receiver> = Vec::new();
        let mut n_listed = 0;
        for (key, value) in table {
            match (key.get_ref().as_ref(), value.get_ref()) {
                ("receiver", DeValue::Array(entries)) => {
                    n_listed = entries.len();
                    if n_listed > MAX_RECEIVERS {
                        let what = format!("{n_listed} receivers; a hub tells at most {MAX_RECEIVERS}");
                        self.complain(entries[MAX_RECEIVERS].span().start, what);
                        continue;
                    }
                    for entry in entries {
                        if let Some(receiver) = self.entry(entry, &receivers) {
                            receivers.push(receiver);
                        }
                    }
                }
                ("receiver", _) => {
                    self.complain(value.span().start, "each receiver is a section, written `[[receiver]]`");
                }
                (other, _) => {
                    let what =
                        format!("unknown key `{}`; a receiver is a section `[[receiver]]`", cut(other));
                    self.complain(key.span().start, what);
                }
            }
        }
        if n_listed == 0 && self.complaints.iter().next().is_none() {
            self.complaints.push(Complaint::whole("no `[[receiver]]` is in it"));
        }
        receivers
    }

    fn entry(&mut self, value: &Spanned<DeValue<'_>>, before: &[Receiver]) -> Option<Receiver> {
        let start = value.span().start;
        let DeValue::Table(table) = value.get_ref() else {
            self.complain(start, "each receiver is a section, written `[[receiver]]`");
            return None;
        };
        let mut entry = Entry::default();
        for (key, value) in table {
            let at = value.span().start;
            let name: &str = key.get_ref();
            let read = match (name, value.get_ref()) {
                ("name", DeValue::String(text)) => name_of(text, before).map(|v| entry.name = Some(v)),
                ("url", DeValue::String(text)) => url_of(text).map(|v| entry.url = Some(v)),
                ("secret_file", DeValue::String(text)) => {
                    NoticeSecret::from_file(&self.folder.join(&**text)).map(|v| entry.secret = Some(v))
                }
                ("ca_file", DeValue::String(text)) => {
                    authority_of(&self.folder.join(&**text)).map(|v| entry.authority = Some(v))
                }
                ("name" | "url" | "secret_file" | "ca_file", _) => Err(format!("`{name}` must be a text")),
                _ => {
                    let what = format!("unknown key `{}` of a receiver; known are {KEYS}", cut(name));
                    self.complain(key.span().start, what);
                    continue;
                }
            };
            if let Err(what) = read {
                self.complain(at, what);
            }
        }
        for needed in ["name", "url", "secret_file"] {
            if !table.keys().any(|key| key.get_ref() == needed) {
                self.complain(start, format!("this receiver has no `{needed}`"));
            }
        }
        let Entry { name, url, secret, authority } = entry;
        Some(Receiver { name: name?, url: url?, secret: secret?, authority })
    }
}

fn name_of(text: &str, before: &[Receiver]) -> Result<String, String> {
    if text.trim().is_empty() || text.len() > MAX_NAME_BYTES || text.chars().any(char::is_control) {
        return Err(format!("a name has 1 to {MAX_NAME_BYTES} bytes and no control characters"));
    }
    if before.iter().any(|r| r.name == text) {
        return Err(format!("another receiver is called `{text}`"));
    }
    Ok(text.to_owned())
}

/// An address that a notice may go to. What is wrong with one is told without it: it may hold a secret.
fn url_of(text: &str) -> Result<Url, String> {
    if text.len() > MAX_URL_BYTES {
        return Err(format!("an address has at most {MAX_URL_BYTES} bytes"));
    }
    let url = Url::parse(text).map_err(|e| format!("this is no address: {e}"))?;
    if url.scheme() != "https" {
        return Err(
            "an address begins with `https://`: a notice never crosses a network in plain text".into()
        );
    }
    if !url.username().is_empty() || url.password().is_some() {
        return Err("an address may hold no user and no password: the signature says who sent it".into());
    }
    if url.fragment().is_some() {
        return Err("an address may hold no `#`: nothing behind it is ever sent".into());
    }
    Ok(url)
}

fn authority_of(path: &Path) -> Result<Authority, String> {
    let why = |e: std::io::Error| format!("cannot read `{}`: {e}", path.display());
    if std::fs::metadata(path).map_err(why)?.len() > MAX_CA_BYTES {
        return Err(format!("`{}` is larger than {MAX_CA_BYTES} bytes", path.display()));
    }
    Authority::from_pem(&std::fs::read(path).map_err(why)?).map_err(|e| format!("`{}` {e}", path.display()))
}

/// What of a strange key is repeated in a message.
fn cut(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(40).collect()
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt as _;

    use super::*;

    /// A folder with a good secret, `s`, an open one, `open`, and what is no certificate, `none.pem`.
    fn folder() -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (name, mode, text) in [("s", 0o600, "s".repeat(40)), ("open", 0o644, "s".repeat(40))] {
            let path = folder.path().join(name);
            std::fs::write(&path, text).unwrap();
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        }
        std::fs::write(folder.path().join("none.pem"), "hello").unwrap();
        folder
    }

    #[track_caller]
    fn complaint(text: &str, expected: &str) {
        let folder = folder();
        let said = parse(text, folder.path()).unwrap_err().to_string();
        assert!(said.contains(expected), "`{expected}` is not in: {said}");
    }

    fn one(url: &str) -> String {
        format!("[[receiver]]\nname = \"desk\"\nurl = \"{url}\"\nsecret_file = \"s\"\n")
    }

    #[test]
    fn receivers_come_with_name_address_and_secret() {
        let folder = folder();
        let text = one("https://desk.example:8443/windrow?key=k")
            + "\n[[receiver]]\nname = \"log\"\nurl = \"https://log.example/\"\nsecret_file = \"s\"\n";
        let receivers = parse(&text, folder.path()).unwrap();
        let shown: Vec<(&str, String)> = receivers.iter().map(|r| (r.name.as_str(), r.host())).collect();
        assert_eq!(shown, [("desk", "desk.example:8443".to_owned()), ("log", "log.example".to_owned())]);
        assert_eq!(format!("{:?}", receivers[0]), "Receiver { name: \"desk\", .. }");
    }

    #[test]
    fn an_address_is_https_and_nothing_else() {
        complaint(&one("http://desk.example/"), "line 3, column 7: an address begins with `https://`");
        complaint(&one("ftp://desk.example/"), "begins with `https://`");
        complaint(&one("https://me@desk.example/"), "no user and no password");
        complaint(&one("https://desk.example/#x"), "no `#`");
        complaint(&one("desk.example"), "line 3, column 7: this is no address");
        complaint(&one("https://"), "this is no address");
        complaint(&one(&format!("https://desk.example/{}", "x".repeat(2000))), "at most 2000 bytes");
    }

    #[test]
    fn every_mistake_is_named_with_its_place() {
        let text = "colour = 1\n[[receiver]]\nname = \"\"\nurl = 3\nsecret_file = \"open\"\nca_file = \"none.pem\"\nport = 1\n";
        for expected in [
            "line 1, column 1: unknown key `colour`",
            "line 3, column 8: a name has",
            "line 4, column 7: `url` must be a text",
            "line 5, column 15: others than its owner may use",
            "line 6, column 11: `",
            "line 7, column 1: unknown key `port` of a receiver; known are `name`",
        ] {
            complaint(text, expected);
        }
        complaint("[[receiver]]\n", "line 1, column 1: this receiver has no `name`");
        complaint("[[receiver]]\n", "this receiver has no `secret_file`");
        complaint("", "no `[[receiver]]` is in it");
        complaint("receiver = 3", "written `[[receiver]]`");
        complaint("receiver = [3]", "written `[[receiver]]`");
        complaint("[[receiver]\n", "line 1");
        complaint(
            &one("https://a.example/").repeat(2),
            "line 6, column 8: another receiver is called `desk`",
        );
        complaint(
            &"[[receiver]]\n".repeat(MAX_RECEIVERS + 1),
            "line 17, column 1: 17 receivers; a hub tells at most 16",
        );
        complaint(&" ".repeat(MAX_BYTES + 1), "larger than 65536 bytes");
        complaint(&one("https://a.example/").replace("\"s\"", "\"lost\""), "line 4, column 15: cannot read");
    }
}
