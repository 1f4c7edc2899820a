//! The check on a page in the browser: who is let in, and whether its stop button ends a real load.
//!
//! The agent's own program with its real load, on a tree of kernel files that warms with it; the page is asked for over
//! real HTTP. What the load did after the button is read from the process's CPU time.

use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, ensure};
use reqwest::StatusCode;
use reqwest::blocking::{Client, Response};
use reqwest::header::{CONTENT_TYPE, COOKIE, HOST, ORIGIN, SET_COOKIE};
use windrow_tests::heated_laptop::{HeatedLaptop, n_cpus};

/// How long the program may take to say where its page is.
const OPENS_WITHIN: Duration = Duration::from_mins(1);
/// The stop comes so long into the load.
const AFTER: Duration = Duration::from_secs(3);
/// CPU seconds of each CPU in the half second from the button on: 250 ms until the load ends, and the kernel's ticks.
const SPENT_AFTER_STOP_S: f64 = 0.55;

/// The browser of this test: keeps the file's name, so that the test can do what a browser would.
fn browser(folder: &Path) -> Result<PathBuf> {
    let script = folder.join("browser");
    std::fs::write(
        &script,
        format!("#!/bin/sh\nprintf %s \"$1\" > '{0}/new' && mv '{0}/new' '{0}/file'\n", folder.display()),
    )?;
    std::fs::set_permissions(&script, std::fs::Permissions::from_mode(0o755))?;
    Ok(script)
}

fn start(root: &Path, folder: &Path) -> Result<Child> {
    let beside = || std::env::current_exe().ok().and_then(|p| Some(p.parent()?.parent()?.to_owned()));
    let binaries =
        std::env::var_os("WINDROW_BINARIES").map(PathBuf::from).or_else(beside).unwrap_or_default();
    Command::new(binaries.join("windrow"))
        .args(["check", "--open", "--keep", "--phases", "3,20,3", "--root"])
        .arg(root)
        .env("WINDROW_STATE_DIR", folder.join("state"))
        .env("BROWSER", browser(folder)?)
        .stdin(Stdio::null())
        .stdout(std::fs::File::create(folder.join("stdout"))?)
        .stderr(std::fs::File::create(folder.join("stderr"))?)
        .spawn()
        .context("cannot start `windrow`; build it: cargo build -p windrow")
}

/// What the file that was opened in the browser says.
struct Entry {
    address: String,
    secret: String,
}

fn entry(folder: &Path) -> Result<Entry> {
    let until = Instant::now() + OPENS_WITHIN;
    let file = loop {
        if let Ok(path) = std::fs::read_to_string(folder.join("file")) {
            break PathBuf::from(path);
        }
        let said = std::fs::read_to_string(folder.join("stderr")).unwrap_or_default();
        ensure!(Instant::now() < until, "no browser was started: {said}");
        std::thread::sleep(Duration::from_millis(20));
    };
    let mode = std::fs::metadata(&file)?.permissions().mode() & 0o777;
    ensure!(mode == 0o600, "others may read the file of the secret: {mode:o}");
    let html = std::fs::read_to_string(file)?;
    let between = |from: &str| -> Result<String> {
        let rest = html.split(from).nth(1).with_context(|| format!("no {from} in {html}"))?;
        Ok(rest.split('"').next().unwrap_or_default().to_owned())
    };
    Ok(Entry { address: between("action=\"")?, secret: between("name=\"secret\" value=\"")? })
}

/// The browser's side of one page.
struct Page {
    client: Client,
    base: String,
    origin: String,
    cookie: String,
}

impl Page {
    fn get(&self, path: &str) -> Result<Response> {
        Ok(self.client.get(format!("{}{path}", self.base)).header(COOKIE, &self.cookie).send()?)
    }

    fn post(&self, path: &str, origin: &str, form: &'static str) -> Result<StatusCode> {
        let request = self.client.post(format!("{}{path}", self.base));
        let request = request.header(COOKIE, &self.cookie).header(ORIGIN, origin);
        Ok(request.header(CONTENT_TYPE, "application/x-www-form-urlencoded").body(form).send()?.status())
    }
}

/// Goes through the door as a browser would, and tries what somebody else would.
fn enter(entry: &Entry) -> Result<Page> {
    // The client wants a provider even for plain HTTP; that another test was first is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let client = Client::builder().redirect(reqwest::redirect::Policy::none()).build()?;
    let base = entry.address.trim_end_matches("enter").to_owned();
    let origin = base.split('/').take(3).collect::<Vec<_>>().join("/");
    ensure!(origin.starts_with("http://127.0.0.1:"), "not on the loopback interface: {origin}");

    let hand_in = |secret: &str| {
        let request = client.post(&entry.address).header(CONTENT_TYPE, "application/x-www-form-urlencoded");
        request.header(ORIGIN, "null").body(format!("secret={secret}")).send()
    };
    ensure!(client.get(&base).send()?.status() == StatusCode::FORBIDDEN, "shown without the cookie");
    ensure!(
        client.get(format!("{origin}/")).send()?.status() == StatusCode::NOT_FOUND,
        "shown without its address"
    );
    let renamed = client.get(&base).header(HOST, "attacker.example").send()?;
    ensure!(
        renamed.status() == StatusCode::MISDIRECTED_REQUEST,
        "answers to another name: {}",
        renamed.status()
    );
    ensure!(hand_in("0000")?.status() == StatusCode::FORBIDDEN, "a wrong secret was taken");

    let first = hand_in(&entry.secret)?;
    ensure!(first.status() == StatusCode::OK, "the secret was refused: {}", first.status());
    let set = first.headers().get(SET_COOKIE).context("no cookie")?.to_str()?.to_owned();
    ensure!(set.contains("HttpOnly") && set.contains("SameSite=Strict"), "{set}");
    ensure!(hand_in(&entry.secret)?.status() == StatusCode::FORBIDDEN, "the secret was taken twice");
    let cookie = set.split(';').next().unwrap_or_default().to_owned();
    Ok(Page { client, base, origin, cookie })
}

/// Waits for the verdict, keeps its page, and closes.
fn finish(page: &Page) -> Result<String> {
    let until = Instant::now() + OPENS_WITHIN;
    loop {
        let kept = page.get("keep")?;
        if kept.status().is_success() {
            let kept = kept.text()?;
            ensure!(page.post("close", &page.origin, "")?.is_success(), "it does not close");
            return Ok(kept);
        }
        ensure!(Instant::now() < until, "no verdict came");
        std::thread::sleep(Duration::from_millis(100));
    }
}

#[test]
fn the_page_lets_only_its_user_in_and_its_button_ends_a_real_load() -> Result<()> {
    let folder = tempfile::tempdir()?;
    let mut laptop = HeatedLaptop::new()?;
    let mut child = start(&laptop.root(), folder.path())?;
    let page = enter(&entry(folder.path())?)?;

    let ready = page.get("")?;
    let policy = ready.headers().get("content-security-policy").context("no policy")?.to_str()?.to_owned();
    ensure!(policy.contains("default-src 'none'") && !policy.contains("unsafe"), "{policy}");
    ensure!(ready.text()?.contains("hard flat surface"), "the page does not ask");
    let answers = "surface=yes&bulging=no";
    ensure!(
        page.post("start", "http://attacker.example", answers)? == StatusCode::FORBIDDEN,
        "another page started it"
    );
    ensure!(page.get("live")?.status() == StatusCode::NO_CONTENT, "it runs though nobody started it");
    ensure!(page.post("start", &page.origin, answers)? == StatusCode::SEE_OTHER, "it does not start");

    let seen = std::thread::scope(|scope| -> Result<_> {
        let mut closing = None;
        let seen = laptop.live(&mut child, AFTER, |_| {
            let live = page.get("live")?.text()?;
            ensure!(live.contains("Time left") && live.contains("<svg"), "no live curve: {live}");
            ensure!(
                page.post("stop", "null", "")? == StatusCode::FORBIDDEN,
                "a page without a name stopped it"
            );
            ensure!(page.post("stop", &page.origin, "")? == StatusCode::SEE_OTHER, "it does not stop");
            closing = Some(scope.spawn(|| finish(&page)));
            Ok(())
        })?;
        let kept = closing.context("no load was seen")?.join().expect("the closing thread does not panic")?;
        ensure!(
            kept.contains("stopped") && kept.contains("Verdict"),
            "the kept page says nothing of the stop"
        );
        Ok(seen)
    })?;
    child.wait()?;
    let (Some(at_s), Some(soon_s)) = (seen.at_fault_s, seen.soon_after_s) else {
        anyhow::bail!("the program ended before its CPU time was read")
    };
    let spent_s = (soon_s - at_s) / n_cpus() as f64;
    ensure!(spent_s <= SPENT_AFTER_STOP_S, "{spent_s:.2} s of each CPU after the button");
    ensure!(seen.at_end_s - soon_s < 1.5, "{:.2} s of CPU time after the load's end", seen.at_end_s - soon_s);
    let left: Vec<_> =
        std::fs::read_dir(folder.path().join("state"))?.flatten().map(|f| f.file_name()).collect();
    ensure!(
        !left.iter().any(|f| f.to_string_lossy().ends_with(".html")),
        "the secret's file is left: {left:?}"
    );
    Ok(())
}

/// The launcher's file against the validator of the desktop entry specification's own project.
#[test]
fn the_launcher_is_a_valid_desktop_entry() -> Result<()> {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../agent/share/windrow-check.desktop");
    match Command::new("desktop-file-validate").arg(&file).output() {
        Err(e) => println!("left out: the launcher's validation (desktop-file-validate: {e})"),
        Ok(said) => ensure!(said.status.success(), "{}", String::from_utf8_lossy(&said.stdout)),
    }
    Ok(())
}
