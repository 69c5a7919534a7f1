//! Puts the commit that the program was built from into `STOPSPAN_COMMIT`, so that a record can name it.

use std::process::Command;

fn main() {
    for sources in ["src", "Cargo.toml", "Cargo.lock"] {
        println!("cargo:rerun-if-changed={sources}");
    }
    for file in ["HEAD", "index"] {
        if let Some(path) = git(&["rev-parse", "--git-path", file]) {
            println!("cargo:rerun-if-changed={path}");
        }
    }
    println!("cargo:rustc-env=STOPSPAN_COMMIT={}", commit().unwrap_or_else(|| "unknown commit".to_owned()));
}

/// The commit that is checked out, and whether the sources differ from it.
fn commit() -> Option<String> {
    // A copy of the package inside another project's checkout must not bear that project's commit.
    git(&["rev-parse", "--show-prefix"]).filter(String::is_empty)?;
    let commit = git(&["rev-parse", "--short=12", "HEAD"])?;
    let sources = ["src", "Cargo.toml", "Cargo.lock"];
    let changes = git(&[&["status", "--porcelain", "--untracked-files=no", "--"], &sources[..]].concat());
    Some(if changes.is_some_and(|changes| !changes.is_empty()) { format!("{commit}, modified") } else { commit })
}

/// The trimmed answer of git, or `None` without git or outside of a checkout.
fn git(arguments: &[&str]) -> Option<String> {
    // Without the lock git leaves its index alone, whose change would start the next build.
    let output = Command::new("git")
        .arg("--no-optional-locks")
        .args(arguments)
        .output()
        .ok()
        .filter(|output| output.status.success())?;
    String::from_utf8(output.stdout).ok().map(|text| text.trim().to_owned())
}
