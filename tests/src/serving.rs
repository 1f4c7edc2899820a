//! The hub's program as a process of its own, for benches, and what asks it.

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use anyhow::{Context as _, Result, ensure};
use reqwest::header::AUTHORIZATION;
use windrow::hub::HubAddress;
use windrow::post::Http;

/// Larger pages are cut.
const PAGE_BYTES_MAX: usize = 64 << 20;
/// Longest time of a download.
const DOWNLOAD_MAX: Duration = Duration::from_mins(10);

/// The hub's program, serving.
#[derive(Debug)]
pub struct Serving {
    child: Child,
    /// Where it answers.
    pub url: String,
}

impl Serving {
    /// Starts it over a database; waits until it listens.
    ///
    /// # Errors
    /// If it does not start, or says nothing.
    pub fn start(program: &Path, database: &Path) -> Result<Self> {
        let mut child = Command::new(program)
            .args(["serve", "--json", "--listen", "127.0.0.1:0", "--database"])
            .arg(database)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .with_context(|| format!("cannot start `{}`", program.display()))?;
        let mut line = String::new();
        BufReader::new(child.stdout.take().context("its output")?).read_line(&mut line)?;
        let ready: serde_json::Value = serde_json::from_str(&line).context("its first line")?;
        let url = ready["url"].as_str().context("its address")?.to_owned();
        Ok(Self { child, url })
    }
}

impl Serving {
    /// Its process.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What asks it, as somebody who holds a token.
pub struct Asked {
    http: Http,
    url: String,
    authorization: String,
}

impl std::fmt::Debug for Asked {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Asked").finish_non_exhaustive()
    }
}

impl Asked {
    /// Asks a hub.
    ///
    /// # Errors
    /// If its address cannot be used.
    pub fn of(hub: &Serving, token: &str) -> Result<Self> {
        let address = HubAddress::new(&hub.url, false).map_err(|e| anyhow::anyhow!("{e}"))?;
        let http = Http::new(&address).map_err(|e| anyhow::anyhow!("{e}"))?;
        Ok(Self { http, url: hub.url.clone(), authorization: format!("Bearer {token}") })
    }

    /// A page's status and text.
    ///
    /// # Errors
    /// If no answer comes.
    pub fn get(&self, page: &str) -> Result<(u16, String)> {
        let answer = self.http.get(page.trim_start_matches('/'), &self.authorization, PAGE_BYTES_MAX);
        let answer = answer.map_err(|e| anyhow::anyhow!("{page}: {e}"))?;
        Ok((answer.status, String::from_utf8_lossy(&answer.body).into_owned()))
    }

    /// A file as it is given out, whole.
    ///
    /// # Errors
    /// If it isn't given out.
    pub fn download(&self, path: &str) -> Result<Vec<u8>> {
        let client = reqwest::blocking::Client::builder().tls_certs_only([]).timeout(DOWNLOAD_MAX).build()?;
        let asked = client.get(format!("{}{path}", self.url)).header(AUTHORIZATION, &self.authorization);
        let answer = asked.send()?;
        ensure!(answer.status().is_success(), "{path}: status {}", answer.status());
        Ok(answer.bytes()?.to_vec())
    }

    /// Waits until the fleet is shown with what changed since last week.
    ///
    /// # Errors
    /// If the hub ends or refuses.
    pub fn until_judged(&self) -> Result<()> {
        loop {
            let (status, body) = self.get("/")?;
            if status == 200 && body.contains("id=\"changes\"") {
                return Ok(());
            }
            ensure!(status == 200 || status == 503, "status {status}");
            std::thread::sleep(Duration::from_secs(1));
        }
    }
}
