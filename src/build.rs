//! Puts the commit that the program was built from into `STOPSPAN_COMMIT`, so that a record can name it.

use std::process::Command;

fn main() {
    println!("cargo:rerun-if-changed=src");
    for file in ["HEAD", "index"] {
        if let Some(path) = git(&["rev-parse", "--git-path", file]) {
            println!("cargo:rerun-if-changed={path}");
        }
    }
    let commit = git(&["rev-parse", "--short=12", "HEAD"]).map_or_else(
        || "unknown commit".to_owned(),
        |commit| match git(&["status", "--porcelain", "--untracked-files=no"]) {
            Some(changes) if !changes.is_empty() => format!("{commit}, modified"),
            _ => commit,
        },
    );
    println!("cargo:rustc-env=STOPSPAN_COMMIT={commit}");
}

/// The trimmed answer of git, or `None` without git or outside of a checkout.
fn git(arguments: &[&str]) -> Option<String> {
    let output = Command::new("git").args(arguments).output().ok().filter(|output| output.status.success())?;
    String::from_utf8(output.stdout).ok().map(|text| text.trim().to_owned())
}
