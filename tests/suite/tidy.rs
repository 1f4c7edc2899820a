//! What reviewers would otherwise have to look for: stray blanks, paths of one machine, commands and exit codes that no
//! document tells of, links that lead nowhere.

use std::path::{Path, PathBuf};
use std::process::Command as Process;

use clap::CommandFactory;

/// Longest source file, lines. The habit is well under 500; this ends growth that nobody noticed.
const MAX_SOURCE_LINES: usize = 700;
/// Files that people write, line by line.
const WRITTEN_BY_HAND: [&str; 8] = ["rs", "md", "toml", "sh", "sql", "css", "py", "html"];

struct File {
    name: String,
    text: String,
}

impl File {
    fn has_extension(&self, extensions: &[&str]) -> bool {
        Path::new(&self.name).extension().and_then(|e| e.to_str()).is_some_and(|e| extensions.contains(&e))
    }
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("a workspace").to_owned()
}

/// All files of the project, as its version control sees them, new ones included.
fn files() -> Vec<File> {
    let listed = Process::new("git")
        .args(["ls-files", "--cached", "--others", "--exclude-standard"])
        .current_dir(root())
        .output()
        .expect("git starts");
    assert!(listed.status.success(), "not a checkout: {}", String::from_utf8_lossy(&listed.stderr));
    let names = String::from_utf8(listed.stdout).expect("UTF-8");
    let files: Vec<File> = names
        .lines()
        .filter_map(|name| {
            Some(File { name: name.to_owned(), text: std::fs::read_to_string(root().join(name)).ok()? })
        })
        .collect();
    assert!(files.iter().any(|f| f.name == "README.md") && files.len() > 100, "{} files", files.len());
    files
}

/// README, DEVELOPERS and the handbook in one.
fn documents(files: &[File]) -> String {
    let of_people =
        |f: &&File| f.name == "README.md" || f.name == "DEVELOPERS.md" || f.name.starts_with("docs/");
    files.iter().filter(of_people).filter(|f| f.has_extension(&["md"])).map(|f| f.text.as_str()).collect()
}

#[track_caller]
fn nothing(complaints: &[String]) {
    assert!(complaints.is_empty(), "\n{}", complaints.join("\n"));
}

#[test]
fn no_line_ends_in_a_blank_or_holds_a_tab() {
    let mut complaints = Vec::new();
    for file in files().iter().filter(|f| f.has_extension(&WRITTEN_BY_HAND)) {
        for (idx, line) in file.text.lines().enumerate() {
            if line.ends_with([' ', '\t', '\r']) || line.contains('\t') {
                complaints.push(format!("{}:{}: a tab, or a blank at the end", file.name, idx + 1));
            }
        }
        if !file.text.is_empty() && !file.text.ends_with('\n') {
            complaints.push(format!("{}: no line feed at the end", file.name));
        }
    }
    nothing(&complaints);
}

#[test]
fn nothing_belongs_to_one_machine_or_was_left_for_later() {
    // In two pieces, so that this file doesn't hold what it looks for.
    let forbidden: Vec<String> = [
        ("/wo", "rk/"),
        ("/ro", "ot/"),
        ("/ho", "me/"),
        ("/tmp/", "wt"),
        ("index.crates", ".io"),
        ("static.crates", ".io"),
        ("pypi", ".org"),
        ("registry.npmjs", ".org"),
        ("TO", "DO"),
        ("FIX", "ME"),
    ]
    .iter()
    .map(|(a, b)| format!("{a}{b}"))
    .collect();
    let mut complaints = Vec::new();
    for file in files().iter().filter(|f| f.name != "Cargo.lock") {
        for (idx, line) in file.text.lines().enumerate() {
            for word in forbidden.iter().filter(|w| line.contains(w.as_str())) {
                complaints.push(format!("{}:{}: `{word}`", file.name, idx + 1));
            }
        }
    }
    nothing(&complaints);
}

#[test]
fn no_source_file_has_grown_out_of_hand() {
    let mut complaints = Vec::new();
    for file in files().iter().filter(|f| f.has_extension(&["rs"])) {
        let n_lines = file.text.lines().count();
        if n_lines > MAX_SOURCE_LINES {
            complaints.push(format!("{}: {n_lines} lines, at most {MAX_SOURCE_LINES}: divide it", file.name));
        }
    }
    nothing(&complaints);
}

#[test]
fn every_command_and_every_exit_code_is_documented() {
    let documents = documents(&files());
    let mut complaints = Vec::new();
    let programs = [
        (windrow::cli::Cli::command(), windrow::exit::Exit::HELP),
        (windrow_hub::commands::Line::command(), windrow_hub::exit::Exit::HELP),
    ];
    for (program, exit_codes) in programs {
        for command in program.get_subcommands() {
            let words = format!("`{} {}", program.get_name(), command.get_name());
            if !documents.contains(&words) {
                complaints.push(format!("no document says {words}`"));
            }
        }
        for line in exit_codes.lines().skip(1).filter(|line| !documents.contains(*line)) {
            complaints.push(format!("no document has this exit code of `{}`: {line}", program.get_name()));
        }
    }
    nothing(&complaints);
}

#[test]
fn every_option_of_the_hub_s_server_is_documented() {
    let documents = documents(&files());
    let line = windrow_hub::commands::Line::command();
    let serve = line.find_subcommand("serve").expect("a command");
    let options = serve.get_arguments().filter(|a| !a.is_hide_set()).filter_map(|a| a.get_long());
    let missing: Vec<String> = options
        .filter(|long| *long != "help" && *long != "version")
        .filter(|long| !documents.contains(&format!("--{long}")))
        .map(|long| format!("no document says --{long}"))
        .collect();
    nothing(&missing);
}

#[test]
fn links_between_documents_lead_somewhere() {
    let mut complaints = Vec::new();
    for file in files().iter().filter(|f| f.has_extension(&["md"])) {
        let folder = root().join(&file.name).parent().expect("a folder").to_owned();
        for target in file.text.split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
            let path = target.split('#').next().unwrap_or_default();
            let is_elsewhere = target.contains("://") || path.is_empty();
            if !is_elsewhere && !folder.join(path).exists() {
                complaints.push(format!("{}: `{target}` leads nowhere", file.name));
            }
        }
    }
    nothing(&complaints);
}

#[test]
fn every_caution_stands_in_the_readme() {
    let readme = std::fs::read_to_string(root().join("README.md")).expect("a README");
    let one_line = readme.split_whitespace().collect::<Vec<_>>().join(" ");
    let cautions = windrow_model::cautions::LOAD.iter().chain(windrow_model::cautions::SERVICE);
    let missing: Vec<String> =
        cautions.filter(|c| !one_line.contains(**c)).map(|c| format!("not there: {c}")).collect();
    nothing(&missing);
}
