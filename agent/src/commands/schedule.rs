//! `windrow schedule`: when the next check is due, and a timer that looks for it daily.
//!
//! The timer only wakes the program; whether a check is made is decided by `check --if-due`, from what was checked here
//! and what the hub asked for.

use std::io;
use std::path::{Path, PathBuf};
use std::process::Command;

use chrono::{SecondsFormat, Utc};
use serde::Serialize;
use windrow_model::record::wire::Provenance;
use windrow_model::verdict::wrap;

use super::{kept, print, print_json};
use crate::cli::ScheduleArgs;
use crate::due::Due;
use crate::exit::Exit;
use crate::failure::{Failure, Outcome};
use crate::output::Output;
use crate::spool::Spool;
use crate::state::StateDir;
use crate::wanted;

const SERVICE: &str = "windrow-check.service";
const TIMER: &str = "windrow-check.timer";
const WIDTH: usize = 79;

/// What there is, for programs.
#[derive(Debug, Serialize)]
struct ScheduleJson {
    due: bool,
    why: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    due_from: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    check_wanted_by: Option<String>,
    every_days: u32,
    at: String,
    systemd: bool,
    installed: bool,
    units: Vec<PathBuf>,
    command: Vec<String>,
    cron_line: String,
}

pub(super) fn run(args: &ScheduleArgs, state: &StateDir, output: &mut Output) -> Outcome {
    let timer = Timer::of(args, state)?;
    if args.install {
        install(&timer, &mut systemctl(timer.of_system))?;
    } else if args.remove {
        remove(&timer, &mut systemctl(timer.of_system))?;
    }
    let now = Utc::now();
    let wish = wanted::wanted(state)?;
    let last = kept::last_whole(&Spool::new(state), Provenance::Measured)?;
    let due = Due::of(now, last, args.every, wish.clone());
    if args.json {
        let rfc3339 = |t: chrono::DateTime<Utc>| t.to_rfc3339_opts(SecondsFormat::Secs, true);
        return print_json(
            output,
            &ScheduleJson {
                due: due.now(),
                why: due.words(now),
                due_from: match due {
                    Due::NotBefore { at, .. } => Some(rfc3339(at)),
                    _ => None,
                },
                check_wanted_by: wish.map(|w| rfc3339(w.by)),
                every_days: args.every,
                at: args.at.clone(),
                systemd: timer.systemd_runs,
                installed: timer.is_installed(),
                units: timer.paths().to_vec(),
                command: timer.command(),
                cron_line: timer.cron_line(),
            },
        )
        .map(|()| Exit::Done);
    }
    print(output, &text(&timer, args, &due.words(now)))?;
    Ok(Exit::Done)
}

fn text(timer: &Timer, args: &ScheduleArgs, due: &str) -> String {
    let mut lines = wrap(due, WIDTH);
    let mut say = |words: &str| lines.extend(wrap(words, WIDTH));
    let unless =
        "A check is made only when one is due and the pre-checks allow it: on mains power, at rest, cool.";
    if timer.is_installed() {
        say(&format!("A timer looks daily at about {} whether one is due. {unless}", timer.at_installed()));
        say("`windrow schedule --remove` takes it away.");
        if !timer.of_system {
            say("It runs while you are logged in.");
        }
    } else if timer.systemd_runs {
        say("No timer looks for it yet.");
        say(&format!(
            "`windrow schedule --install` makes one that looks daily at about {} and checks every {} days. {unless}",
            args.at, args.every
        ));
    } else {
        say(
            "This system has no systemd that could look for it. With a cron daemon this line of `crontab -e` does:",
        );
        lines.push(format!("  {}", timer.cron_line()));
        lines.extend(wrap(unless, WIDTH));
    }
    lines.join("\n")
}

/// The timer as it is to be.
#[derive(Debug, Clone)]
struct Timer {
    program: PathBuf,
    state: PathBuf,
    every_days: u32,
    hour: u32,
    minute: u32,
    /// Folder of the units.
    folder: PathBuf,
    /// The system's own, for root: a user's would wait for root to log in.
    of_system: bool,
    systemd_runs: bool,
}

impl Timer {
    fn of(args: &ScheduleArgs, state: &StateDir) -> Result<Self, Failure> {
        let at = chrono::NaiveTime::parse_from_str(&args.at, "%H:%M").map_err(|_| {
            Failure::new(format!("`{}` is no time of day", args.at))
                .remedy("give it as in `--at 12:30`")
                .exit(Exit::Usage)
        })?;
        let program = std::env::current_exe()
            .map_err(|e| Failure::new(format!("cannot tell where this program lies: {e}")))?;
        let state = std::path::absolute(state.root()).map_err(|e| Failure::at("find", state.root(), e))?;
        let of_system = rustix::process::geteuid().is_root();
        Ok(Self {
            program,
            state,
            every_days: args.every,
            hour: chrono::Timelike::hour(&at),
            minute: chrono::Timelike::minute(&at),
            folder: folder(of_system)?,
            of_system,
            // sd_booted(3).
            systemd_runs: Path::new("/run/systemd/system").is_dir(),
        })
    }

    fn paths(&self) -> [PathBuf; 2] {
        [self.folder.join(SERVICE), self.folder.join(TIMER)]
    }

    fn is_installed(&self) -> bool {
        self.paths().iter().all(|p| p.exists())
    }

    /// The hour that the installed timer has.
    fn at_installed(&self) -> String {
        let text = std::fs::read_to_string(self.folder.join(TIMER)).unwrap_or_default();
        let line = text.lines().find_map(|l| l.strip_prefix("OnCalendar=*-*-* "));
        line.map_or_else(|| "an hour of its own".into(), |at| at.chars().take(5).collect())
    }

    fn command(&self) -> Vec<String> {
        let (program, state) = (self.program.display().to_string(), self.state.display().to_string());
        let every = self.every_days.to_string();
        let words = [&program, "--state-dir", &state, "check", "--yes", "--if-due", &every];
        words.map(str::to_owned).to_vec()
    }

    fn service(&self) -> String {
        let command: Vec<String> = self.command().iter().map(|w| for_systemd(w)).collect();
        format!(
            "[Unit]\nDescription=Windrow: checks this laptop's cooling when a check is due\n\n[Service]\nType=oneshot\n\
             ExecStart={}\n# A finding, a failed pre-check and a hub that is away are ends like others.\n\
             SuccessExitStatus=3 4 5\n",
            command.join(" ")
        )
    }

    fn timer(&self) -> String {
        format!(
            "[Unit]\nDescription=Windrow: looks daily whether a check is due\n\n[Timer]\n\
             OnCalendar=*-*-* {:02}:{:02}:00\n# Not a whole site in the same minute.\nRandomizedDelaySec=1h\n\
             Persistent=true\n\n[Install]\nWantedBy=timers.target\n",
            self.hour, self.minute
        )
    }

    fn cron_line(&self) -> String {
        let command: Vec<String> = self.command().iter().map(|w| for_cron(w)).collect();
        format!("{} {} * * * {}", self.minute, self.hour, command.join(" "))
    }
}

fn folder(of_system: bool) -> Result<PathBuf, Failure> {
    if of_system {
        return Ok("/etc/systemd/system".into());
    }
    let absolute = |name: &str| std::env::var_os(name).map(PathBuf::from).filter(|p| p.is_absolute());
    absolute("XDG_CONFIG_HOME")
        .or_else(|| absolute("HOME").map(|home| home.join(".config")))
        .map(|base| base.join("systemd/user"))
        .ok_or_else(|| {
            Failure::new("no folder for the timer: neither HOME nor XDG_CONFIG_HOME is set")
                .remedy("set HOME, as a login does")
        })
}

/// A word as systemd reads it (systemd.service(5), "Command lines"): quoted, `%` and `$` doubled.
fn for_systemd(word: &str) -> String {
    let escaped = word.replace('\\', "\\\\").replace('"', "\\\"").replace('%', "%%").replace('$', "$$");
    format!("\"{escaped}\"")
}

/// A word as cron and its shell read it (crontab(5)): quoted, `%` escaped.
fn for_cron(word: &str) -> String {
    let is_plain = |c: char| c.is_ascii_alphanumeric() || "/-_.".contains(c);
    if word.chars().all(is_plain) {
        return word.to_owned();
    }
    format!("'{}'", word.replace('\'', "'\\''")).replace('%', "\\%")
}

type Systemctl<'a> = dyn FnMut(&[&str]) -> io::Result<()> + 'a;

fn systemctl(of_system: bool) -> impl FnMut(&[&str]) -> io::Result<()> {
    move |args| {
        let mut command = Command::new("systemctl");
        if !of_system {
            command.arg("--user");
        }
        let output = command.args(args).output()?;
        if output.status.success() {
            return Ok(());
        }
        let said = String::from_utf8_lossy(&output.stderr);
        Err(io::Error::other(format!("`systemctl {}`: {}", args.join(" "), said.trim())))
    }
}

/// Writes the units and starts the timer.
fn install(timer: &Timer, systemctl: &mut Systemctl<'_>) -> Result<(), Failure> {
    if !timer.systemd_runs {
        return Err(Failure::new("this system has no systemd to give a timer to")
            .remedy(format!("with a cron daemon, add this line by `crontab -e`: {}", timer.cron_line())));
    }
    let texts = [timer.service(), timer.timer()];
    for (path, text) in timer.paths().iter().zip(texts) {
        std::fs::create_dir_all(&timer.folder)
            .and_then(|()| std::fs::write(path, text))
            .map_err(|e| Failure::at("write", path, e).remedy("make the folder writable"))?;
    }
    systemctl(&["daemon-reload"]).and_then(|()| systemctl(&["enable", "--now", TIMER])).map_err(|e| {
        Failure::new(format!("the timer's files are written, but it cannot be started: {e}"))
            .remedy("log in on the machine itself and run this again, or `windrow schedule --remove`")
    })
}

/// Stops the timer and removes its units. What isn't there needs no removing.
fn remove(timer: &Timer, systemctl: &mut Systemctl<'_>) -> Result<(), Failure> {
    let [_, timer_path] = timer.paths();
    if timer.systemd_runs && timer_path.exists() {
        systemctl(&["disable", "--now", TIMER]).map_err(|e| {
            Failure::new(format!("cannot stop the timer: {e}"))
                .remedy("stop it by systemctl, then run this again")
        })?;
    }
    for path in timer.paths() {
        match std::fs::remove_file(&path) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(Failure::at("remove", &path, e)),
            _ => {}
        }
    }
    if timer.systemd_runs {
        // It only makes the manager forget sooner.
        let _ = systemctl(&["daemon-reload"]);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn timer(folder: &Path) -> Timer {
        Timer {
            program: "/opt/wind row/windrow".into(),
            state: "/srv/x/100%/state".into(),
            every_days: 7,
            hour: 12,
            minute: 5,
            folder: folder.join("units"),
            of_system: false,
            systemd_runs: true,
        }
    }

    #[test]
    fn units_are_written_and_the_timer_started_and_all_taken_away_again() {
        let folder = tempfile::tempdir().unwrap();
        let timer = timer(folder.path());
        let mut asked: Vec<String> = Vec::new();
        let mut note = |args: &[&str]| {
            asked.push(args.join(" "));
            Ok(())
        };
        assert!(!timer.is_installed());
        install(&timer, &mut note).unwrap();
        assert!(timer.is_installed());
        assert_eq!(timer.at_installed(), "12:05");
        let service = std::fs::read_to_string(timer.folder.join(SERVICE)).unwrap();
        let line = r#"ExecStart="/opt/wind row/windrow" "--state-dir" "/srv/x/100%%/state" "check" "--yes" "--if-due" "7""#;
        assert!(service.contains(line), "{service}");
        remove(&timer, &mut note).unwrap();
        remove(&timer, &mut note).unwrap();
        assert!(!timer.is_installed());
        assert_eq!(
            asked[..3],
            ["daemon-reload", "enable --now windrow-check.timer", "disable --now windrow-check.timer"]
        );
    }

    #[test]
    fn a_manager_that_refuses_is_told_and_none_at_all_too() {
        let folder = tempfile::tempdir().unwrap();
        let timer = timer(folder.path());
        let refused = install(&timer, &mut |_| Err(io::Error::other("no bus"))).unwrap_err();
        assert!(refused.to_string().contains("no bus"), "{refused}");
        let without = Timer { systemd_runs: false, ..timer };
        let refused = install(&without, &mut |_| panic!("nothing to ask")).unwrap_err();
        assert!(refused.advice().unwrap().contains("crontab -e"));
    }

    #[test]
    fn a_cron_line_escapes_what_cron_and_shell_would_read() {
        let line = timer(Path::new("/")).cron_line();
        assert_eq!(
            line,
            r"5 12 * * * '/opt/wind row/windrow' --state-dir '/srv/x/100\%/state' check --yes --if-due 7"
        );
    }
}
